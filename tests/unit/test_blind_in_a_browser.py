# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a blind test as a listener uses it, in Debian's chromium."""

import shutil

import numpy as np
import pytest

from bafflelens.listen.blind import BlindTest, address_of, start
from bafflelens.listen.rendering import sound_file
from bafflelens.listen.trials import Trials

CHROMIUM = shutil.which("chromium")
api = pytest.importorskip("playwright.sync_api")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")


@pytest.fixture
def page():
    with api.sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        opened = browser.new_page()
        opened.set_default_timeout(60_000)
        yield opened
        browser.close()


@pytest.mark.parametrize("kind", ["abx", "preference"])
def test_a_listener_goes_through_all_trials_with_the_keyboard(kind, page):
    time = np.arange(48_000) / 48_000
    tones = [np.tile(0.1 * np.sin(2 * np.pi * f * time), (2, 1)) for f in (400, 500)]
    hidden = (0, 1, 1, 0, 1, 0, 0, 1)
    test = BlindTest(
        names=("c001", "baseline"),
        sounds=[sound_file(tone) for tone in tones],
        trials=Trials(kind=kind, hidden=hidden),
    )
    server = start(test)
    faults = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    try:
        page.goto(address_of(server, test))
        page.get_by_role("button", name="Begin").click()
        for number in range(8):
            page.get_by_text(f"Trial {number + 1} of 8").wait_for()
            page.keyboard.press("2")
            second = page.locator("#versions button").nth(1)
            assert second.get_attribute("aria-pressed") == "true"
            assert "right" not in page.inner_text("body").replace("right arrow", "")
            choice = hidden[number]  # X as it is; for a preference, always the first shape
            with page.expect_response("**/answer"):
                page.keyboard.press(("ArrowLeft", "ArrowRight")[choice])
        result = page.locator("#result")
        result.wait_for()
        assert "8 of 8" in result.inner_text()
        assert test.trials.answers == (hidden if kind == "abx" else (0,) * 8)
    finally:
        server.shutdown()
        server.server_close()
    assert not faults
