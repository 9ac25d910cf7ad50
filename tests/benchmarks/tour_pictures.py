# SPDX-License-Identifier: GPL-3.0-or-later
"""The pictures of the README's tour and of the live page, made from a solved run.

    python tests/benchmarks/tour_pictures.py RUN CANDIDATE COMPARED FOLDER

RUN is that of ``jobs/first_lens.toml``, with its report; COMPARED the folder that ``compare`` has
written (of a mock-up that nobody made: ``dome_compare.py``). The verbs of the tour are called one
after the other into FOLDER; what is there already is taken. The pictures are made small and go to
``jobs/tour_*.png``; the live page, of a copy of the run, goes to ``jobs/live_page.png``. Needs
Chromium and pypdfium2, as the tests of pages do.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image

JOBS = Path(__file__).parents[2] / "jobs"
WIDTH, COLOURS, LARGEST = 900, 256, 150_000


def called(verb, run, candidate, out):
    """Call a verb on a candidate, unless it was."""
    if not out.exists():
        where = ["--candidate", candidate] if verb == "draw" else [candidate]
        command = [sys.executable, "-m", "bafflelens", verb, str(run), *where, "--out", str(out)]
        subprocess.run(command, check=True)
    return out


@contextmanager
def opened(address, *arguments, size=(1400, 900)) -> Iterator:
    """Open a page in Debian's chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", *arguments]
        )
        page = browser.new_page(viewport={"width": size[0], "height": size[1]})
        page.goto(address)
        yield page
        browser.close()


def screenshot(page, path):
    """Save the first screen of a page."""
    with opened(page.resolve().as_uri(), "--disable-gpu") as shown:
        shown.screenshot(path=path)
    return path


def live_page(run, folder):
    """Save the live page just after a move: an estimate, held against the plain baffle."""
    copy = folder / run.name
    if not copy.exists():
        shutil.copytree(run, copy)
    command = [sys.executable, "-m", "bafflelens", "live", str(copy), "--no-browser"]
    served = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        address = served.stdout.readline().split()[-1]
        with opened(address, "--enable-unsafe-swiftshader", size=(1400, 960)) as page:
            page.set_default_timeout(120_000)
            page.wait_for_function("() => performance.getEntriesByName('in space').length")
            page.get_by_text("estimates from").wait_for()
            begins = "starting|getting ready|learning|preparing"
            page.wait_for_function(f"() => !/{begins}/.test(sheet.state.doing)")
            page.locator("input[type=range]").nth(1).focus()
            page.keyboard.press("ArrowRight")
            page.wait_for_function("() => sheet.frame.mark === 'estimated' && sheet.frame.score")
            page.screenshot(path=folder / "live_page.png", full_page=True)
    finally:
        served.terminate()
        served.wait(timeout=30)
    return folder / "live_page.png"


def first_page(pdf, path):
    """Save the first page of a PDF."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    document[0].render(scale=1.5).to_pil().save(path)
    document.close()
    return path


def small(path, name, width=WIDTH):
    """Make a picture small and save it beside the jobs."""
    image = Image.open(path).convert("RGB")
    height = round(image.height * width / image.width)
    image = image.resize((width, height), Image.Resampling.LANCZOS)
    target = JOBS / f"{name}.png"
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(target, optimize=True)
    print(f"{target.name}: {image.width} x {image.height}, {target.stat().st_size / 1e3:.0f} kB")
    if target.stat().st_size > LARGEST:
        msg = f"{target.name} is larger than {LARGEST / 1e3:.0f} kB"
        raise SystemExit(msg)


def main(run, candidate, compared, folder):
    """Make all pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    small(screenshot(run / "report.html", folder / "report.png"), "tour_read")
    seen = called("draw", run, candidate, folder / "seen")
    small(next(seen.glob("*_space.png")), "tour_shape")
    clay = called("clay-map", run, candidate, folder / "map")
    small(clay / "clay_map.png", "tour_clay")
    small(compared / "maps.png", "tour_compare")
    handed = called("handoff", run, candidate, folder / "handed")
    with zipfile.ZipFile(next(handed.glob("*.zip"))) as packed:
        name = next(name for name in packed.namelist() if name.endswith("_drawing.pdf"))
        sheet = Path(packed.extract(name, folder))
    small(first_page(sheet, folder / "drawing.png"), "tour_handoff")
    small(live_page(run, folder), "live_page", width=1400)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3]), Path(sys.argv[4]))
