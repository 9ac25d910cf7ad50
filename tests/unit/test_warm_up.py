# SPDX-License-Identifier: GPL-3.0-or-later
from bafflelens.bem.warm_up import warm_up


def test_says_what_it_does_before_and_after():
    lines = []
    seconds = warm_up(lines.append)
    assert len(lines) == 2
    assert "compiled" in lines[0]
    assert f"{seconds:.1f} s" in lines[1]
