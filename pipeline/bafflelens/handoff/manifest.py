# SPDX-License-Identifier: GPL-3.0-or-later
"""What every file of a hand-off is, and whether it still is: a list with hashes."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import InputError, StoreError, invalid

NAME: Final = "manifest.json"
FORMAT: Final = 1


def digest(content: bytes) -> str:
    """Return the SHA-256 of a content, in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def manifest_bytes(facts: Mapping[str, Any], files: Mapping[str, bytes]) -> bytes:
    """Return the manifest of files: facts, then the hash of each by name.

    Parameters
    ----------
    facts : mapping
        What they are of.
    files : mapping of str to bytes
        The files, without the manifest.
    """
    hashes = {name: digest(content) for name, content in sorted(files.items())}
    content = {"format": FORMAT, **facts, "sha256": hashes}
    return json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n"


def read_manifest(where: str, content: bytes) -> dict[str, Any]:
    """Return the content of a manifest.

    Parameters
    ----------
    where : str
        For the message.
    content : bytes
        The file.

    Raises
    ------
    StoreError
        If it is none, or a newer one.
    """
    try:
        found: dict[str, Any] = json.loads(content)
        found["sha256"] = dict(found["sha256"])
        version = int(found["format"])
    except (ValueError, KeyError, TypeError) as error:
        rule = "a manifest written by bafflelens"
        raise StoreError(invalid("manifest", where, rule)) from error
    if version > FORMAT:
        rule = f"of format {FORMAT} or older; a newer bafflelens wrote it"
        raise StoreError(invalid("manifest", f"{where}' of format '{version}", rule))
    return found


@dataclass(frozen=True, kw_only=True)
class Opened:
    """One candidate of a hand-off, found to be as it was exported.

    Attributes
    ----------
    where : str
        Its zip file, for messages.
    stem : str
        Run and candidate, as its files are named.
    manifest : dict
        The candidate's manifest.
    files : dict of str to bytes
        All its files.
    """

    where: str
    stem: str
    manifest: dict[str, Any]
    files: dict[str, bytes]


def open_archive(folder: Path, candidate: str = "") -> Opened:
    """Return one candidate of a hand-off.

    Parameters
    ----------
    folder : Path
        The hand-off.
    candidate : str
        Which one; may be empty if there is only one.

    Raises
    ------
    StoreError
        If it is no hand-off, or the candidate's files are not as they were exported.
    InputError
        If there is no such candidate, or several and none is named.
    """
    path = folder / NAME
    try:
        whole = read_manifest(str(path), path.read_bytes())
        names = [str(name) for name in whole["candidates"]]
        if not candidate and len(names) == 1:
            candidate = names[0]
        if candidate not in names:
            rule = "one of " + ", ".join(names)
            raise InputError(invalid("option '--candidate'", candidate, rule))
        stem = f"{whole['run']}_{candidate}"
        content = (folder / f"{stem}.zip").read_bytes()
        faults = list(_differences(_only(whole, f"{stem}.zip"), {f"{stem}.zip": content}, ""))
        if not faults:
            faults += _faults_of_zip(f"{stem}.zip", content)
        if faults:
            rule = f"as it was exported ({'; '.join(faults)})"
            raise StoreError(invalid("hand-off", folder, rule))
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            files = {entry: archive.read(entry) for entry in archive.namelist()}
    except (OSError, KeyError) as error:
        rule = f"one that `bafflelens handoff` wrote ({error})"
        raise StoreError(invalid("folder", folder, rule)) from error
    where = str(folder / f"{stem}.zip")
    manifest = read_manifest(f"{where}/{NAME}", files.pop(NAME))
    return Opened(where=where, stem=stem, manifest=manifest, files=files)


def _only(manifest: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return a manifest that lists one of its files."""
    return {**manifest, "sha256": {name: manifest["sha256"][name]}}


def verify_folder(folder: Path) -> tuple[str, ...]:
    """Return every fault of a hand-off: files that are changed, missing or not listed.

    Parameters
    ----------
    folder : Path
        The folder; its zip files are looked into.

    Raises
    ------
    StoreError
        If it is no hand-off.
    """
    path = folder / NAME
    try:
        manifest = read_manifest(str(path), path.read_bytes())
        present = {
            str(found.relative_to(folder)): found.read_bytes()
            for found in sorted(folder.rglob("*"))
            if found.is_file() and found != path
        }
    except OSError as error:
        rule = f"one that `bafflelens handoff` wrote ({error.strerror})"
        raise StoreError(invalid("folder", folder, rule)) from error
    faults = list(_differences(manifest, present, ""))
    for name, content in present.items():
        if name.endswith(".zip") and name in manifest["sha256"]:
            faults += _faults_of_zip(name, content)
    return tuple(faults)


def _faults_of_zip(name: str, content: bytes) -> Iterator[str]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            inside = {entry: archive.read(entry) for entry in archive.namelist()}
    except (zipfile.BadZipFile, OSError, EOFError):
        yield invalid("file", name, "a zip file that can be read")
        return
    manifest = read_manifest(f"{name}/{NAME}", inside.pop(NAME, b""))
    yield from _differences(manifest, inside, f"{name}/")


def _differences(
    manifest: Mapping[str, Any], present: Mapping[str, bytes], where: str
) -> Iterator[str]:
    listed = manifest["sha256"]
    for name in sorted({*listed, *present}):
        if name not in present:
            yield invalid("file", where + name, "there: the manifest lists it")
        elif name not in listed:
            yield invalid("file", where + name, "listed in the manifest")
        elif digest(present[name]) != listed[name]:
            yield invalid("file", where + name, "as it was exported; its SHA-256 differs")
