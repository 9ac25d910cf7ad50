# SPDX-License-Identifier: GPL-3.0-or-later
"""What was found while learning from a run, kept beside it: the next page need not look again."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import asdict

from bafflelens.base.errors import StoreError
from bafflelens.live.frames import json_number
from bafflelens.live.shape_kernel import Kernel
from bafflelens.live.solved import Found, Learned
from bafflelens.store import RunFolder


def keep_learned(folder: RunFolder, learned: Learned) -> None:
    """Keep what was found; a run that cannot be written to goes without."""
    content = {
        "digest": learned.digest,
        "score_off_db": json_number(learned.score_off_db),
        "kernels": [asdict(kernel) for kernel in learned.estimator.kernels],
    }
    with suppress(StoreError):
        folder.save_learned(content)


def load_kept(folder: RunFolder) -> Found | None:
    """Return what was kept; None where there is nothing, or it cannot be read."""
    content = folder.load_learned()
    try:
        off_db = content["score_off_db"]
        return Found(
            digest=str(content["digest"]),
            kernels=tuple(_kernel(each) for each in content["kernels"]),
            score_off_db=math.nan if off_db is None else float(off_db),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _kernel(content: dict[str, object]) -> Kernel:
    """Return a kernel.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is none.
    """
    variances = {name: float(str(content[name])) for name in ("smooth", "trend", "scatter")}
    lengths = content["lengths"]
    if not isinstance(lengths, list):
        raise TypeError(lengths)
    found = Kernel(lengths=tuple(map(float, lengths)), **variances)
    numbers = (*variances.values(), *found.lengths)
    if not all(math.isfinite(number) and number > 0 for number in numbers):
        raise ValueError(numbers)
    return found
