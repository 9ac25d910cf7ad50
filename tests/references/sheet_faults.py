# SPDX-License-Identifier: GPL-3.0-or-later
"""What is wrong with the texts of a drawing: one on another, or outside the frame."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import numpy as np
import pypdfium2
from PIL import Image

from bafflelens.handoff.sheet_frame import FRAME_MM

MM = 72 / 25.4
TEXT = pypdfium2.raw.FPDF_PAGEOBJ_TEXT
TOUCH_MM = 0.05
BORDER_MM = 5.0  # for the grid's letters, outside of the frame


def blank() -> bytes:
    """A picture of nothing, as high and wide as that of a shape."""
    stream = io.BytesIO()
    Image.new("RGB", (900, 800), "white").save(stream, "PNG")
    return stream.getvalue()


def boxes_of(page: Any) -> Iterator[Any]:
    """Yield each text of a page: left, lower, right and upper end in mm."""
    for item in page.get_objects(filter=[TEXT]):
        box = np.array(item.get_bounds()) / MM
        if box[2] - box[0] > 1e-6 and box[3] - box[1] > 1e-6:
            yield box


def faults_of(content: bytes) -> list[tuple[int, ...]]:
    """Return pairs of texts that overlap, and texts that are outside the frame and its border."""
    found: list[tuple[int, ...]] = []
    for number, page in enumerate(pypdfium2.PdfDocument(content), start=1):
        boxes = np.array(list(boxes_of(page)))
        assert len(boxes) > 20
        low, high = boxes[:, :2] + TOUCH_MM, boxes[:, 2:] - TOUCH_MM
        apart = (low[:, None] >= high[None]).any(axis=2)
        over = np.argwhere(~(apart | apart.T) & ~np.eye(len(boxes), dtype=bool))
        found += [(number, *pair) for pair in over.tolist()]
        left, lower, right, upper = FRAME_MM
        inside = (low > [left, lower]).all(axis=1) & (high < [right, upper]).all(axis=1)
        border = (low > [left - BORDER_MM, lower - BORDER_MM]).all(axis=1)
        border &= (high < [right + BORDER_MM, upper + BORDER_MM]).all(axis=1)
        short = (high - low < 4.0).all(axis=1)  # a letter or digit of the grid
        found += [(number, n) for n in np.flatnonzero(~(inside | (border & short))).tolist()]
    return found
