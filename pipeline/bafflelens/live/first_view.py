# SPDX-License-Identifier: GPL-3.0-or-later
"""What a page shows first of a run that is over, kept as one file beside it.

It is there before anything is loaded that is slow to load. It is shown only where it fits: it
holds a digest of all that it follows from, of the run and of the program; else the page waits
until the run has been read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import bafflelens
from bafflelens.base.provenance import source_digest
from bafflelens.base.run_files import candidate_folders, first_view_path, shared_files
from bafflelens.live.framing import framed, numbered, unframed

LARGEST: Final = 64 * 2**20
"""Bytes of such a file that are read at most."""

_FOLLOWS_FROM: Final = (
    *("base", "mesh", "shapes", "directivity", "scoring", "job", "store", "live"),
    *("report/summary.py", "report/curves.py", "run/queueing"),
)
_SIZE: Final = 20  # bytes of a digest


@dataclass(frozen=True, kw_only=True, eq=False)
class FirstView:
    """What is answered before the run has been read.

    Attributes
    ----------
    digest : str
        Of all that it follows from.
    candidates : tuple of str
        Whose far fields and meshes it shows.
    hello : mapping
        What a page is greeted with.
    values : mapping of str to float
        Where its sliders begin.
    rules : mapping
        Where rules would break along them.
    levels, shape : bytes
        Frames of the shape that it begins with.
    reference : str
        What it is held against at first.
    held : tuple of bytes
        Frames of that.
    estimates : bytes
        From which other moves are estimated, as `live.first_estimates` has it; empty if nothing
        was learned.
    """

    digest: str
    candidates: tuple[str, ...]
    hello: Mapping[str, Any]
    values: Mapping[str, float]
    rules: Mapping[str, Any]
    levels: bytes
    shape: bytes
    reference: str
    held: tuple[bytes, ...]
    estimates: bytes = b""

    def answers(self, message: Mapping[str, Any]) -> list[Any] | None:
        """Return what a page is answered; None where the run has to be read for that."""
        kind = message["kind"]
        if kind == "open" and message["id"] == self.reference:
            return [numbered(frame, message["move"]) for frame in self.held]
        if message.get("values") != self.values:
            return None
        if kind == "move":
            return [numbered(self.levels, message["move"])]
        if kind == "shape":
            return [numbered(self.shape, message["move"])]
        if kind == "rules":
            return [{"kind": "rules", "move": message["move"], "broken": self.rules}]
        return [] if kind == "score" else None  # it is with the levels

    def content(self) -> bytes:
        """Return it as the content of a file."""
        frames = (self.levels, self.shape, *self.held, self.estimates)
        header = {
            "digest": self.digest,
            "candidates": self.candidates,
            "hello": self.hello,
            "values": self.values,
            "rules": self.rules,
            "reference": self.reference,
            "lengths": [len(frame) for frame in frames],
        }
        whole = framed(header, b"".join(frames))
        return hashlib.blake2b(whole, digest_size=_SIZE).digest() + whole


def load_first_view(run: Path) -> FirstView | None:
    """Return the first view of a run; None where there is none, or it no longer fits."""
    try:
        with first_view_path(run).open("rb") as stream:
            content = stream.read(LARGEST + 1)
        view = _read(content)
        return view if view.digest == view_digest(run, view.candidates) else None
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return None


def view_digest(run: Path, candidates: Sequence[str]) -> str:
    """Return a digest of what the first view of a run follows from.

    Parameters
    ----------
    run : Path
        Its folder.
    candidates : sequence of str
        Whose far fields and meshes are shown. Of all others only their size counts.

    Raises
    ------
    OSError
        If something cannot be read.
    """
    found = hashlib.blake2b(digest_size=_SIZE)

    def feed(name: str, content: bytes) -> None:
        found.update(f"{name}\0{len(content)}\0".encode())
        found.update(content)

    feed("program", source_digest(Path(bafflelens.__file__).parent, _FOLLOWS_FROM).encode())
    for path in shared_files(run):
        feed(path.relative_to(run.parent).as_posix(), path.read_bytes())
    for folder in candidate_folders(run):
        for path in (folder / "directivity.nc", folder / "mesh.npz"):
            is_shown = folder.name in candidates
            if path.is_file():
                size = str(path.stat().st_size).encode()
                feed(f"{folder.name}/{path.name}", path.read_bytes() if is_shown else size)
    return found.hexdigest()


def _read(content: bytes) -> FirstView:
    """Return what a file holds.

    Raises
    ------
    ValueError, LookupError, TypeError
        If it is not whole, or something else.
    """
    told, whole = content[:_SIZE], content[_SIZE:]
    if len(content) > LARGEST or hashlib.blake2b(whole, digest_size=_SIZE).digest() != told:
        raise ValueError(len(content))
    header, data = unframed(whole)
    frames, at = [], 0
    for length in header["lengths"]:
        frames.append(data[at : at + length])
        at += length
    if not all(isinstance(header[name], dict) for name in ("hello", "values", "rules")):
        raise TypeError(header)
    return FirstView(
        digest=str(header["digest"]),
        candidates=tuple(map(str, header["candidates"])),
        hello=header["hello"],
        values=header["values"],
        rules=header["rules"],
        levels=frames[0],
        shape=frames[1],
        reference=str(header["reference"]),
        held=tuple(frames[2:-1]),
        estimates=frames[-1],
    )
