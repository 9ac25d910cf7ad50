# SPDX-License-Identifier: GPL-3.0-or-later
import math
from dataclasses import replace

import pytest

from bafflelens.scoring.ranking import NOT_MESHED_AGAIN, CandidateResult, Remeshing, rank
from bafflelens.scoring.score import Score, Term


def candidate(name, total_db=None, *, gaps=(), status="solved", reasons=(), baseline=False):
    return CandidateResult(
        id=name,
        label=f"shape {name}",
        is_baseline=baseline,
        values={"lens.opening_height_mm": 120.0},
        score=None if total_db is None else Score(terms=(), total_db=total_db, gaps=gaps),
        status=status,
        reasons=reasons,
    )


PLAIN = candidate("plain", 5.0, baseline=True)


def places(rows):
    return [(row.candidate.id, row.place) for row in rows]


def test_lowest_score_is_first_and_the_baseline_is_in_the_table():
    rows = rank([candidate("b", 3.0), PLAIN, candidate("a", 2.0), candidate("worse", 6.0)])
    assert places(rows) == [("a", 1), ("b", 2), ("plain", 3), ("worse", 4)]
    assert [row.better_by_db for row in rows] == pytest.approx([3, 2, 0, -1])
    assert not any(row.is_tied or row.reasons for row in rows)


def test_ties_share_a_place_and_say_so():
    rows = rank([candidate("c", 2.16), candidate("b", 2.05), candidate("a", 2.0), PLAIN])
    assert places(rows) == [("a", 1), ("b", 1), ("c", 3), ("plain", 4)]
    assert [row.is_tied for row in rows] == [True, True, False, False]
    assert rows[0].reasons == ()
    assert rows[1].reasons == ("within 0.1 dB of a: no difference that means anything",)


def test_a_chain_of_small_steps_is_not_one_tie():
    rows = rank([candidate(str(i), 2.0 + 0.06 * i) for i in range(4)] + [PLAIN])
    assert places(rows)[:4] == [("0", 1), ("1", 1), ("2", 3), ("3", 3)]


def test_equal_scores_come_in_the_order_of_their_ids():
    rows = rank([candidate("z", 2.0), candidate("a", 2.0), PLAIN], smallest_difference_db=0)
    assert places(rows) == [("a", 1), ("z", 2), ("plain", 3)]
    assert not rows[0].is_tied


def test_incomplete_and_failed_come_last_with_their_reasons():
    rows = rank(
        [
            candidate("broken", status="failed", reasons=("could not be meshed",)),
            candidate("holed", 0.5, gaps=("4000 Hz failed: no convergence",)),
            candidate("void", math.nan),
            PLAIN,
        ]
    )
    assert [(row.candidate.id, row.place, row.status) for row in rows] == [
        ("plain", 1, "ranked"),
        ("holed", None, "incomplete"),
        ("void", None, "incomplete"),
        ("broken", None, "failed"),
    ]
    assert rows[1].reasons == ("4000 Hz failed: no convergence",)
    assert rows[2].reasons == ("no reason recorded",)
    assert rows[3].reasons == ("could not be meshed",)
    assert all(math.isnan(row.better_by_db) for row in rows[1:])


def test_reasons_are_not_told_twice():
    gap = "4000 Hz failed: no convergence"
    (_, row) = rank([PLAIN, candidate("holed", 1.0, gaps=(gap,), reasons=(gap, "slow"))])
    assert row.reasons == (gap, "slow")


def test_what_went_wrong_on_the_way_stays_with_a_ranked_candidate():
    (row, _) = rank([PLAIN, candidate("a", 1.0, reasons=("16000 Hz failed: too large",))])
    assert row.place == 1
    assert row.reasons == ("16000 Hz failed: too large",)


def test_a_failed_baseline_leaves_no_difference():
    lost = candidate("plain", status="failed", reasons=("out of memory",), baseline=True)
    rows = rank([lost, candidate("a", 1.0)])
    assert places(rows) == [("a", 1), ("plain", None)]
    assert math.isnan(rows[0].better_by_db)


def test_the_first_complete_baseline_is_the_measure():
    felt = candidate("felt", 4.0, baseline=True)
    rows = rank([candidate("a", 1.0), PLAIN, felt])
    assert rows[0].better_by_db == pytest.approx(4.0)


