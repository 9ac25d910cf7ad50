# SPDX-License-Identifier: GPL-3.0-or-later
"""A carving as a picture: the score over its steps, where it added and took, sections."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray

_MM: Final = 1e3
_LEVELS_MM: Final = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class CarvingView:
    """What a picture of a carving shows.

    Attributes
    ----------
    title : str
        What it is.
    scores_db : tuple of float
        The score as a draft after each step, the parent first.
    best : int
        Number of the step that was kept.
    y_m, z_m : (n_y,), (n_z,) arrays
        Places of the maps.
    surface_m : (n_y, n_z) array
        x of the front before; NaN beside the body.
    height_m : (n_y, n_z) array
        By how much it moved forwards.
    share : (n_y, n_z) array
        The share of the height that is free; 0 where nothing may move.
    """

    title: str
    scores_db: tuple[float, ...]
    best: int
    y_m: FloatArray
    z_m: FloatArray
    surface_m: FloatArray
    height_m: FloatArray
    share: FloatArray


def carving_picture(view: CarvingView) -> bytes:
    """Return the picture, a PNG."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 7.5), layout="constrained")
    figure.suptitle(view.title)
    parts = figure.subplot_mosaic(
        [["map", "way"], ["map", "vertical"], ["map", "horizontal"]], width_ratios=(1.0, 1.25)
    )
    y, z, height = view.y_m * _MM, view.z_m * _MM, view.height_m * _MM
    shown = np.where(np.isnan(view.surface_m), np.nan, height).T
    most = max(float(np.abs(height).max()), _LEVELS_MM)
    axes = parts["map"]
    image = axes.imshow(
        shown,
        origin="lower",
        extent=(y[0], y[-1], z[0], z[-1]),
        cmap="RdBu_r",
        vmin=-most,
        vmax=most,
    )
    levels = np.arange(-np.floor(most), np.floor(most) + 1, _LEVELS_MM)
    lines = axes.contour(y, z, height.T, levels=levels[levels != 0], colors="k", linewidths=0.4)
    axes.clabel(lines, fontsize=6, fmt="%+g")
    axes.contour(y, z, view.share.T, levels=[0.01], colors="0.5", linestyles=":", linewidths=0.9)
    axes.set(
        title="added (+) and taken (-), mm;\nnothing moves outside the dotted lines",
        xlabel="y, to the loudspeaker's left (mm)",
        ylabel="z, up (mm)",
        aspect="equal",
    )
    axes.invert_xaxis()  # as seen from the front
    figure.colorbar(image, ax=axes, shrink=0.6, label="mm")
    _draw_way(parts["way"], view)
    middle = int(np.argmin(np.abs(view.y_m)))
    level = int(np.argmin(np.abs(view.z_m)))
    _draw_section(parts["vertical"], z, view.surface_m[middle], view.height_m[middle])
    parts["vertical"].set(title="section at y = 0", xlabel="z, up (mm)")
    _draw_section(parts["horizontal"], y, view.surface_m[:, level], view.height_m[:, level])
    parts["horizontal"].set(title="section at z = 0", xlabel="y, to the left (mm)")
    stream = BytesIO()
    figure.savefig(stream, format="png", dpi=130)
    return stream.getvalue()


def _draw_way(axes, view: CarvingView) -> None:  # type: ignore[no-untyped-def]
    number = np.arange(len(view.scores_db))
    axes.plot(number, view.scores_db, "o-", color="tab:blue", markersize=4)
    axes.plot(view.best, view.scores_db[view.best], "o", color="tab:red", markersize=7)
    axes.annotate(
        f" step {view.best}: {view.scores_db[view.best]:.2f} dB",
        (view.best, view.scores_db[view.best]),
        ha="right",
        va="bottom",
    )
    axes.set(title="score over the steps, as a draft", xlabel="step", ylabel="dB, lower is better")
    axes.set_ylim(bottom=0)
    axes.grid(alpha=0.3)


def _draw_section(axes, along, surface_m, height_m) -> None:  # type: ignore[no-untyped-def]
    before, after = surface_m * _MM, (surface_m + height_m) * _MM
    axes.plot(along, before, color="0.5", linewidth=1.2, label="before")
    axes.plot(along, after, color="tab:red", linewidth=1.4, label="after")
    axes.fill_between(along, before, after, where=after > before, color="tab:red", alpha=0.3)
    axes.fill_between(along, before, after, where=after < before, color="tab:blue", alpha=0.3)
    axes.set_ylabel("x, forwards (mm)")
    axes.set_aspect("equal")
    axes.legend(fontsize=7, loc="lower right")
