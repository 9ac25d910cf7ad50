# SPDX-License-Identifier: GPL-3.0-or-later
"""Blind trials: exact binomial numbers, nothing told early, a page only for its owner."""

import http.client
import json
from math import comb

import pytest

from bafflelens.base.errors import InputError
from bafflelens.listen.blind import BlindTest, address_of, start
from bafflelens.listen.trials import (
    ABX,
    KINDS,
    PREFERENCE,
    Trials,
    chance_of_finding,
    least_count,
    new_trials,
    plan_text,
    result_text,
)


def test_p_values_are_those_of_the_binomial_table():
    """12 of 16: 0.038; of 20 it takes 15, 0.021, since 14 is 0.058 (exact sums)."""
    for count, number, printed in ((12, 16, 0.038), (15, 20, 0.021), (14, 20, 0.058)):
        trials = Trials(
            kind=ABX, hidden=(0,) * number, answers=(0,) * count + (1,) * (number - count)
        )
        exact = sum(comb(number, k) for k in range(count, number + 1)) / 2**number
        assert trials.p_value == pytest.approx(exact)
        assert round(trials.p_value, 3) == printed
    assert [least_count(n) for n in (10, 16, 20)] == [9, 12, 15]


def test_a_preference_is_judged_on_both_sides():
    trials = Trials(kind=PREFERENCE, hidden=(0,) * 16, answers=(1,) * 13 + (0,) * 3)
    exact = 2 * sum(comb(16, k) for k in range(13, 17)) / 2**16
    assert trials.p_value == pytest.approx(exact)
    assert least_count(16, PREFERENCE) == 13


@pytest.mark.parametrize("kind", KINDS)
def test_the_chance_of_finding_a_difference_rises_with_it_and_with_the_trials(kind):
    assert chance_of_finding(16, 0.5) == pytest.approx(0.0384, abs=1e-4)
    few, many = ([chance_of_finding(n, s, kind) for s in (0.6, 0.75, 0.9)] for n in (16, 40))
    assert few == sorted(few)
    assert all(more > less for more, less in zip(many, few, strict=True))
    assert "16 trials" in plan_text(16, kind)


def test_answers_come_in_order_and_each_once():
    trials = new_trials(ABX, 8)
    with pytest.raises(InputError, match="next that is open"):
        trials.answered(1, 0)
    with pytest.raises(InputError, match="0 or 1"):
        trials.answered(0, 2)
    for number in range(8):
        trials = trials.answered(number, trials.hidden[number])
    assert trials.count == 8
    assert "told apart" in result_text(trials, ("c001", "baseline"))
    with pytest.raises(InputError, match="next that is open"):
        trials.answered(8, 0)


def test_a_preference_is_for_the_shape_not_for_the_place():
    trials = Trials(kind=PREFERENCE, hidden=(0, 1, 0, 1))
    for number, place in enumerate((0, 1, 0, 1)):  # always the first shape, wherever it is
        trials = trials.answered(number, place)
    assert trials.count == 4


@pytest.mark.parametrize(
    ("kind", "number", "rule"), [("abx", 7, "8 to 100"), ("ab", 16, "one of")]
)
def test_what_is_no_test_is_refused(kind, number, rule):
    with pytest.raises(InputError, match=rule):
        new_trials(kind, number)


@pytest.fixture
def served():
    test = BlindTest(
        names=("c001", "baseline"),
        sounds=(b"first", b"second"),
        trials=Trials(kind=ABX, hidden=(1, 0, 1, 1, 0, 0, 1, 0)),
    )
    server = start(test)
    yield test, server
    server.shutdown()
    server.server_close()


def ask(server, path, method="GET", body=None, **headers):
    host, port = server.server_address
    connection = http.client.HTTPConnection(host, port, timeout=10)
    connection.request(method, path, body, {k.capitalize(): v for k, v in headers.items()})
    answer = connection.getresponse()
    return answer, answer.read()


def test_nothing_is_told_before_the_last_trial(served):
    test, server = served
    base = f"/{test.token}/"
    origin = address_of(server, test).split(f"/{test.token}")[0]
    for number in range(8):
        _, content = ask(server, base + "state")
        assert "result" not in json.loads(content)
        assert b"hidden" not in content
        assert (
            ask(server, base + "sound/x")[1] == (b"first", b"second")[test.trials.hidden[number]]
        )
        body = json.dumps({"trial": number, "choice": test.trials.hidden[number]})
        answer, content = ask(server, base + "answer", "POST", body, origin=origin)
        assert answer.status == 200
    state = json.loads(content)
    assert state["done"]
    assert "8 of 8 right" in state["result"]
    assert test.done.is_set()
    assert ask(server, base + "sound/x")[0].status == 404


def test_only_the_page_s_own_origin_and_host_are_answered(served):
    test, server = served
    base = f"/{test.token}/"
    body = json.dumps({"trial": 0, "choice": 0})
    assert ask(server, "/")[0].status == 404
    assert ask(server, "/wrong/state")[0].status == 404
    assert ask(server, base + "state", host="example.org")[0].status == 421
    assert (
        ask(server, base + "state", host=f"localhost:{server.server_address[1]}")[0].status == 421
    )
    for origin in ("http://example.org", "null", "http://127.0.0.1:1"):
        assert ask(server, base + "answer", "POST", body, origin=origin)[0].status == 403
    assert ask(server, base + "answer", "POST", body)[0].status == 403
    own = f"http://127.0.0.1:{server.server_address[1]}"
    for bad in (
        '{"trial": 0}',
        '{"trial": 3, "choice": 0}',
        '{"trial": 0, "choice": true}',
        "[]",
        "x",
    ):
        assert ask(server, base + "answer", "POST", bad, origin=own)[0].status == 400
    assert not test.trials.answers
    answer, page = ask(server, base)
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert b"<script>" not in page
    assert b"harm hearing" in page
    assert server.server_address[0] == "127.0.0.1"
