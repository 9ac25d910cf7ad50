# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes a small change away from a candidate: which they are, and how they are solved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from bafflelens.job.fidelity import judged_frequencies
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shape_sections import Fixed
from bafflelens.shapes.meshing.loading import check_parameters
from bafflelens.shapes.meshing.parameters import Parameter

QUALITY: Final = "draft"
PER_OCTAVE: Final = 6
_SHARE_OF_RANGE: Final = 0.01
"""Tolerance of a parameter that is neither a length nor an angle, as a share of its range."""


@dataclass(frozen=True, kw_only=True)
class NearbyShape:
    """A candidate with one parameter changed.

    Attributes
    ----------
    name : str
        Under which it is kept.
    key : str
        The parameter; empty for the candidate itself.
    values : mapping of str to float
        All its parameters.
    faults : tuple of str
        Why there is no such shape.
    """

    name: str
    key: str
    values: Mapping[str, float]
    faults: tuple[str, ...] = ()


def nearby_job(loaded: LoadedJob) -> LoadedJob:
    """Return the job that nearby shapes are solved by: a draft of the score's band.

    Six frequencies an octave, or as many as the job has if these are fewer.
    """
    job = loaded.job
    per_octave = job.frequencies.per_octave
    if per_octave == "as needed" or per_octave > PER_OCTAVE:
        per_octave = PER_OCTAVE
    frequencies = judged_frequencies(loaded, per_octave)
    solve = job.solve.model_copy(update={"quality": QUALITY})
    return replace(loaded, job=job.model_copy(update={"frequencies": frequencies, "solve": solve}))


def changed_keys(loaded: LoadedJob) -> tuple[str, ...]:
    """Return the parameters that are changed: those searched, and those given a tolerance."""
    searched = {
        key
        for key, setting in loaded.job.geometry.parameters.items()
        if not isinstance(setting, Fixed)
    }
    wanted = searched | set(loaded.job.robustness.parameters)
    return tuple(p.key for p in loaded.shape.parameters if p.key in wanted)


def tolerance_of(loaded: LoadedJob, parameter: Parameter) -> float:
    """Return the tolerance of a parameter, in its unit."""
    robustness = loaded.job.robustness
    if parameter.key in robustness.parameters:
        return float(robustness.parameters[parameter.key])
    by_unit = {"mm": robustness.tolerance_mm, "deg": robustness.tolerance_deg}
    share = _SHARE_OF_RANGE * (parameter.high - parameter.low)
    return by_unit.get(parameter.unit, share)


def nearby_shapes(
    loaded: LoadedJob, name: str, values: Mapping[str, float], keys: Sequence[str]
) -> tuple[NearbyShape, ...]:
    """Return a candidate itself and, for each parameter, the one with less and with more of it.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    name : str
        The candidate's id.
    values : mapping of str to float
        Its parameters; those left out have their defaults.
    keys : sequence of str
        The parameters to change.
    """
    complete = {**loaded.shape.defaults, **values}
    parameters = {parameter.key: parameter for parameter in loaded.shape.parameters}
    found = [NearbyShape(name=f"{name}.draft", key="", values=complete)]
    for key in keys:
        tolerance = tolerance_of(loaded, parameters[key])
        for side, change in (("less", -tolerance), ("more", tolerance)):
            changed = {**complete, key: complete[key] + change}
            found.append(
                NearbyShape(
                    name=f"{name}.{key}.{side}",
                    key=key,
                    values=changed,
                    faults=tuple(check_parameters(loaded.shape, changed)),
                )
            )
    return tuple(found)
