# SPDX-License-Identifier: GPL-3.0-or-later
"""The collector of cycles rests while modules are loaded, and is as it was afterwards."""

import gc

import pytest

from bafflelens.base.loading import without_collector


def test_it_rests_within_and_works_again_after_an_error():
    def load():
        with without_collector():
            assert not gc.isenabled()
            raise ImportError

    with pytest.raises(ImportError):
        load()
    assert gc.isenabled()


def test_who_has_none_gets_none():
    gc.disable()
    try:
        with without_collector():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