def test_a_ranking_without_baseline_or_with_doubles_is_refused():
    with pytest.raises(ValueError, match=r"no baseline. Must have one candidate at least"):
        rank([candidate("a", 1.0)])
    with pytest.raises(ValueError, match=r"Invalid candidate id 'a'. Must be unique"):
        rank([PLAIN, candidate("a", 1.0), candidate("a", 2.0)])


# ------------------------------------------------------------------ the front
def with_objectives(name, vertical, horizontal, side, *, baseline=False):
    """Return a candidate whose score is the sum of the three."""
    excess = {"vertical_control": vertical, "horizontal_width": horizontal, "side_lobes": side}
    terms = tuple(
        Term(name=term, value_db=value, tolerance_db=0.0, weight=1.0, excess_db=value, note=".")
        for term, value in excess.items()
    )
    score = Score(terms=terms, total_db=vertical + horizontal + side)
    return replace(candidate(name, 1.0, baseline=baseline), score=score)


FAR = with_objectives("plain", 9.0, 9.0, 9.0, baseline=True)


def test_what_is_nowhere_better_is_dominated():
    rows = rank(
        [
            with_objectives("plain", 5.0, 0.0, 0.5, baseline=True),
            with_objectives("tall", 2.0, 1.0, 0.5),
            with_objectives("poor", 2.0, 1.5, 0.5),
            with_objectives("wide", 3.0, 0.2, 0.5),
            with_objectives("calm", 4.0, 1.2, 0.1),
        ]
    )
    assert {row.candidate.id: row.dominated_by for row in rows} == {
        "plain": "", "tall": "", "poor": "tall", "wide": "", "calm": "",
    }  # fmt: skip
    (poor,) = (row for row in rows if row.dominated_by)
    assert not poor.is_on_front
    assert "dominated by tall: no better in anything, worse in something" in poor.reasons


def test_it_takes_a_difference_that_means_something_to_dominate():
    pair = [with_objectives("a", 2.0, 1.0, 0.5), with_objectives("b", 2.05, 1.0, 0.5), FAR]
    assert rank(pair, smallest_difference_db=0.1)[1].dominated_by == ""
    assert rank(pair, smallest_difference_db=0.01)[1].dominated_by == "a"
    same = [with_objectives("a", 2.0, 1.0, 0.5), with_objectives("b", 2.0, 1.0, 0.5), FAR]
    assert all(row.is_on_front for row in rank(same, smallest_difference_db=0.0)[:2])


def test_what_has_no_place_neither_dominates_nor_is_dominated():
    holed = replace(
        with_objectives("holed", 0.0, 0.0, 0.0),
        score=replace(with_objectives("x", 0.0, 0.0, 0.0).score, gaps=("4000 Hz failed: .",)),
    )
    rows = rank([holed, with_objectives("a", 2.0, 1.0, 0.5), FAR])
    found = {row.candidate.id: row for row in rows}
    assert found["a"].is_on_front
    assert not found["holed"].is_on_front
    assert found["holed"].dominated_by == ""


# ------------------------------------------------------------------ the smallest difference
def test_scores_of_one_shape_give_the_smallest_difference():
    # 2.8 standard deviations: ISO 5725-6's repeatability limit. Of 1, 2, 3 the deviation is 1.
    found = Remeshing(candidate="c009", scores_db=(3.1, 3.2, 3.3))
    assert found.smallest_difference_db == pytest.approx(0.28)
    assert found.text == (
        "smallest difference that means anything: 0.28 dB; c009 meshed 3 ways scores "
        "3.10, 3.20, 3.30 dB"
    )


def test_meshes_that_agree_by_chance_prove_nothing():
    assert Remeshing(candidate="a", scores_db=(3.0, 3.0)).smallest_difference_db == 0.03


@pytest.mark.parametrize("found", [NOT_MESHED_AGAIN, Remeshing(candidate="a", scores_db=(3.0,))])
def test_without_other_meshes_there_is_an_estimate(found):
    assert found.smallest_difference_db == 0.1
    assert "0.10 dB, an estimate; no shape was meshed several ways" in found.text
