# SPDX-License-Identifier: GPL-3.0-or-later
"""Which shape to try next, from what was tried before: read `propose`.

The sampler is optuna's tree-structured Parzen estimator (J. Bergstra et al., "Algorithms for
hyper-parameter optimization", NIPS 2011; several objectives: Y. Ozaki et al., GECCO 2020): it
models where the good ones lie and where the others, and asks where the ratio is largest.

A proposal is a function of what it is given: the study is built anew each time, from what the
run's catalogue holds. So nothing else needs to be kept, and a run that was killed proposes what it
would have proposed.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from bafflelens.job.sampling import value_at
from bafflelens.job.shape_sections import Choices, Fixed, Setting, Span

if TYPE_CHECKING:
    import optuna

_TRIES: Final = 100
_FIRST_SEED_STEP: Final = 100_003  # a prime, so that neighbouring seeds share no proposal
_LARGEST_SEED: Final = 2**32

IsPossible = Callable[[Mapping[str, float]], bool]


@dataclass(frozen=True, kw_only=True)
class Tried:
    """A candidate that was tried, or is being tried.

    Attributes
    ----------
    values : mapping of str to float
        Its parameters.
    objectives_db : tuple of float or None
        What is to be made small; None if nothing came of it.
    is_open : bool
        Whether it is still being worked on.
    """

    values: Mapping[str, float]
    objectives_db: tuple[float, ...] | None = None
    is_open: bool = False


def propose(
    settings: Mapping[str, Setting],
    tried: Sequence[Tried],
    *,
    objectives: int,
    seed: int,
    is_possible: IsPossible,
) -> dict[str, float] | None:
    """Return the parameters of the candidate to try next; None if no new one was found.

    Parameters
    ----------
    settings : mapping of str to Setting
        Every parameter of the shape, those that are fixed, too.
    tried : sequence of Tried
        What was tried before, in order.
    objectives : int
        How many objectives each has; with several, their trade-off is explored.
    seed : int
        The same seed, after the same trials, gives the same proposal.
    is_possible : callable
        Tells whether parameters break no rule.
    """
    study = _study_of(settings, tried, objectives, seed)
    axes = _axes_of(settings)
    known = [dict(item.values) for item in tried]
    for _ in range(_TRIES):
        trial = study.ask(axes)
        values = _values_at(settings, trial.params)
        if values not in known and is_possible(values):
            return values
        study.tell(trial, state=_states().PRUNED)  # it keeps away from there
    return None


def seed_of_proposal(seed: int, number: int) -> int:
    """Return the seed of the proposal of a number, for the seed of a job."""
    return (seed * _FIRST_SEED_STEP + number) % _LARGEST_SEED


def _study_of(
    settings: Mapping[str, Setting], tried: Sequence[Tried], objectives: int, seed: int
) -> optuna.Study:
    """Return a study that knows what was tried."""
    import optuna

    optuna.logging.set_verbosity(optuna.logging.ERROR)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
        sampler = optuna.samplers.TPESampler(
            seed=seed, multivariate=True, constant_liar=True, n_startup_trials=1
        )
    study = optuna.create_study(sampler=sampler, directions=["minimize"] * objectives)
    axes = _axes_of(settings)
    study.add_trials(
        [
            optuna.trial.create_trial(
                state=_state_of(item),
                values=item.objectives_db,
                params=_params_of(settings, item.values),
                distributions=axes,
            )
            for item in tried
        ]
    )
    return study


def _states() -> Any:
    from optuna.trial import TrialState

    return TrialState


def _state_of(item: Tried) -> Any:
    if item.is_open:
        return _states().RUNNING
    return _states().PRUNED if item.objectives_db is None else _states().COMPLETE


def _axes_of(settings: Mapping[str, Setting]) -> dict[str, Any]:
    """Return what is searched, each range from 0 to 1 and each list by the order of its values."""
    from optuna.distributions import FloatDistribution, IntDistribution

    axes: dict[str, Any] = {}
    for key, setting in settings.items():
        match setting:
            case Span():
                axes[key] = FloatDistribution(0.0, 1.0)
            case Choices(values) if len(set(values)) > 1:
                axes[key] = IntDistribution(0, len(set(values)) - 1)
    return axes


def _params_of(settings: Mapping[str, Setting], values: Mapping[str, float]) -> dict[str, Any]:
    params: dict[str, Any] = {}
    for key, setting in settings.items():
        match setting:
            case Span(low, high):
                params[key] = min(max((values[key] - low) / (high - low), 0.0), 1.0)
            case Choices(choices) if len(set(choices)) > 1:
                distances = [abs(choice - values[key]) for choice in sorted(set(choices))]
                params[key] = distances.index(min(distances))
    return params


def _values_at(settings: Mapping[str, Setting], params: Mapping[str, Any]) -> dict[str, float]:
    values: dict[str, float] = {}
    for key, setting in settings.items():
        match setting:
            case Fixed(fixed):
                values[key] = fixed
            case Span():
                values[key] = value_at(setting, params[key])
            case Choices(choices):
                values[key] = sorted(set(choices))[params.get(key, 0)]
    return values
