# SPDX-License-Identifier: GPL-3.0-or-later
"""A first job of one's own: what is asked, and the job file and scripts that follow from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.shipped import shipped
from bafflelens.job.units import other_unit
from bafflelens.shapes.lens import Passage
from bafflelens.shapes.rules import SHORTEST_MM, STRIP_MM
from bafflelens.shapes.walls import Wall

JOB_NAME: Final = "job.toml"
LENS_NAME: Final = "lens.py"
BASELINE_NAME: Final = "plain_front.py"

_SCRIPTS: Final = {LENS_NAME: "arc_lens.py", BASELINE_NAME: "faceplate.py"}
_EDGE_MM: Final = 15.0
_BLEND_MM: Final = 8.0
_SURROUND_MM: Final = 3.0
_CONE_SURROUND_MM: Final = 10.0
_TALLEST_MOUTH_MM: Final = 75.0
_LEAST_RANGE_MM: Final = 8.0
_RISE_MM: Final = 12.0  # mouth over throat
_DEEPEST_MM: Final = 40.0
_USUAL_MOUTH_MM: Final = 60.0


@dataclass(frozen=True, kw_only=True)
class Question:
    """One thing that is asked of a loudspeaker or its room.

    Attributes
    ----------
    name : str
        Name of the option, ``cabinet_width``.
    text : str
        The question, as the trade would put it.
    mark : str
        The letter that stands for it in the picture.
    unit : {"mm", "m", "Hz", ""}
        Of the answer.
    default, low, high : float
        What is proposed, and between what it must lie.
    or_none : bool
        Whether 0 is an answer too, for "none".
    """

    name: str
    text: str
    mark: str
    unit: str
    default: float
    low: float
    high: float
    or_none: bool = False

    @property
    def rule(self) -> str:
        """What the answer must be, to complete "Must be ..."."""
        none = "0 for none, or " if self.or_none else ""
        return f"{none}from {self.low:g} to {self.high:g} {self.unit}".rstrip()


QUESTIONS: Final = (
    Question(
        name="dome", text="Diameter of the tweeter's dome", mark="a", unit="mm",
        default=26, low=19, high=38,
    ),
    Question(
        name="dome_height", text="Height of the dome over its rim", mark="b", unit="mm",
        default=6, low=2, high=12,
    ),
    Question(
        name="cabinet_width", text="Outer width of the cabinet", mark="c", unit="mm",
        default=210, low=120, high=400,
    ),
    Question(
        name="cabinet_height", text="Outer height of the cabinet", mark="d", unit="mm",
        default=400, low=200, high=1200,
    ),
    Question(
        name="cabinet_depth", text="Outer depth of the cabinet", mark="e", unit="mm",
        default=250, low=100, high=500,
    ),
    Question(
        name="tweeter_below_top", text="Tweeter's axis below the cabinet's top", mark="f",
        unit="mm", default=105, low=60, high=500,
    ),
    Question(
        name="midrange", text="Diameter of the midrange's cone (0: there is none)", mark="g",
        unit="mm", default=0, low=50, high=180, or_none=True,
    ),
    Question(
        name="midrange_below", text="Midrange's axis below the tweeter's", mark="h", unit="mm",
        default=130, low=60, high=400,
    ),
    Question(
        name="crossover", text="Frequency at which they hand over", mark="", unit="Hz",
        default=2200, low=800, high=5000,
    ),
    Question(
        name="distance", text="Loudspeaker to listener", mark="i", unit="m",
        default=3, low=1, high=8,
    ),
    Question(
        name="ear_height", text="Listener's ear above the floor", mark="j", unit="m",
        default=1, low=0.5, high=2,
    ),
    Question(
        name="tweeter_height", text="Tweeter above the floor", mark="k", unit="m",
        default=1, low=0.3, high=2,
    ),
    Question(
        name="ceiling_height", text="Ceiling above the floor", mark="l", unit="m",
        default=2.5, low=2, high=6,
    ),
)  # fmt: skip
"""All that is asked, in this order."""

_MIDRANGE_ONLY: Final = ("midrange_below", "crossover")
_IN_M: Final = {"mm": 1e-3, "cm": 1e-2, "m": 1.0}


def is_asked(question: Question, answers: Mapping[str, float]) -> bool:
    """Whether a question makes sense after earlier answers: no midrange has no place."""
    return question.name not in _MIDRANGE_ONLY or answers.get("midrange", 0.0) > 0


def proposed_answer(question: Question, answers: Mapping[str, float]) -> float:
    """Return what is proposed: a midrange as close as a mouth of common height allows."""
    if question.name == "midrange_below":
        cone = answers["midrange"] / 2 + _CONE_SURROUND_MM
        return math.ceil(_USUAL_MOUTH_MM + _BLEND_MM + STRIP_MM + cone)
    return question.default


def read_answer(question: Question, text: str) -> float:
    """Return an answer in the unit of its question; lengths may have a unit of their own.

    Raises
    ------
    InputError
        If it is no number or out of range; where another unit would fit, that is said.

    Examples
    --------
    >>> width = next(one for one in QUESTIONS if one.name == "cabinet_width")
    >>> read_answer(width, "190"), read_answer(width, "19 cm"), read_answer(width, "0.19m")
    (190.0, 190.0, 190.0)
    """
    number, unit = text.strip(), question.unit
    for ending in ("mm", "cm", "m"):
        if unit in _IN_M and number.endswith(ending):
            number, unit = number.removesuffix(ending), ending
            break
    number = number.strip().removesuffix("Hz")
    what = f"answer to '{question.text}'"
    try:
        value = float(number)
    except ValueError as error:
        raise InputError(invalid(what, text, f"a number {question.rule}")) from error
    if unit != question.unit:
        value = round(value * _IN_M[unit] / _IN_M[question.unit], 9)
    if question.or_none and value == 0:
        return 0.0
    if not question.low <= value <= question.high:
        hint = other_unit(value, question.unit, question.low, question.high)
        raise InputError(invalid(what, text, question.rule + hint))
    return value


def job_files(title: str, answers: Mapping[str, float]) -> dict[str, bytes]:
    """Return the files of a new job by name: the job, the lens's script, the baseline's.

    Parameters
    ----------
    title : str
        What it is called.
    answers : mapping of str to float
        An answer to each of `QUESTIONS`, in its unit, by name.

    Raises
    ------
    InputError
        If the cabinet has no room for a lens; the message says how much it lacks.
    """
    text = _job_text(title, answers, _mouth_range(answers))
    scripts = {
        name: (shipped("geometries") / source).read_bytes() for name, source in _SCRIPTS.items()
    }
    return {JOB_NAME: text.encode(), **scripts}


def _mouth_range(answers: Mapping[str, float]) -> tuple[float, float]:
    """Return the heights in mm from axis to mouth for which there is room."""
    throat = answers["dome"] / 2 + _SURROUND_MM + Wall.throat_gap_mm
    low = math.ceil(throat + _RISE_MM)
    bottom = answers["cabinet_height"] - answers["tweeter_below_top"]
    edges = _EDGE_MM + STRIP_MM + _BLEND_MM
    rooms = {
        "tweeter_below_top": answers["tweeter_below_top"] - edges,
        "cabinet_height": bottom - edges,
    }
    if answers["midrange"] > 0:
        cone = answers["midrange"] / 2 + _CONE_SURROUND_MM
        rooms["midrange_below"] = answers["midrange_below"] - cone - STRIP_MM - _BLEND_MM
    tightest = min(rooms, key=rooms.__getitem__)
    high = math.floor(min(rooms[tightest], _TALLEST_MOUTH_MM))
    if high < low + _LEAST_RANGE_MM:
        needed = math.ceil(answers[tightest] + low + _LEAST_RANGE_MM - high)
        question = next(one for one in QUESTIONS if one.name == tightest)
        rule = f"at least {needed} mm, to leave room for a lens"
        raise InputError(invalid(f"answer to '{question.text}'", f"{answers[tightest]:g}", rule))
    return low, high


def _job_text(title: str, answers: Mapping[str, float], mouth: tuple[float, float]) -> str:
    """Return the job file, with a comment on whatever a user will want to change."""
    shallowest = max(_EDGE_MM + SHORTEST_MM, Passage().depth_mm - 4)
    has_midrange = answers["midrange"] > 0
    hands_over = answers["crossover"]
    scored = 2000.0
    if has_midrange:  # the octave around the handover is scored, too
        scored = min(scored, math.floor(hands_over / math.sqrt(2) / 100) * 100)
    quoted = title.replace("\\", " ").replace('"', "'")
    lines = [
        "# Made by `bafflelens new`. Every key: jobs/README.md. Then:",
        "#   bafflelens check job.toml     all faults at once, and what it will cost",
        "#   bafflelens run job.toml",
        "",
        f'title = "{quoted}"',
        "",
        "[geometry]  # the candidates: lenses with walls that are arcs, open to the sides",
        f'script = "{LENS_NAME}"  # yours to change; a script is a program',
        "",
        "[geometry.lens]",
        f"depth_mm = {{ from = {shallowest:g}, to = {_DEEPEST_MM:g} }}  # searched",
        "",
        "[geometry.upper]  # the wall above; the one below mirrors it",
        f"mouth_height_mm = {{ from = {mouth[0]:g}, to = {mouth[1]:g} }}  # searched",
        "opening_angle_deg = { from = 15, to = 60 }  # searched: the wall at the dome",
        f"blend_mm = {_BLEND_MM:g}  # fixed: from the mouth into the front",
        "",
        "[geometry.dome]",
        f"diameter_mm = {answers['dome']:g}",
        f"height_mm = {answers['dome_height']:g}",
        f"surround_mm = {_SURROUND_MM:g}",
        "",
        "[geometry.cabinet]",
        f"width_mm = {answers['cabinet_width']:g}",
        f"height_mm = {answers['cabinet_height']:g}",
        f"depth_mm = {answers['cabinet_depth']:g}",
        f"tweeter_below_top_mm = {answers['tweeter_below_top']:g}",
        "",
        "[geometry.edges]  # all front edges rounded",
        *(f"{side}_radius_mm = {_EDGE_MM:g}" for side in ("top", "bottom", "side")),
    ]
    if has_midrange:
        lines += [
            "",
            "[geometry.midrange]",
            f"diameter_mm = {answers['midrange']:g}",
            f"below_mm = {answers['midrange_below']:g}  # its axis, from the tweeter's",
            f"surround_mm = {_CONE_SURROUND_MM:g}",
        ]
    lines += [
        "",
        "[baseline]  # the same cabinet and drivers without a lens: dome and front are one plane",
        f'script = "{BASELINE_NAME}"',
        "",
        "[baseline.plate]",
        "diameter_mm = 0",
        "",
        "[search]",
        'plan = "low-discrepancy"  # spread evenly over what has room',
        "candidates = 12",
        "seed = 1",
        "",
        "[room]  # where floor and ceiling throw the sound back to the listener",
        *(
            f"{name}_m = {answers[name]:g}"
            for name in ("distance", "ear_height", "tweeter_height", "ceiling_height")
        ),
        "",
        "[frequencies]",
        f"from_hz = {min(1000.0, math.floor(0.85 * scored)):g}",
        "to_hz = 12600",
        "per_octave = 6",
        "",
        "[solve]",
        'quality = "draft"  # quick, to look around; then "standard"',
        "",
        "[score]",
        f"from_hz = {scored:g}",
        "to_hz = 12000",
    ]
    if has_midrange:
        lines += [
            "",
            "[crossover]  # both ways follow these slopes, whatever network that takes",
            'mode = "acoustic-target"',
        ]
        for way, kind in (("tweeter", "high_pass"), ("midrange", "low_pass")):
            slope = f'family = "linkwitz-riley", order = 4, frequency_hz = {hands_over:g}'
            lines += ["", f"[crossover.{way}]", f"{kind} = {{ {slope} }}"]
    return "\n".join(lines) + "\n"


__all__ = [
    "JOB_NAME",
    "QUESTIONS",
    "Question",
    "is_asked",
    "job_files",
    "proposed_answer",
    "read_answer",
]
