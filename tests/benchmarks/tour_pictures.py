# SPDX-License-Identifier: GPL-3.0-or-later
"""The pictures of the README's tour, made from a solved run.

    python tests/benchmarks/tour_pictures.py RUN CANDIDATE COMPARED FOLDER

RUN is that of ``jobs/first_lens.toml``, with its report; COMPARED the folder that ``compare`` has
written (of a mock-up that nobody made: ``dome_compare.py``). The verbs of the tour are called one
after the other into FOLDER; what is there already is taken. The pictures are made small and go to
``jobs/tour_*.png``. Needs Chromium and pypdfium2, as the tests of pages do.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
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


def screenshot(page, path, size=(1400, 900)):
    """Save the first screen of a page."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        opened = browser.new_page(viewport={"width": size[0], "height": size[1]})
        opened.goto(page.resolve().as_uri())
        opened.screenshot(path=path)
        browser.close()
    return path


def first_page(pdf, path):
    """Save the first page of a PDF."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    document[0].render(scale=1.5).to_pil().save(path)
    document.close()
    return path


def small(path, name):
    """Make a picture small and save it beside the jobs."""
    image = Image.open(path).convert("RGB")
    height = round(image.height * WIDTH / image.width)
    image = image.resize((WIDTH, height), Image.Resampling.LANCZOS)
    target = JOBS / f"tour_{name}.png"
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(target, optimize=True)
    print(f"{target.name}: {image.width} x {image.height}, {target.stat().st_size / 1e3:.0f} kB")
    if target.stat().st_size > LARGEST:
        msg = f"{target.name} is larger than {LARGEST / 1e3:.0f} kB"
        raise SystemExit(msg)


def main(run, candidate, compared, folder):
    """Make all pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    small(screenshot(run / "report.html", folder / "report.png"), "read")
    seen = called("draw", run, candidate, folder / "seen")
    small(next(seen.glob("*_space.png")), "shape")
    clay = called("clay-map", run, candidate, folder / "map")
    small(clay / "clay_map.png", "clay")
    small(compared / "maps.png", "compare")
    handed = called("handoff", run, candidate, folder / "handed")
    with zipfile.ZipFile(next(handed.glob("*.zip"))) as packed:
        name = next(name for name in packed.namelist() if name.endswith("_drawing.pdf"))
        sheet = Path(packed.extract(name, folder))
    small(first_page(sheet, folder / "drawing.png"), "handoff")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3]), Path(sys.argv[4]))
