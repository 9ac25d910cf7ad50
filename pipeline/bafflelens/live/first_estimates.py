# SPDX-License-Identifier: GPL-3.0-or-later
"""Estimates before a run has been read: by numpy, the shape's own script, and what was learned.

What a run that is over teaches is kept with its first view. So a slider that is moved as soon as
the page is there is followed at once, while all that scores and solves is still being loaded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.live.array_frames import arrays_in, frame
from bafflelens.live.drawn_levels import DrawnLevels, drawn_levels_from
from bafflelens.live.estimate import Estimator, estimated
from bafflelens.live.shape_kernel import Kernel, group_of
from bafflelens.shapes.meshing.constraints import Constraint, read_constraint
from bafflelens.shapes.meshing.parameters import broken_rules, shape_of, value_faults
from bafflelens.shapes.meshing.shape_script import execute_script

_FIELDS = ("frequency_hz", "log_power", "spread", "factor")


@dataclass(frozen=True, kw_only=True, eq=False)
class FirstEstimates:
    """What answers a move by an estimate before there is a desk.

    Attributes
    ----------
    estimator : Estimator
        What a run taught.
    drawing : DrawnLevels
        What is drawn of its estimates.
    searched : mapping of str to (low, high)
        The ranges of the dimensions, by key, in the estimator's order.
    start : mapping of str to float
        All parameters; what is not searched stays so.
    score_off_db : float or None
        Goes with estimates.
    script : Path
        Of the searched shape: it knows its rules.
    constraints : sequence of str
        Those of the job.
    """

    estimator: Estimator
    drawing: DrawnLevels
    searched: Mapping[str, Sequence[float]]
    start: Mapping[str, float]
    score_off_db: float | None
    script: Path
    constraints: Sequence[str] = field(default_factory=tuple)

    def state(self) -> dict[str, Any]:
        """Return what a page is told of it."""
        return {"known": self.estimator.n_shapes, "score_off_db": self.score_off_db}

    def answer(self, wish_number: int, given: Mapping[str, Any]) -> bytes | None:
        """Return the answer to a move; None where that is for the desk to say."""
        if set(given) != set(self.searched) or not all(
            type(given[key]) in (int, float) and low <= given[key] <= high
            for key, (low, high) in self.searched.items()
        ):
            return None
        values = {**self.start, **{key: float(value) for key, value in given.items()}}
        faults = self.faults(values)
        header = {"kind": "answer", "move": wish_number, "faults": faults, "id": ""}
        if faults:
            return frame({**header, "mark": ""}, {})
        estimate = estimated(self.estimator, tuple(values[key] for key in self.searched))
        more = {"mark": "estimated", "score_off_db": self.score_off_db}
        return frame({**header, **more}, self.drawing.levels(estimate))

    def faults(self, values: Mapping[str, float]) -> list[str]:
        """Return the rules of the shape and the constraints of the job that values break."""
        module = execute_script(self.script)
        shape = shape_of(module, self.script)
        faults = value_faults(shape, values) or broken_rules(module, shape, values)
        return faults or [fault for rule in self._rules if (fault := rule.fault(values))]

    @cached_property
    def _rules(self) -> tuple[Constraint, ...]:
        return tuple(read_constraint(text, self.start) for text in self.constraints)

    def content(self, run: Path) -> bytes:
        """Return it as a frame; scripts are named as they lie in a run.

        Raises
        ------
        ValueError
            If the script lies elsewhere.
        """
        one = self.estimator
        header = {
            "points": one.points.tolist(),
            "window": one.window.tolist(),
            "groups": [[each.numbers.tolist(), asdict(each.kernel)] for each in one.groups],
            "drawing": self.drawing.content(),
            "searched": {key: list(limits) for key, limits in self.searched.items()},
            "start": dict(self.start),
            "score_off_db": self.score_off_db,
            "script": self.script.resolve().relative_to(run.resolve()).as_posix(),
            "constraints": list(self.constraints),
        }
        arrays = {name: getattr(one, name) for name in _FIELDS}
        parts = {"real": one.fields.real, "imag": one.fields.imag}
        return frame(header, {**arrays, **parts})


def first_estimates_from(content: bytes, run: Path) -> FirstEstimates:
    """Return what was kept of a run.

    Raises
    ------
    ValueError, LookupError, TypeError
        If it is something else.
    """
    header, arrays = arrays_in(content)
    points = np.array(header["points"], dtype=float)
    limits = np.array(list(header["searched"].values()), dtype=float)
    known: dict[str, FloatArray] = {name: arrays[name].astype(float) for name in _FIELDS}
    estimator = Estimator(
        **known,
        low=limits[:, 0],
        high=limits[:, 1],
        points=points,
        fields=arrays["real"] + 1j * arrays["imag"],
        window=np.array(header["window"]),
        groups=tuple(
            group_of(points, _kernel(kernel), np.array(numbers))
            for numbers, kernel in header["groups"]
        ),
    )
    return FirstEstimates(
        estimator=estimator,
        drawing=drawn_levels_from(header["drawing"], estimator.frequency_hz, estimator.window),
        searched=header["searched"],
        start=header["start"],
        score_off_db=header["score_off_db"],
        script=run / header["script"],
        constraints=header["constraints"],
    )


def _kernel(content: Mapping[str, Any]) -> Kernel:
    return Kernel(**{**content, "lengths": tuple(content["lengths"])})
