# SPDX-License-Identifier: GPL-3.0-or-later
"""Maps as small as a cell of the ranking, to be told apart at a glance."""

from __future__ import annotations

import io
from typing import Final

import matplotlib as mpl
import numpy as np
from PIL import Image

from bafflelens.report import style
from bafflelens.report.curves import Curves
from bafflelens.report.figures.axes import BEAM_DB
from bafflelens.report.figures.maps import LEVEL_STEPS_DB

_WIDTH, _HEIGHT = 46, 46
_GREY: Final = (222, 224, 219)


def small_map(curves: Curves, plane: str) -> bytes:
    """Return a map as a PNG file: frequency to the right, angle upwards from -180 to 180 degrees.

    The colours are those of the large maps, black is the -6 dB line, grey was not solved.

    Parameters
    ----------
    curves : Curves
        The candidate.
    plane : {"horizontal", "vertical"}
        Which orbit.
    """
    frequency, angle = curves.frequency_hz, curves.angle_deg
    across = [curves.nearest(f) for f in np.geomspace(frequency[0], frequency[-1], _WIDTH)]
    up = [int(np.argmin(np.abs(angle - a))) for a in np.linspace(180, -180, _HEIGHT)]
    level = curves.level_db(plane)[np.ix_(across, up)].T
    palette = mpl.colormaps[style.LEVEL_COLOURS].resampled(len(LEVEL_STEPS_DB) + 1)
    colours = [tuple(round(255 * c) for c in palette(i)[:3]) for i in range(palette.N)]
    grey, black = len(colours), len(colours) + 1
    known = np.isfinite(level)
    numbers = np.where(known, np.digitize(np.nan_to_num(level), LEVEL_STEPS_DB), grey)
    inside = np.nan_to_num(level, nan=-np.inf) >= BEAM_DB
    edge = inside[:-1] != inside[1:]
    numbers[:-1][edge & known[:-1] & known[1:]] = black
    image = Image.fromarray(numbers.astype(np.uint8)).convert("P")
    image.putpalette([c for colour in (*colours, _GREY, (0, 0, 0)) for c in colour])
    stream = io.BytesIO()
    image.save(stream, format="PNG", optimize=True)
    return stream.getvalue()
