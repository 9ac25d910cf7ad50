# SPDX-License-Identifier: GPL-3.0-or-later
"""How quick the live page is after a finished run: its start, its answers, its frames a second.

A copy of the run is served by the command, as a user has it, and opened in Debian's chromium
without a window. Printed are

- from the command to the address that it prints, to the page's first answer, and to the answer
  of a move made at once, several times; the browser is open already. The first start finds no
  first view of the run, the others find the one that it left;
- for small moves of each dimension in turn, the time from the event in the page until the
  estimate is drawn (and until it came, by the page's own marks), and until the draft that
  follows;
- frames a second while a surface of `TRIANGLES` triangles turns, as the page draws it, by the
  browser's own stamps of frames. Chromium draws by software here: a graphics card is quicker. So
  what the page itself does a frame is printed apart, in processor time of its main thread by
  Chromium's own trace: script, style and layout, and collecting garbage. 16.7 ms are 60 frames a
  second.

Usage: live_page.py RUN [MOVES] [all]; with ``all`` the whole page is drawn by SwiftShader, which
takes several times as long and says more of that than of the page.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from playwright.sync_api import Page, sync_playwright

from bafflelens.base.run_files import first_view_path
from bafflelens.live.waits import SETTLE_S

STARTS = 4
TRIANGLES = 20_000
SECONDS = 4.0
FRAMES = 60
# As Chromium does by itself on a machine without a card: what is in space is drawn by SwiftShader,
# the page is put together by the processor.
DRAWN = ["--no-sandbox", "--enable-unsafe-swiftshader"]
# With these the page, too, is put together by SwiftShader: whatever changes on it, be it one
# letter, costs a frame of the whole page, 76 ms by the clock and 114 of processor time.
ALL_BY_SWIFTSHADER = [*DRAWN, "--use-gl=angle", "--use-angle=swiftshader"]
ANSWERED = "() => !['', 'before'].includes(document.getElementById('mark').dataset.mark ?? '')"
DRAFTED = "() => ['draft', 'solved'].includes(document.getElementById('mark').dataset.mark)"

# Moves a slider as its arrow key does and resolves to ms until the page has an answer.
MOVE = """([key, way]) => new Promise((done) => {
  const slider = document.getElementById(`slider-${key}`), mark = document.getElementById('mark');
  const begun = performance.now();
  const held = { key: way, bubbles: true, cancelable: true };
  slider.dispatchEvent(new KeyboardEvent('keydown', held));
  const at = (name) => performance.getEntriesByName(name).at(-1).startTime;
  const look = () => {
    if (!['', 'before'].includes(mark.dataset.mark))
      return done([at('drawn') - begun, mark.dataset.mark, at('answered') - at('moved')]);
    setTimeout(look, 1);
  };
  setTimeout(look, 0);
})"""

TURN = """async ([triangles, seconds]) => {
  const { Space } = await import(document.querySelector('script[type=module]').src
    .replace('main.js', 'space.js'));
  const old = document.getElementById('space'), canvas = old.cloneNode();
  old.replaceWith(canvas);
  const space = new Space(canvas);
  const corners = new Float32Array(triangles * 9), rows = Math.round(Math.sqrt(triangles / 2));
  let at = 0;
  const put = (i, j) => {
    const up = Math.PI * i / rows, around = 2 * Math.PI * j / rows;
    corners.set([100 * Math.sin(up) * Math.cos(around), 100 * Math.sin(up) * Math.sin(around),
      200 * Math.cos(up)], at);
    at += 3;
  };
  for (let i = 0; i < rows; i++) for (let j = 0; j < rows; j++) {
    put(i, j); put(i + 1, j); put(i + 1, j + 1); put(i, j); put(i + 1, j + 1); put(i, j + 1);
  }
  const number = at / 9;
  space.show({ kinds: ['lens'], arrays: { corners: { data: corners.subarray(0, at) },
    kind: { data: new Uint8Array(number) } } });
  window.turned = space;
  const gl = space.renderer.getContext(), between = [];
  await new Promise((done) => setTimeout(done, 500));
  // As a mouse does: a turn a frame. What draws keeps the next frame back where it is late.
  let before = 0, coarsest = 9;
  const begun = performance.now();
  while (performance.now() - begun < 1000 * seconds) {
    space.turn(0.02, 0);
    const at = await new Promise(requestAnimationFrame);
    if (before) between.push(at - before);
    before = at;
    coarsest = Math.min(coarsest, space.canvas.width / space.canvas.clientWidth);
  }
  between.sort((a, b) => a - b);
  const named = gl.getExtension('WEBGL_debug_renderer_info');
  return { number, rate: 1000 * between.length / between.reduce((a, b) => a + b, 0),
    median: between[between.length >> 1], late: between.filter((ms) => ms > 20).length,
    frames: between.length, coarsest,
    renderer: gl.getParameter(named ? named.UNMASKED_RENDERER_WEBGL : gl.RENDERER),
    size: `${canvas.width} x ${canvas.height}` };
}"""


def main(run: Path, moves: int = 12, drawn: Sequence[str] = DRAWN) -> None:
    """Print all three."""
    chromium = shutil.which("chromium")
    assert chromium, "needs Debian's chromium"
    with TemporaryDirectory() as name, sync_playwright() as playwright:
        copy = Path(name) / "results" / run.name
        shutil.copytree(run, copy)
        browser = playwright.chromium.launch(executable_path=chromium, args=list(drawn))
        for number in range(STARTS):
            page = browser.new_page(viewport={"width": 1400, "height": 950})
            page.set_default_timeout(120_000)
            begun = time.perf_counter()
            with _served(copy) as address:
                printed = time.perf_counter() - begun
                page.goto(address)
                page.wait_for_function(ANSWERED, polling=10)
                usable = time.perf_counter() - begun
                key = page.evaluate("() => document.querySelector('[id^=slider-]').id.slice(7)")
                page.evaluate(MOVE, [key, "ArrowRight"])
                print(
                    f"start {number + 1}: address {printed:.2f} s, usable {usable:.2f} s, "
                    f"a move answered after {time.perf_counter() - begun:.2f} s",
                    flush=True,
                )
                while not first_view_path(copy).exists():
                    time.sleep(0.1)
                if number == STARTS - 1:
                    turning(page)
                    script_a_frame(page)
                    page.reload()
                    page.wait_for_function(ANSWERED, polling=10)
                    answers(page, moves)
            page.close()
        browser.close()


# Turns it as a mouse does, each frame drawn before the next is begun.
TURN_ON = """async (frames) => {
  const gl = turned.renderer.getContext(), pixel = new Uint8Array(4);
  for (let n = 0; n < frames; n++) {
    turned.turn(0.02, 0);
    await new Promise(requestAnimationFrame);
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, pixel);
    await new Promise((done) => setTimeout(done));
  }
}"""


def script_a_frame(page: Page) -> None:
    """Print what the page's own thread does a frame, apart from what draws."""
    page.evaluate(TURN_ON, 5)  # compiled by now
    browser = page.context.browser
    assert browser is not None
    browser.start_tracing(page=page, categories=["devtools.timeline", "v8", "blink.user_timing"])
    page.evaluate(TURN_ON, FRAMES)
    events = json.loads(browser.stop_tracing())["traceEvents"]
    drawn = [e for e in events if e["name"] == "FireAnimationFrame" and "tdur" in e]
    (thread,) = {(e["pid"], e["tid"]) for e in drawn}
    sums: dict[str, float] = {}
    for event in events:
        if (event["pid"], event["tid"]) == thread:
            ms = event.get("tdur", 0) / 1000
            sums[event["name"]] = sums.get(event["name"], 0.0) + ms
    layout = sum(sums.get(name, 0.0) for name in ("UpdateLayoutTree", "Layout"))
    garbage = sum(sums.get(name, 0.0) for name in ("MinorGC", "MajorGC"))
    script = [e["tdur"] / 1000 for e in drawn]  # the page's own, and that of this loop
    print(
        f"script a frame {sum(script) / FRAMES:.2f} ms, mean of {FRAMES}, {max(script):.2f} at "
        f"most; style and layout {layout / FRAMES:.2f}, garbage {garbage / FRAMES:.2f}",
        flush=True,
    )


