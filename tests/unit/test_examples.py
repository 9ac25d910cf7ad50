# SPDX-License-Identifier: GPL-3.0-or-later
"""The examples in the docstrings of the engine are true."""

import doctest
import importlib
import pkgutil

import pytest

import bafflelens

MODULES = sorted(
    module.name
    for module in pkgutil.walk_packages(bafflelens.__path__, "bafflelens.")
    if not module.name.endswith("__main__")
)


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    failed, _ = doctest.testmod(importlib.import_module(name))
    assert failed == 0


def test_there_are_examples():
    finder = doctest.DocTestFinder()
    found = [
        example
        for name in MODULES
        for test in finder.find(importlib.import_module(name))
        for example in test.examples
    ]
    assert len(found) >= 5
