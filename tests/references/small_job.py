# SPDX-License-Identifier: GPL-3.0-or-later
"""A small job with its geometry scripts, which no mesher ever sees."""

from pathlib import Path

LENS_SCRIPT = '''"""Box with a funnel: a stand-in that only the tests know."""

from dataclasses import dataclass, field

SYMMETRY = ("y",)


def _mm(default, low, high):
    return field(default=default, metadata={"unit": "mm", "range": (low, high), "help": "."})


@dataclass(frozen=True)
class Lens:
    opening_height_mm: float = _mm(120.0, 60.0, 200.0)
    depth_mm: float = _mm(20.0, 10.0, 50.0)


@dataclass(frozen=True)
class Cabinet:
    width_mm: float = _mm(210.0, 100.0, 400.0)


@dataclass(frozen=True)
class Parameters:
    lens: Lens = field(default_factory=Lens)
    cabinet: Cabinet = field(default_factory=Cabinet)


def check(parameters):
    height, depth = parameters.lens.opening_height_mm, parameters.lens.depth_mm
    if depth > height / 4:
        return [f"Invalid depth '{depth:g} mm'. Must be at most a quarter of {height:g} mm."]
    return []


def build(model, parameters):
    raise RuntimeError("the tests mesh without gmsh")


def sources(parameters):
    return [
        {
            "name": "tweeter",
            "axis": (1.0, 0.0, 0.0),
            "centre": (0.0, 0.0, 0.0),
            "piston_surfaces": ["dome"],
            "taper_surfaces": ["surround"],
            "inner_radius_m": 0.013,
            "outer_radius_m": 0.016,
        }
    ]
'''
BASELINE_SCRIPT = (
    LENS_SCRIPT.replace("Box with a funnel", "Box")
    .replace("    lens: Lens = field(default_factory=Lens)\n", "")
    .replace("    if depth > height / 4:", "    if False:")
    .replace(
        "    height, depth = parameters.lens.opening_height_mm, parameters.lens.depth_mm\n", ""
    )
)
JOB = """
title = "A small job"
[geometry]
script = "lens.py"
[geometry.lens]
opening_height_mm = { from = 90, to = 160 }
depth_mm = { from = 10, to = 40 }
[baseline]
script = "plain.py"
[search]
candidates = 3
[frequencies]
from_hz = 2000
to_hz = 4000
per_octave = 3
[score]
from_hz = 2000
to_hz = 4000
[solve]
second_opinion = false
remeshes = 0
quality = "draft"
[robustness]
leaders = 0
"""


def write(folder: Path, *replacements: tuple[str, str]) -> Path:
    """Write the job beside its scripts, with pieces of it replaced, and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "lens.py").write_text(LENS_SCRIPT)
    (folder / "plain.py").write_text(BASELINE_SCRIPT)
    text = JOB
    for old, new in replacements:
        assert old in text, f"the job has no {old!r}"
        text = text.replace(old, new)
    path = folder / "small.toml"
    path.write_text(text)
    return path
