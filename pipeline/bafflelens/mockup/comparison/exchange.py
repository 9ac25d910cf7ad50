# SPDX-License-Identifier: GPL-3.0-or-later
"""Orbits that carry each other's name: tried as the sign of the angles is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bafflelens.mockup.comparison.fitting import Fit, misfit_db
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.radiator import Radiator
from bafflelens.mockup.measurement.measured import OrbitName

_TRIED_FROM_DB: Final = 0.5  # what is left below this needs no other explanation
_IS_BETTER: Final = 0.7  # ratio of what is left over; a sign needs less of a difference
_OTHER: Final[dict[OrbitName, OrbitName]] = {"horizontal": "vertical", "vertical": "horizontal"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Exchange:
    """What speaks for orbits under each other's name.

    Attributes
    ----------
    orbits : tuple of Observed
        The orbits, each under the other name, horizontal first.
    set_ups : tuple of (Fit, reflection)
        What was found of the set-up of each so, and of a reflection in it.
    noted_db, exchanged_db : float
        What the fit leaves with the names as noted, and exchanged, r.m.s. with weights in dB.
    """

    orbits: tuple[Observed, ...]
    set_ups: tuple[tuple[Fit, tuple[float, float] | None], ...]
    noted_db: float
    exchanged_db: float

    @property
    def text(self) -> str:
        """What was found, in words."""
        if len(self.orbits) == 1:
            (one,) = self.orbits
            what = f"What is noted as the {_OTHER[one.plane]} orbit is the {one.plane} one"
        else:
            what = "The orbits are exchanged, what is noted as horizontal is the vertical one"
        return (
            f"{what}: as noted {self.noted_db:.1f} dB is left, the other way round "
            f"{self.exchanged_db:.1f} dB. The better one is used; correct the description."
        )


def find_exchange(
    measured: Sequence[Observed],
    fits: Sequence[Fit],
    radiator: Radiator,
    find_set_up: Callable[[Observed, Radiator], tuple[Fit, tuple[float, float] | None]],
) -> Exchange | None:
    """Return the orbits under each other's name if that explains clearly more, None if not.

    A coarse fit tells whether it may, and only then the set-up is looked for.

    Parameters
    ----------
    measured : sequence of Observed
        One or two orbits.
    fits : sequence of Fit
        What was found of their set-up as noted; where that leaves little nothing else is tried.
    radiator : Radiator
        The simulation.
    find_set_up : callable
        Finds the set-up of an orbit.
    """
    if max(fit.left_db for fit in fits) < _TRIED_FROM_DB:
        return None
    setups = {one.plane: one.setup for one in measured}
    others = [
        replace(one, plane=_OTHER[one.plane], setup=setups.get(_OTHER[one.plane], one.setup))
        for one in measured
    ]
    noted, exchanged = (
        [misfit_db(one, radiator) for one in orbits] for orbits in (measured, others)
    )
    if None in noted or None in exchanged:
        return None
    if _rms(exchanged) > _IS_BETTER * _rms(noted):
        return None
    orbits = tuple(sorted(others, key=lambda one: one.plane))
    set_ups = tuple(find_set_up(one, radiator) for one in orbits)
    noted_db = _rms([fit.left_db for fit in fits])
    exchanged_db = _rms([fit.left_db for fit, _ in set_ups])
    if exchanged_db > _IS_BETTER * noted_db:
        return None
    return Exchange(orbits=orbits, set_ups=set_ups, noted_db=noted_db, exchanged_db=exchanged_db)


def _rms(values: Sequence[float | None]) -> float:
    return float(np.sqrt(np.mean(np.square(np.array(values, dtype=float)))))
