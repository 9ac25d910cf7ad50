# SPDX-License-Identifier: GPL-3.0-or-later
"""What every file of a hand-off is, and whether it still is: a list with hashes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import AliasChoices, BaseModel, ConfigDict, Field

from bafflelens.base.archives import unzipped
from bafflelens.base.errors import BafflelensError, InputError, StoreError, invalid
from bafflelens.base.reading import checked, file_beside, json_of, read_bytes, shown_text

NAME: Final = "manifest.json"
FORMAT: Final = 1
FORMS: Final = "form/"
"""Folder of what is to be filled in: no fault when that was done."""
_RULE: Final = "a manifest written by bafflelens"


class _Symbol(BaseModel):
    """A dimension of the drawing."""

    name: str
    nominal: float = Field(validation_alias=AliasChoices("nominal", "nominal_mm"))
    limit: float | None = None
    unit: str = "mm"
    fit: bool = False


class _Manifest(BaseModel):
    """What is read of a manifest; what else it holds is only shown."""

    model_config = ConfigDict(extra="allow")

    format: int
    sha256: dict[str, str]
    run: str = ""
    candidate: str = ""
    candidates: list[str] = []
    geometry: str = ""
    revision: str = ""
    values: dict[str, float] = {}
    dimensions: dict[str, float] = {}
    units: dict[str, str] = {}
    tolerances: dict[str, float | None] | str = "not computed"
    symbols: dict[str, _Symbol] = {}


def nominal_dimensions(manifest: Mapping[str, Any]) -> dict[str, float]:
    """Return by key what a part should measure: what is there, and not what stands for it.

    Parameters
    ----------
    manifest : mapping
        A candidate's. One of an earlier version has only the values that were given.
    """
    return dict(manifest.get("dimensions") or manifest["values"])


def file_digest(content: bytes) -> str:
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
    hashes = {name: file_digest(content) for name, content in sorted(files.items())}
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
    found = json_of(content, where, "manifest", _RULE, StoreError)
    version = found.get("format")
    if isinstance(version, int) and version > FORMAT:
        rule = f"of format {FORMAT} or older; a newer bafflelens wrote it"
        raise StoreError(invalid("manifest", f"{where}' of format '{version}", rule))
    checked(_Manifest, found, where, "manifest", _RULE, StoreError)
    for name in found["sha256"]:
        if file_beside(Path(), name, in_folders=True) is None:
            rule = f"{_RULE}, whose files stay in their folder; '{shown_text(name)}' does not"
            raise StoreError(invalid("manifest", where, rule))
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
        The hand-off: its folder, one of its zip files, or the folder that one was unpacked in.
    candidate : str
        Which one; may be empty if there is only one.

    Raises
    ------
    StoreError
        If it is no hand-off, or the candidate's files are not as they were exported.
    InputError
        If there is no such candidate, or several and none is named.
    """
    try:
        if folder.suffix.lower() == ".zip" and folder.is_file():
            return _opened_zip(folder, candidate)
        whole = _manifest_of(folder)
        if whole.get("candidate"):
            return _unpacked(folder, whole, candidate)
        names = whole["candidates"]
        if not candidate and len(names) == 1:
            candidate = names[0]
        if candidate not in names:
            rule = "one of " + ", ".join(names)
            raise InputError(invalid("option '--candidate'", candidate, rule))
        stem = f"{whole['run']}_{candidate}"
        archive = file_beside(folder, f"{stem}.zip")
        if archive is None:
            rule = f"{_RULE}, of files in its folder"
            raise StoreError(invalid("manifest", folder / NAME, rule))
        content = read_bytes(archive, "hand-off", StoreError)
        faults = list(
            _differences(_only(whole, archive.name), {archive.name: file_digest(content)}, "")
        )
        if not faults:
            faults += _faults_of_zip(archive.name, content)
        if faults:
            rule = f"as it was exported ({'; '.join(faults)})"
            raise StoreError(invalid("hand-off", folder, rule))
        files = unzipped(content, archive, "hand-off", StoreError)
    except KeyError as error:
        rule = f"one that `bafflelens handoff` wrote (its manifest lacks {error})"
        raise StoreError(invalid("folder", folder, rule)) from error
    where = str(archive)
    manifest = read_manifest(f"{where}/{NAME}", files.pop(NAME))
    return Opened(where=where, stem=stem, manifest=manifest, files=files)


