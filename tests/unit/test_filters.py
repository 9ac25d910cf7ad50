# SPDX-License-Identifier: GPL-3.0-or-later
"""Textbook filters against closed forms and against scipy.signal's own transfer functions.

Sources: Butterworth |H|^2 = 1/(1 + w^2n), S. Butterworth, Wireless Engineer 7 (1930); Bessel
H = theta_n(0)/theta_n(s) with the reverse Bessel polynomials, W. E. Thomson, Proc. IEE 96 (1949);
Linkwitz-Riley as squared Butterworth, S. H. Linkwitz, J. Audio Eng. Soc. 24 (1976) 2-8.
The three references are quoted from memory.
"""

import numpy as np
import pytest
from scipy import signal

from bafflelens.base.errors import InputError
from bafflelens.directivity.filters import Filter

FREQUENCY = np.geomspace(50, 40_000, 301)
CROSS = 1800.0


def pair(family, order, frequency=CROSS):
    return (
        Filter(kind=kind, family=family, order=order, frequency_hz=frequency)
        for kind in ("high-pass", "low-pass")
    )


@pytest.mark.parametrize("order", range(1, 9))
def test_butterworth_has_its_closed_form(order):
    high, low = pair("butterworth", order)
    w = FREQUENCY / CROSS
    np.testing.assert_allclose(np.abs(low.at(FREQUENCY)) ** 2, 1 / (1 + w ** (2 * order)))
    np.testing.assert_allclose(np.abs(high.at(FREQUENCY)) ** 2, 1 / (1 + w ** (-2 * order)))
    poles = np.exp(1j * np.pi * (2 * np.arange(1, order + 1) + order - 1) / (2 * order))
    closed = np.prod(-poles) / np.prod(1j * w[:, None] - poles, axis=1)
    np.testing.assert_allclose(low.at(FREQUENCY), closed, rtol=1e-9)


@pytest.mark.parametrize(
    ("order", "polynomial"),
    [(1, (1, 1)), (2, (1, 3, 3)), (3, (1, 6, 15, 15)), (4, (1, 10, 45, 105, 105))],
)
def test_bessel_has_its_closed_form(order, polynomial):
    """Scaled so that it is 3 dB down at its frequency, which is found by bisection here."""
    from scipy.optimize import brentq

    def thomson(w):
        return polynomial[-1] / np.polyval(polynomial, 1j * w)

    corner = brentq(lambda w: abs(thomson(w)) ** 2 - 0.5, 0.1, 10)
    high, low = pair("bessel", order)
    w = FREQUENCY / CROSS
    np.testing.assert_allclose(low.at(FREQUENCY), thomson(w * corner), rtol=1e-7)
    np.testing.assert_allclose(high.at(FREQUENCY), np.conj(thomson(corner / w)), rtol=1e-7)


@pytest.mark.parametrize("order", [2, 4, 6, 8])
def test_linkwitz_riley_is_a_butterworth_twice(order):
    b, a = signal.butter(order // 2, 2 * np.pi * CROSS, "low", analog=True)
    _, once = signal.freqs(b, a, worN=2 * np.pi * FREQUENCY)
    high, low = pair("linkwitz-riley", order)
    np.testing.assert_allclose(low.at(FREQUENCY), once**2, rtol=1e-7)
    at_cross = np.abs([high.at(np.array([CROSS])), low.at(np.array([CROSS]))])
    np.testing.assert_allclose(20 * np.log10(at_cross), 20 * np.log10(0.5), atol=1e-9)


@pytest.mark.parametrize(("order", "sign"), [(2, -1), (4, 1), (6, -1), (8, 1)])
def test_a_linkwitz_riley_pair_sums_flat(order, sign):
    """Second and sixth order with one polarity inverted; the sum is an all-pass."""
    high, low = pair("linkwitz-riley", order)
    total = low.at(FREQUENCY) + sign * high.at(FREQUENCY)
    np.testing.assert_allclose(np.abs(total), 1, atol=1e-9)
    wrong = low.at(np.array([CROSS])) - sign * high.at(np.array([CROSS]))
    assert abs(wrong[0]) < 1e-9  # a null where the polarity is not what it must be


@pytest.mark.parametrize("order", [1, 3, 5, 7])
def test_an_odd_butterworth_pair_sums_flat(order):
    high, low = pair("butterworth", order)
    np.testing.assert_allclose(np.abs(low.at(FREQUENCY) + high.at(FREQUENCY)), 1, atol=1e-9)


@pytest.mark.parametrize("family", ["butterworth", "linkwitz-riley", "bessel"])
def test_a_low_pass_lags_and_a_high_pass_leads(family):
    """For exp(+j omega t): the sign that the program's own time factor turns round."""
    high, low = pair(family, 2)
    above, below = np.array([CROSS / 3]), np.array([3 * CROSS])
    assert np.angle(low.at(above))[0] < 0
    assert np.angle(high.at(below))[0] > 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "band-pass"}, r"filter kind 'band-pass'. Must be one of high-pass, low-pass"),
        ({"family": "cauer"}, r"filter family 'cauer'. Must be one of butterworth, linkwitz"),
        ({"order": 9}, r"filter order '9'. Must be from 1 to 8"),
        ({"order": 3}, r"filter order '3'. Must be even for a linkwitz-riley"),
        ({"frequency_hz": 0.0}, r"filter frequency in Hz '0.0'. Must be above 0"),
    ],
)
def test_what_is_no_filter_is_refused(change, message):
    good = {"kind": "low-pass", "family": "linkwitz-riley", "order": 4, "frequency_hz": 2000.0}
    with pytest.raises(InputError, match=message):
        Filter(**{**good, **change})


def test_a_filter_in_words():
    assert next(pair("bessel", 3)).text == "high-pass bessel 3 at 1800 Hz"
