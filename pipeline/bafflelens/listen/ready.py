# SPDX-License-Identifier: GPL-3.0-or-later
"""Responses at the ears, ready for any music, and kept so that other music takes little time."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base.archives import arrays_of
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import json_of, read_bytes, shown_text
from bafflelens.listen.binaural import PARTS, EarResponses

RESPONSES: Final = "responses.npz"


@dataclass(frozen=True, kw_only=True, eq=False)
class Ready:
    """All that does not depend on the music.

    Attributes
    ----------
    run : str
        Name of the run.
    names : tuple of str
        Ids of the candidates.
    ears : tuple of EarResponses
        Responses of each at the ears, the filter that stands for the rest of the loudspeaker
        and the headphones included.
    dry : tuple of (n_samples,) array
        Response of each in front, without room and head.
    remarks : tuple of str
        What a listener should know.
    files : mapping of str to bytes
        What is written whatever is played.
    """

    run: str
    names: tuple[str, ...]
    ears: tuple[EarResponses, ...]
    dry: tuple[FloatArray, ...]
    remarks: tuple[str, ...]
    files: Mapping[str, bytes]


def responses_bytes(ready: Ready) -> bytes:
    """Return the file that `read_responses` reads."""
    stream = io.BytesIO()
    arrays: dict[str, Any] = {}
    for number, (ears, dry) in enumerate(zip(ready.ears, ready.dry, strict=True)):
        arrays[f"{number} whole"] = ears.whole.astype(np.float32)
        arrays[f"{number} dry"] = dry.astype(np.float32)
        for part, responses in ears.parts.items():
            arrays[f"{number} {part}"] = responses.astype(np.float32)
    said = {"run": ready.run, "names": ready.names, "remarks": ready.remarks}
    arrays["said"] = np.array(json.dumps(said))
    np.savez(stream, **arrays)
    return stream.getvalue()


def read_responses(path: Path, run: str, candidates: Sequence[str]) -> Ready:
    """Return what was kept in a folder that was written before.

    Raises
    ------
    InputError
        If there is nothing, or it is of other shapes.
    """
    rule = "a folder that 'bafflelens listen' has written, whole"
    try:
        archive = read_bytes(path / RESPONSES, "--again")
        content = arrays_of(archive, path, "--again", rule)
        said = json_of(str(content["said"]), path, "--again", rule)
        names, of_run, remarks = list(said["names"]), said["run"], tuple(said["remarks"])
        numbers = range(len(names))
        ears = tuple(
            EarResponses(
                whole=content[f"{number} whole"].astype(float),
                parts={part: content[f"{number} {part}"].astype(float) for part in PARTS},
            )
            for number in numbers
        )
        dry = tuple(content[f"{number} dry"].astype(float) for number in numbers)
    except (InputError, ValueError, KeyError, TypeError) as error:
        raise InputError(invalid("--again", path, rule)) from error
    if (of_run, names) != (run, list(candidates)):
        other = f"{of_run}, {' '.join(map(str, names))}"
        same = f"of the same run and shapes: it is of {shown_text(other)}"
        raise InputError(invalid("--again", path, same))
    kept = ["arrivals.html", *(f"{name}.sofa" for name in candidates)]
    try:
        files = {name: read_bytes(path / name, "--again") for name in kept}
    except InputError as error:
        raise InputError(invalid("--again", path, rule)) from error
    return Ready(
        run=run,
        names=tuple(candidates),
        ears=ears,
        dry=dry,
        remarks=remarks,
        files=files,
    )