def _opened_zip(path: Path, candidate: str) -> Opened:
    """Return the candidate of a zip file, by the manifest in it."""
    content = read_bytes(path, "hand-off", StoreError)
    _refuse(path, _faults_of_zip(path.name, content))
    files = unzipped(content, path, "hand-off", StoreError)
    manifest = read_manifest(f"{path}/{NAME}", files.pop(NAME))
    return _one(str(path), manifest, files, candidate)


def _unpacked(folder: Path, manifest: dict[str, Any], candidate: str) -> Opened:
    """Return the candidate of an unpacked zip file; what lies beside its files may stay."""
    there = (
        name
        for name in manifest["sha256"]
        if not name.startswith(FORMS) and (folder / name).is_file()
    )
    files = {name: read_bytes(folder / name, "hand-off", StoreError) for name in there}
    hashes = {name: file_digest(content) for name, content in files.items()}
    listed = {
        name: digest for name, digest in manifest["sha256"].items() if not name.startswith(FORMS)
    }
    _refuse(folder, _differences({"sha256": listed}, hashes, ""))
    return _one(str(folder), manifest, files, candidate)


def _refuse(where: Path, faults: Iterator[str]) -> None:
    found = list(faults)
    if found:
        raise StoreError(invalid("hand-off", where, f"as it was exported ({'; '.join(found)})"))


def _one(where: str, manifest: dict[str, Any], files: dict[str, bytes], candidate: str) -> Opened:
    name = manifest["candidate"]
    if candidate not in ("", name):
        raise InputError(invalid("option '--candidate'", candidate, f"one of {name}"))
    return Opened(where=where, stem=f"{manifest['run']}_{name}", manifest=manifest, files=files)


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
    manifest = _manifest_of(folder)
    present = {}
    try:
        for found in sorted(folder.rglob("*")):
            if found.is_file() and found != folder / NAME:
                with found.open("rb") as stream:
                    hashed = hashlib.file_digest(stream, "sha256").hexdigest()
                present[str(found.relative_to(folder))] = hashed
    except OSError as error:
        rule = f"one that `bafflelens handoff` wrote ({error.strerror})"
        raise StoreError(invalid("folder", folder, rule)) from error
    faults = list(_differences(manifest, present, ""))
    for name in present:
        if name.endswith(".zip") and name in manifest["sha256"]:
            content = read_bytes(folder / name, "hand-off", StoreError)
            faults += _faults_of_zip(name, content)
    return tuple(faults)


def _manifest_of(folder: Path) -> dict[str, Any]:
    """Return the manifest of a hand-off."""
    path = folder / NAME
    try:
        content = read_bytes(path, "manifest", StoreError)
    except StoreError as error:
        rule = f"one that `bafflelens handoff` wrote ({error})"
        raise StoreError(invalid("folder", folder, rule)) from error
    return read_manifest(str(path), content)


def _faults_of_zip(name: str, content: bytes) -> Iterator[str]:
    try:
        inside = unzipped(content, name, "file")
        manifest = read_manifest(f"{name}/{NAME}", inside.pop(NAME, b""))
    except BafflelensError as error:
        yield str(error)
        return
    hashes = {entry: file_digest(stored) for entry, stored in inside.items()}
    yield from _differences(manifest, hashes, f"{name}/")


def _differences(
    manifest: Mapping[str, Any], present: Mapping[str, str], where: str
) -> Iterator[str]:
    listed = manifest["sha256"]
    for name in sorted({*listed, *present}):
        if name not in present:
            yield invalid("file", where + name, "there: the manifest lists it")
        elif name not in listed:
            yield invalid("file", where + name, "listed in the manifest")
        elif present[name] != listed[name]:
            yield invalid("file", where + name, "as it was exported; its SHA-256 differs")