def turning(page: Page) -> None:
    """Print frames a second."""
    found = page.evaluate(TURN, [TRIANGLES, SECONDS])
    print(
        f"turning {found['number']} triangles on {found['size']} pixels: "
        f"{found['rate']:.0f} frames a second, median {found['median']:.1f} ms, "
        f"{found['late']} of {found['frames']} later than 20 ms, "
        f"at coarsest {found['coarsest']:g} pixels a pixel, by software ({found['renderer']})",
        flush=True,
    )


def answers(page: Page, moves: int) -> None:
    """Print times of estimates and drafts."""
    page.get_by_text("estimates from").wait_for()
    keys = page.evaluate(
        "() => Array.from(document.querySelectorAll('[id^=slider-]'), e => e.id.slice(7))"
    )
    print(
        f"{'move':48s} estimate ms (until it came)  draft s (of it {SETTLE_S:g} s of rest)",
        flush=True,
    )
    found = []
    for number in range(moves):
        key = keys[number % len(keys)]
        way = "ArrowLeft" if (number // len(keys)) % 2 == 0 else "ArrowRight"
        begun = time.perf_counter()
        estimate_ms, mark, came_ms = page.evaluate(MOVE, [key, way])
        page.wait_for_function(DRAFTED, polling=10)
        drafted = time.perf_counter() - begun
        found.append((estimate_ms, drafted))
        print(
            f"{key + ' ' + way:48s} {estimate_ms:8.0f} ({came_ms:4.0f}) {mark:10s} {drafted:6.2f}",
            flush=True,
        )
    late = np.array(found)[len(found) // 2 :]
    print(
        f"median of the later half: estimate {np.median(late[:, 0]):.0f} ms "
        f"({late[:, 0].max():.0f} at most), draft {np.median(late[:, 1]):.2f} s"
    )


@contextmanager
def _served(run: Path) -> Iterator[str]:
    """Serve a run by the command; give the address that it prints."""
    command = [sys.executable, "-m", "bafflelens", "live", str(run), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ) as server:
        assert server.stdout is not None
        try:
            for line in server.stdout:
                if "http://" in line:
                    yield "http://" + line.split("http://")[1].strip()
                    break
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(timeout=60)


if __name__ == "__main__":
    asked = sys.argv[2:]
    main(
        Path(sys.argv[1]),
        *(int(one) for one in asked if one != "all"),
        drawn=ALL_BY_SWIFTSHADER if "all" in asked else DRAWN,
    )
