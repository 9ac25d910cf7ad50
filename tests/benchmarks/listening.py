# SPDX-License-Identifier: GPL-3.0-or-later
"""How long it takes until two shapes can be heard, and what other music takes then.

python tests/benchmarks/listening.py [seconds of music]

Both shapes are patterns that are known, so nothing is solved. Printed are processor seconds of
each step, and the ratio of changing the music to beginning anew. Processor time is what counts
beside other work; by the clock it is about half on two processors, where steps overlap.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import numpy as np
import patterns

from bafflelens.base.medium import Air
from bafflelens.listen.binaural import ear_responses
from bafflelens.listen.head import head_of, left_out
from bafflelens.listen.head_file import read_head
from bafflelens.listen.music import invented_music
from bafflelens.listen.ready import Ready
from bafflelens.listen.rendering import Wishes, played_versions, sound_file
from bafflelens.listen.room import SURFACES, enclosure_of
from bafflelens.listen.seat import seat_of
from bafflelens.listen.shape_response import shape_response
from bafflelens.scoring.target import Room


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    spent: dict[str, float] = {}

    def timed(label, function):
        start, clock = time.process_time(), time.perf_counter()
        result = function()
        spent[label] = time.process_time() - start
        clock = time.perf_counter() - clock
        print(f"{label:45s} {spent[label]:6.2f} s of processor time, {clock:6.2f} s by the clock")
        return result

    responses = timed("head read", read_head)
    head = timed("head taken apart", lambda: head_of(responses))
    timed("head's interpolation judged", lambda: left_out(head))
    frequency = patterns.sixth_octaves(1000, 16000, 24)
    sets = [patterns.dataset(one, frequency) for one in (patterns.omni, patterns.cardioid)]
    shapes = timed(
        "two shapes over the band", lambda: [shape_response("shape", one) for one in sets]
    )
    enclosure = enclosure_of(
        Room(seat_aside_m=1.0),
        front_wall_m=1.0,
        rear_wall_m=1.5,
        other_wall_m=None,
        absorption={name: np.full(7, 0.2) for name in SURFACES},
    )
    seat = timed("room and head", lambda: seat_of(enclosure, Air(), head, images_s=0.05))
    print(f"{seat.images.n_images} images a loudspeaker")
    ears = timed("two shapes at the ears", lambda: [ear_responses(one, seat) for one in shapes])
    music = invented_music(seconds)

    ready = Ready(
        run="",
        names=("one", "other"),
        ears=tuple(ears),
        dry=(),
        remarks=(),
        files={},
    )

    def play():
        versions = played_versions(ready, music, Wishes())
        sounds = [one for version in versions for one in (version.whole, *version.parts.values())]
        return [sound_file(one) for one in sounds]

    timed("music: whole and parts, matched, as files", play)
    whole = sum(spent.values())
    changed = spent["music: whole and parts, matched, as files"]
    print(
        f"all {whole:.1f} s of processor time; other music {changed:.1f} s, {changed / whole:.2f}"
    )


if __name__ == "__main__":
    main()
