# SPDX-License-Identifier: GPL-3.0-or-later
"""Why a made part is off its nominal surface: the fewest causes that explain what was scanned.

The height h of the part over each triangle of the nominal surface is taken apart as

    h = n . (t + w x c)  +  sum over dimensions d_k m_k  +  sum over regions b_r  +  rest

with the small shift t and turn w that registration left, dimensions off by d_k (m_k is how a unit
of it moves the surface) and whole regions proud by b_r. Dimensions and regions can stand for each
other, so the fewest are sought: of all subsets of one, two, ... causes the one that explains most,
as long as each of its causes is larger than its uncertainty and without it a tenth more would be
left. Pose and causes are fitted together: a wall that is proud does not tilt the rest.

Uncertainty is that of leaving blocks of the surface out, one after the other (jackknife; Efron
1982, from memory), so that it holds what the model does not explain, too.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.datum import Datum

_BLOCK_M: Final = 0.06
_PATCH_M: Final = 0.01  # deviations closer than this are not independent
_LEAST_SHARE: Final = 0.1  # of what is left, for one more cause
_LEAST_M: Final = 5e-5  # a cause that moves its region by less is none
_MOST_CAUSES: Final = 4
_LEAST_SEEN: Final = 0.2  # of what a dimension moves, to speak of it
_FREE_M: Final = 3e-3  # how far a dimension may move the surface before the scan has spoken
_NOISE_M: Final = 2e-5
_ROUNDS: Final = 4
_LEAST_AREA_M2: Final = 5e-5  # smaller regions are parts of others' edges
_DIMENSIONS_FIRST: Final = 0.9  # a dimension that explains this much of what a region would


@dataclass(frozen=True)
class DimensionEstimate:
    """How far a dimension is off.

    Attributes
    ----------
    off : float
        In its unit; positive if the part has more of it.
    deviation : float
        Standard deviation of that.
    free : float
        Standard deviation if the scan said nothing.
    seen : float
        Share that was seen of what the dimension moves, by the square of the movement.
    """

    off: float
    deviation: float
    free: float
    seen: float

    @property
    def is_told(self) -> bool:
        """Whether the scan tells this dimension."""
        return self.seen >= _LEAST_SEEN and self.deviation < 0.3 * self.free


@dataclass(frozen=True)
class Explanation:
    """What a scan was taken apart into.

    Attributes
    ----------
    causes : tuple of str
        Dimensions and regions that are off, the most important first.
    dimensions : dict of str to Estimate
        All dimensions, causes or not.
    height : (n_triangles,) array
        How far the part stands proud of the nominal surface, without the rest of the pose, in m.
    shift : (3,) array
        What registration had left, in m.
    turn : (3,) array
        Likewise, in radians.
    spread : dict of str to float
        Standard deviation of each region's mean height from the uncertain pose and noise, in m.
    rest_m : float
        Root mean square of what nothing explains, in m.
    """

    causes: tuple[str, ...]
    dimensions: dict[str, DimensionEstimate]
    height: FloatArray
    shift: FloatArray
    turn: FloatArray
    spread: dict[str, float]
    rest_m: float


@dataclass(frozen=True)
class _Fit:
    """Least squares over the seen triangles, and without each block."""

    solution: FloatArray  # (n_columns,)
    without: FloatArray  # (n_blocks, n_columns)
    deviation: FloatArray  # (n_columns,)
    weight: FloatArray
    rest: FloatArray


def explain(datum: Datum, height: FloatArray, seen: NDArray[np.bool_]) -> Explanation:
    """Take the deviation of a part from its nominal surface apart.

    Parameters
    ----------
    datum : Datum
        The nominal surface.
    height : (n_triangles,) array
        How far the part stands proud of each triangle, as registered, in m.
    seen : (n_triangles,) array of bool
        Where the scanner saw it.
    """
    mesh = datum.nominal
    height = height - datum.chord
    used = np.flatnonzero(seen & ~datum.is_driver)
    centre = np.average(mesh.centroids[used], axis=0, weights=mesh.areas[used])
    pose = np.hstack((np.cross(mesh.centroids - centre, mesh.normals), mesh.normals))
    shown = {key: _seen_share(datum, key, used) for key in datum.keys}
    hidden = [key for key in datum.keys if shown[key] < _LEAST_SEEN]
    columns = _candidates(datum, used)
    names = [name for name in columns if name not in hidden]
    blocks = _blocks(datum, used)
    area, target = mesh.areas[used], height[used]

    def fitted(chosen: list[str]) -> _Fit:
        matrix = np.column_stack([pose[used], *(columns[name] for name in chosen)])
        free = np.array([_free(datum, name, columns[name], used) for name in chosen])
        return _least_squares(matrix, target, area, blocks, free)

    def helps(fit: _Fit, without: _Fit, chosen: list[str], name: str) -> bool:
        """Whether one of the chosen causes is certain, not tiny, and explains enough."""
        place = 6 + chosen.index(name)
        cap = _cap(without)
        left, before = (float(area @ np.minimum(f.rest**2, cap)) for f in (fit, without))
        size = abs(fit.solution[place]) * _largest(datum, columns[name], used)
        is_certain = abs(fit.solution[place]) > 2 * fit.deviation[place]
        return left < (1 - _LEAST_SHARE) * before and size > _LEAST_M and bool(is_certain)

    causes: list[str] = []
    fit = fitted(causes)
    sums = _Sums.of(pose[used], [columns[name] for name in names], area, target)
    for count in range(1, _MOST_CAUSES + 1):
        chosen = [names[number] for number in _best_subset(sums, count, datum.keys, names)]
        more = fitted(chosen)
        fewer = (fitted([other for other in chosen if other != name]) for name in chosen)
        if not all(helps(more, f, chosen, n) for f, n in zip(fewer, chosen, strict=True)):
            break
        causes, fit = chosen, more
    known = {}
    for key in datum.keys:
        place = causes.index(key) if key in causes else len(causes)
        one = fit if key in causes else fitted([*causes, key])
        free = _free(datum, key, columns[key], used)
        off, deviation = one.solution[6 + place], min(one.deviation[6 + place], free)
        known[key] = DimensionEstimate(float(off), float(deviation), float(free), shown[key])
    left_pose = fit.solution[:6]
    turn, shift = left_pose[:3], left_pose[3:] - np.cross(left_pose[:3], centre)
    return Explanation(
        causes=tuple(causes),
        dimensions=known,
        height=height - pose @ left_pose,
        shift=shift,
        turn=turn,
        spread=_spreads(datum, used, pose, fit),
        rest_m=float(np.sqrt(np.average(fit.rest**2, weights=area))),
    )


def region_rms(datum: Datum, values: FloatArray, seen: NDArray[np.bool_]) -> dict[str, float]:
    """Return the root mean square of a quantity over the seen part of each region, by area."""
    found = {}
    for name in np.unique(datum.region).tolist():
        where = seen & (datum.region == name)
        area = datum.nominal.areas[where]
        if area.sum() > _LEAST_AREA_M2:
            found[name] = float(np.sqrt(np.average(values[where] ** 2, weights=area)))
    return found


def _candidates(datum: Datum, used: NDArray[np.int64]) -> dict[str, FloatArray]:
    """Return how a unit of each dimension, then of each region, moves the seen triangles."""
    found = {key: movement[used] for key, movement in zip(datum.keys, datum.movement, strict=True)}
    regions = datum.region[used]
    for name in np.unique(regions).tolist():
        where = regions == name
        if datum.nominal.areas[used][where].sum() > 20 * _LEAST_AREA_M2:
            found[name] = where * 1e-3  # its unit is a millimetre, too
    return found


def _seen_share(datum: Datum, key: str, used: NDArray[np.int64]) -> float:
    """Return how much was seen of what a dimension moves, by the square of the movement."""
    square = datum.nominal.areas * datum.movement[datum.keys.index(key)] ** 2
    square = np.where(datum.is_driver, 0.0, square)
    return float(square[used].sum() / max(square.sum(), 1e-300))


def _largest(datum: Datum, column: FloatArray, used: NDArray[np.int64]) -> float:
    """Return the movement of the region that a cause moves most, rms, in m a unit."""
    values = np.zeros(datum.nominal.n_triangles)
    values[used] = column
    seen = np.zeros(len(values), dtype=bool)
    seen[used] = True
    return max(region_rms(datum, values, seen).values(), default=0.0)


def _free(datum: Datum, name: str, column: FloatArray, used: NDArray[np.int64]) -> float:
    size = _largest(datum, column, used)
    if name in datum.keys:
        # What the scan did not see of a dimension counts as well.
        whole = datum.movement[datum.keys.index(name)]
        everything = region_rms(datum, whole, ~datum.is_driver)
        size = max(size, *everything.values())
    return _FREE_M / max(size, 1e-9)


def _blocks(datum: Datum, used: NDArray[np.int64]) -> NDArray[np.int64]:
    cells = np.floor(datum.nominal.centroids[used] / _BLOCK_M).astype(int)
    _, block = np.unique(cells, axis=0, return_inverse=True)
    return np.asarray(block).reshape(-1)


def _cap(fit: _Fit) -> float:
    """Return the square of the deviation from which on one place counts no more."""
    scale = 1.4826 * float(np.median(np.abs(fit.rest)))
    return float(max(8 * scale, 1.5e-3) ** 2)


@dataclass(frozen=True)
class _Sums:
    """All products of columns and heights over the seen area, from which any subset is fitted."""

    gram: FloatArray
    right: FloatArray

    @classmethod
    def of(
        cls, pose: FloatArray, columns: list[FloatArray], area: FloatArray, target: FloatArray
    ) -> _Sums:
        scaled = [column / np.sqrt(area @ column**2 / area.sum()) for column in columns]
        matrix = np.column_stack([pose, *scaled])
        gram = (matrix * area[:, None]).T @ matrix
        gram += 1e-9 * np.trace(gram) / len(gram) * np.eye(len(gram))
        return cls(gram, matrix.T @ (area * target))


def _best_subset(
    sums: _Sums, count: int, keys: tuple[str, ...], names: list[str]
) -> tuple[int, ...]:
    """Return the numbers of so many causes that explain most, dimensions rather than regions."""
    subsets = np.array(list(itertools.combinations(range(len(names)), count)))
    if not len(subsets):
        return ()
    fixed = np.tile(np.arange(6), (len(subsets), 1))
    chosen = np.hstack((fixed, subsets + 6))
    gram = sums.gram[chosen[:, :, None], chosen[:, None, :]]
    right = sums.right[chosen]
    explained = (right * np.linalg.solve(gram, right[:, :, None])[:, :, 0]).sum(axis=1)
    by_pose = float(sums.right[:6] @ np.linalg.solve(sums.gram[:6, :6], sums.right[:6]))
    is_region = np.array([name not in keys for name in names])
    handicap = 1 - (1 - _DIMENSIONS_FIRST) * is_region[subsets].sum(axis=1) / count
    best = int(((explained - by_pose) * handicap).argmax())
    return tuple(int(number) for number in subsets[best])


def _least_squares(
    matrix: FloatArray,
    target: FloatArray,
    area: FloatArray,
    blocks: NDArray[np.int64],
    free: FloatArray,
) -> _Fit:
    """Fit the columns to the heights, far outliers counting less."""
    prior = np.zeros(matrix.shape[1])
    weight = area.copy()
    n_blocks = int(blocks.max()) + 1
    sigma = _NOISE_M
    for _ in range(_ROUNDS):
        prior[6:] = (sigma * _PATCH_M / free) ** 2
        gram = np.zeros((n_blocks, matrix.shape[1], matrix.shape[1]))
        right = np.zeros((n_blocks, matrix.shape[1]))
        order = np.argsort(blocks, kind="stable")
        starts = np.searchsorted(blocks[order], np.arange(n_blocks + 1))
        for block in range(n_blocks):
            rows = order[starts[block] : starts[block + 1]]
            weighted = matrix[rows] * weight[rows, None]
            gram[block] = weighted.T @ matrix[rows]
            right[block] = weighted.T @ target[rows]
        whole, whole_right = gram.sum(axis=0) + np.diag(prior), right.sum(axis=0)
        # A trace keeps turns determined that a scan of one plane does not tell.
        whole[:6, :6] += 1e-9 * np.trace(whole[:6, :6]) / 6 * np.eye(6)
        solution = np.linalg.solve(whole, whole_right)
        rest = target - matrix @ solution
        sigma = max(1.4826 * float(np.median(np.abs(rest))), _NOISE_M)
        reach = max(8 * sigma, 1.5e-3)
        weight = area * np.clip(1 - (rest / reach) ** 2, 0.0, 1.0) ** 2
    without = np.array(
        [np.linalg.solve(whole - gram[b], whole_right - right[b]) for b in range(n_blocks)]
    )
    jackknife = (n_blocks - 1) / n_blocks * ((without - without.mean(axis=0)) ** 2).sum(axis=0)
    noise = np.diag(np.linalg.inv(whole)) * (sigma * _PATCH_M) ** 2
    return _Fit(solution, without, np.sqrt(jackknife + noise), weight, rest)


def _spreads(
    datum: Datum, used: NDArray[np.int64], pose: FloatArray, fit: _Fit
) -> dict[str, float]:
    """Return the standard deviation of each region's mean height, by its seen part."""
    found = {}
    regions, areas = datum.region[used], datum.nominal.areas[used]
    changes = fit.without[:, :6] - fit.without[:, :6].mean(axis=0)
    share = (len(changes) - 1) / len(changes)
    for name in np.unique(regions).tolist():
        where = regions == name
        mean = np.average(pose[used][where], axis=0, weights=areas[where])
        from_pose = share * ((changes @ mean) ** 2).sum()
        rest = np.average(fit.rest[where] ** 2, weights=areas[where])
        rest *= min(1.0, _PATCH_M**2 / areas[where].sum())
        found[name] = float(np.sqrt(from_pose + rest))
    return found
