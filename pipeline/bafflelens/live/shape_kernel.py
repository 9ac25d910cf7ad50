# SPDX-License-Identifier: GPL-3.0-or-later
"""How alike shapes are expected to be: kernels of Gaussian processes, found from solved shapes.

What a shape would be by the others alone follows in closed form (Rasmussen and Williams, Gaussian
Processes for Machine Learning, 2006, section 5.4.2, equations 5.10 to 5.12).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray

_KEPT_ENERGY: Final = 0.9999
_NUGGET: Final = 1e-9  # keeps the matrix of two shapes alike regular


@dataclass(frozen=True, kw_only=True)
class Kernel:
    """How alike two shapes are expected to be; what is found once and worth keeping.

    Attributes
    ----------
    smooth : float
        Variance of the smooth part.
    lengths : tuple of float
        Its length along each parameter, over the range of that.
    trend : float
        Variance of the trend's slope.
    scatter : float
        Variance of what meshes scatter.
    """

    smooth: float
    lengths: tuple[float, ...]
    trend: float
    scatter: float

    def between(self, some: FloatArray, others: FloatArray) -> FloatArray:
        """Return the covariance of some points, (n, n_dimensions), with others, (m, ...)."""
        apart = (some[:, np.newaxis] - others) / self.lengths
        way = np.sqrt(5 * np.sum(apart**2, axis=2))
        # Rasmussen and Williams, equation 4.17.
        smooth = self.smooth * (1 + way + way**2 / 3) * np.exp(-way)
        return np.asarray(smooth + self.trend * (1 + some @ others.T))

    def of_one(self, point: FloatArray) -> float:
        """Return the variance of one shape, with its scatter."""
        return float(self.smooth + self.trend * (1 + point @ point) + self.scatter)


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Neighbouring frequencies that share a kernel.

    Attributes
    ----------
    numbers : (n,) int array
        Which frequencies.
    kernel : Kernel
        The kernel.
    inverse : (n_shapes, n_shapes) array
        Inverse of its matrix over the solved shapes.
    """

    numbers: IntArray
    kernel: Kernel
    inverse: FloatArray

    def left_out_errors(self, known: Any) -> Any:
        """Return by how much each shape differs from what the others say of it."""
        off_mean = known - known.mean(axis=0)
        pulled = np.tensordot(self.inverse, off_mean, axes=1)
        return pulled / np.diag(self.inverse).reshape(-1, *(1,) * (known.ndim - 1))


def group_of(points: FloatArray, kernel: Kernel, numbers: IntArray) -> Group:
    """Return neighbouring frequencies whose kernel is known, for shapes of the unit cube."""
    matrix = kernel.between(points, points) + (kernel.scatter + _NUGGET) * np.eye(len(points))
    inverse = np.asarray(np.linalg.inv(matrix), dtype=float)
    return Group(numbers=numbers, kernel=kernel, inverse=inverse)


def kernel_from(points: FloatArray, field: ComplexArray) -> Kernel:
    """Find the kernel that a field's principal components suggest."""
    # Half a second to load, and a page whose kernels were kept needs none of it.
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct, Matern, WhiteKernel

    like = Matern(np.ones(points.shape[1]), (0.1, 30.0), nu=2.5)
    smooth = ConstantKernel(1.0, (1e-2, 1e3)) * like
    trend = ConstantKernel(1.0, (1e-3, 1e3)) * DotProduct(1.0, "fixed")
    scatter = WhiteKernel(1e-3, (1e-7, 0.3))
    process = GaussianProcessRegressor(smooth + trend + scatter, alpha=_NUGGET)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # a length at its bound is no fault
        process.fit(points, _components(field))
    found = np.exp(process.kernel_.theta)  # in the order of the sum above
    return Kernel(
        smooth=float(found[0]),
        lengths=tuple(map(float, found[1:-2])),
        trend=float(found[-2]),
        scatter=float(found[-1]),
    )


def _components(field: ComplexArray) -> FloatArray:
    """Return the coefficients of the principal components, (n_shapes, n), of unit mean square."""
    off_mean = field - field.mean(axis=0)
    left, strength, _ = np.linalg.svd(off_mean, full_matrices=False)
    energy = np.cumsum(strength**2) / max(float(np.sum(strength**2)), 1e-300)
    kept = int(np.searchsorted(energy, _KEPT_ENERGY)) + 1
    coefficients = left[:, :kept] * strength[:kept]
    parts = np.concatenate([coefficients.real, coefficients.imag], axis=1)
    # Their strengths stay as they are, so that what is strong rules the lengths.
    return np.asarray(parts / max(float(np.sqrt(np.mean(parts**2))), 1e-300))
