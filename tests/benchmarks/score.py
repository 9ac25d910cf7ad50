# SPDX-License-Identifier: GPL-3.0-or-later
"""Time of a score, and what it gains to ask only for the directions that criteria look at."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from unittest import mock

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import patterns

from bafflelens.scoring import score
from bafflelens.scoring.target import Room, default_target

REPEATS = 15


def main() -> None:
    """Print milliseconds a score, by frequencies and seats, and the ratio to all directions."""
    print("frequencies  seats  score (ms)  with all directions (ms)  ratio")
    for per_octave, low_hz, high_hz in ((6, 1000, 16_000), (24, 500, 20_000)):
        frequencies = patterns.sixth_octaves(low_hz, high_hz, per_octave)
        data = patterns.dataset(patterns.cap(10, 20), frequencies)
        for seats, room in (("one", Room()), ("2 to 5 m", Room(nearest_m=2, farthest_m=5))):
            target = default_target(room)
            lean = median_ms(data, target)
            everything = np.arange(data.sizes["direction"])
            with mock.patch.object(score, "needed_directions", lambda *_, all_=everything: all_):
                full = median_ms(data, target)
            print(
                f"{len(frequencies):11d}  {seats:>8}  {lean:7.0f}  {full:23.0f}  {full / lean:.1f}"
            )


def median_ms(data, target) -> float:
    """Return the median time of a score in ms."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        score.score(data, target, baseline=data)
        times.append(1e3 * (time.perf_counter() - start))
    return float(np.median(times))


if __name__ == "__main__":
    main()
