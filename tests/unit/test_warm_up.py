# SPDX-License-Identifier: GPL-3.0-or-later
import pytest

from bafflelens.base import child_process
from bafflelens.base.threads import inner_loop
from bafflelens.bem import cross_approximation, far_field_sums, warm_up_beside
from bafflelens.bem.warm_up import warm_up


def test_says_what_it_does_before_and_after():
    lines = []
    seconds = warm_up(lines.append)
    assert len(lines) == 2
    assert "compiled" in lines[0]
    assert f"{seconds:.1f} s" in lines[1]


@pytest.mark.parametrize("is_kept", [True, False])
def test_the_first_time_another_process_compiles_some_of_it(monkeypatch, is_kept):
    begun = []
    monkeypatch.setattr("bafflelens.bem.warm_up._is_kept", lambda: is_kept)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    monkeypatch.setattr(child_process, "run_module", lambda module, *_: begun.append(module))
    warm_up(lambda text: None)
    assert begun == ([] if is_kept else [warm_up_beside.__name__])


def test_what_is_compiled_beside_is_what_a_solve_needs(tmp_path):
    """It is found on the disk here, so nothing is compiled but what no solve compiles."""
    assert warm_up_beside.main(tmp_path) == 0
    loops = [cross_approximation.form_low_rank, inner_loop(far_field_sums.add_far_field)]
    before = [len(loop.signatures) for loop in loops]
    warm_up(lambda text: None)
    assert [len(loop.signatures) for loop in loops] == before


def test_it_is_compiled_in_a_process_of_its_own(tmp_path):
    assert not child_process.run_module(warm_up_beside.__name__, tmp_path, 300.0)
    assert (tmp_path / warm_up_beside.DONE).is_file()
