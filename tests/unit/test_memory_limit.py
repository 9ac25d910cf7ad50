# SPDX-License-Identifier: GPL-3.0-or-later
"""What may run side by side, without any worker."""

import pytest

from bafflelens.workers.memory_limit import GIB, Machine, Need, Reservations


def one_machine(workers=2, gib=10.0):
    return Reservations(machines=(Machine("", workers, gib * GIB),))


def next_of(reservations, *waiting):
    """Number of the piece that goes next and name of its machine, or None."""
    chosen = reservations.choose(waiting)
    return chosen and (chosen[0], chosen[1].name)


def take_all(reservations, waiting):
    """Hand out what fits and return the numbers, in the order in which they go."""
    gone = []
    left = dict(enumerate(waiting))
    while chosen := reservations.choose([Need(size) for size in left.values()]):
        number = list(left)[chosen[0]]
        reservations.take(chosen[1].name, left.pop(number))
        gone.append(number)
    return gone


def test_two_large_ones_do_not_go_together_but_small_ones_do():
    assert take_all(one_machine(), [6 * GIB, 6 * GIB, 1 * GIB, 1 * GIB]) == [0, 2, 3]
    assert take_all(one_machine(), [4 * GIB, 4 * GIB, 1 * GIB]) == [0, 1, 2]


def test_what_is_given_back_is_free_again():
    found = one_machine()
    assert take_all(found, [6 * GIB, 6 * GIB]) == [0]
    found.give_back("", 6 * GIB)
    assert take_all(found, [6 * GIB]) == [0]


def test_no_more_goes_out_than_the_workers_have_in_hand_and_in_store():
    assert take_all(one_machine(workers=2), [0.0] * 9) == [0, 1, 2, 3]


def test_large_work_is_not_passed_by_for_ever():
    found = one_machine(workers=100)
    found.take("", 6 * GIB)
    passed = 0
    while (chosen := next_of(found, Need(6 * GIB), Need())) is not None:
        assert chosen == (1, "")
        passed += 1
        assert passed < 100
    assert passed == 16
    found.give_back("", 6 * GIB)
    assert next_of(found, Need(6 * GIB), Need()) == (0, "")
    assert next_of(found, Need(11 * GIB), Need()) == (1, "")  # the count begins anew


def test_each_machine_has_its_own_memory():
    found = Reservations(machines=(Machine("a", 1, 4 * GIB), Machine("b", 1, 8 * GIB)))
    assert next_of(found, Need(6 * GIB)) == (0, "b")
    found.take("b", 6 * GIB)
    assert next_of(found, Need(6 * GIB)) is None
    assert next_of(found, Need(6 * GIB), Need(3 * GIB)) == (1, "a")


def test_the_machine_with_the_least_to_do_is_next():
    found = Reservations(machines=(Machine("a", 1), Machine("b", 2)))
    found.take("a", 0.0)
    assert next_of(found, Need()) == (0, "b")
    found.take("b", 0.0)
    assert next_of(found, Need()) == (0, "b")


def test_what_can_never_fit_is_refused_with_both_numbers():
    found = one_machine(gib=2.0)
    assert found.refusal(Need(2 * GIB)) == ""
    assert found.refusal(Need(5 * GIB)).startswith(
        "it needs about 5.0 GiB of memory, more than the 2.0 GiB that there are for one piece"
    )


@pytest.mark.parametrize("machines", [(), (Machine("a", 1),)])
def test_where_nobody_knows_the_memory_nothing_is_refused(machines):
    found = Reservations(machines=machines)
    assert found.refusal(Need(1e15)) == ""


def test_without_a_machine_nothing_goes_out():
    assert Reservations(machines=()).choose([Need()]) is None


def test_work_for_a_card_goes_to_a_card_and_other_work_does_not():
    found = Reservations(machines=(Machine("a", 1, GIB), Machine("card", 1, has_card=True)))
    assert next_of(found, Need(), Need(card=True)) == (1, "card")
    for _ in range(2):
        found.take("card", 0.0)
    assert next_of(found, Need(card=True), Need()) == (1, "a")
    assert found.refusal(Need(5 * GIB, card=True)) == ""
    assert found.refusal(Need(5 * GIB)) != ""


def test_where_no_worker_has_a_card_work_for_one_is_refused():
    assert one_machine().refusal(Need(card=True)) == (
        "it needs a graphics card, and no worker has one"
    )
