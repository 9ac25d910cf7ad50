# SPDX-License-Identifier: GPL-3.0-or-later
"""The doors for files that somebody else wrote: text, TOML, JSON, and the names that they give.

What comes through a door is no larger, no deeper and no stranger than the door allows; what does
not is one `BafflelensError` of the kind that the caller names, in one line. Tables of numbers come
through `bafflelens.base.number_table`, archives and HDF5 through `bafflelens.base.archives`.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Hashable
from functools import cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

from bafflelens.base.errors import BafflelensError, InputError, invalid

if TYPE_CHECKING:
    from pydantic import TypeAdapter

MIB: Final = 2**20
LARGEST_TOML: Final = 4 * MIB
LARGEST_TEXT: Final = 64 * MIB
LARGEST_JSON: Final = 256 * MIB
LARGEST_FILE: Final = 1024 * MIB
DEEPEST: Final = 32
"""How deep tables and lists may lie in each other."""
LONGEST_TEXT: Final = 20_000
"""Characters of one text in a TOML file."""
LONGEST_NAME: Final = 200
"""Bytes of a file's name in UTF-8; most systems allow 255."""

_WHOLE_BITS: Final = 63  # TOML v1.0.0: whole numbers of 64 bits with a sign
_LONGEST_SHOWN: Final = 60
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
_SURROGATE: Final = re.compile(r"[\ud800-\udfff]")

Fault = type[BafflelensError]
_Kind = TypeVar("_Kind")


def shown_text(value: object) -> str:
    r"""Return a value that somebody else wrote as it may stand in a message: short, one line.

    Examples
    --------
    >>> shown_text("a\x1b[31m" + 100 * "b")[:13]
    'a\\x1b[31mbbbb'
    """
    text = str(value) if not isinstance(value, int) or value.bit_length() < 1000 else "a huge one"
    text = printable(text[: 4 * _LONGEST_SHOWN]).replace("\n", " ")
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."


def printable(text: str) -> str:
    r"""Return a text whose control characters are written out: none of them moves a terminal.

    Examples
    --------
    >>> printable("bell\x07, tab\t")
    'bell\\x07, tab\t'
    """
    text = _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)
    return _SURROGATE.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def place_shown(where: object) -> str:
    """Return a path as it may stand in a message: whole, unless nobody could have meant it."""
    text = str(where)
    return printable(text) if len(text) <= 1000 else shown_text(text)


def has_control(text: str) -> bool:
    """Tell whether a text has control characters, but for tabs and ends of lines.

    Halves of characters, which no file could be written with, count as such.
    """
    return bool(_CONTROL.search(text) or _SURROGATE.search(text))


def read_bytes(
    path: Path,
    what: str,
    fault: Fault = InputError,
    *,
    most: int = LARGEST_FILE,
    kind: str = "file",
) -> bytes:
    """Return the content of a file.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it is to the user, for the message.
    fault : type of BafflelensError
        What is raised.
    most : int
        Its largest size in bytes.
    kind : str
        What kind of file it must be, for the message.

    Raises
    ------
    BafflelensError
        If it cannot be read or is larger.
    """
    try:
        with path.open("rb") as stream:
            content = stream.read(most + 1)
    except OSError as error:
        rule = f"a readable {kind} ({error.strerror or error})"
        raise fault(invalid(what, place_shown(path), rule)) from error
    except ValueError as error:  # a NUL in its name
        rule = f"a readable {kind} ({error})"
        raise fault(invalid(what, place_shown(path), rule)) from error
    if len(content) > most:
        raise fault(invalid(what, path, f"no larger than {most / MIB:g} MiB"))
    return content


def read_text(
    path: Path,
    what: str,
    fault: Fault = InputError,
    *,
    most: int = LARGEST_TEXT,
    kind: str = "text file",
) -> str:
    """Return the text of a file in UTF-8, with or without a byte-order mark.

    Raises
    ------
    BafflelensError
        If it cannot be read, is larger, or is no text in UTF-8.
    """
    content = read_bytes(path, what, fault, most=most, kind=kind)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        rule = f"text in UTF-8 (byte {error.start} is not)"
        raise fault(invalid(what, path, rule)) from error
    if "\0" in text:
        raise fault(invalid(what, path, "plain text, not binary data"))
    return text


def read_toml(path: Path, what: str, fault: Fault = InputError) -> dict[str, Any]:
    """Return the content of a TOML file: `read_text`, then `toml_of`."""
    text = read_text(path, what, fault, most=LARGEST_TOML, kind="TOML file")
    return toml_of(text, path, what, fault)


def toml_of(text: str, path: Path, what: str, fault: Fault = InputError) -> dict[str, Any]:
    """Return the content of a text in TOML.

    Parameters
    ----------
    text : str
        The text.
    path : Path
        The file that it is from, for the message.
    what : str
        What that is to the user.
    fault : type of BafflelensError
        What is raised.

    Raises
    ------
    BafflelensError
        If it is no TOML, lies too deep, or holds whole numbers of more than 64 bits, endless
        texts or control characters.
    """
    try:
        table = tomllib.loads(text)
    except RecursionError as error:
        rule = f"valid TOML, nested at most {DEEPEST} deep"
        raise fault(invalid(what, path, rule)) from error
    except ValueError as error:  # of the text, or of a number too long to be read
        rule = f"valid TOML: {printable(str(error))}"
        raise fault(invalid(what, path, rule)) from error
    _require_plain(table, path, what, fault, is_ours=False)
    return table


def read_json(
    path: Path, what: str, rule: str, fault: Fault = InputError, *, most: int = LARGEST_JSON
) -> dict[str, Any]:
    """Return the table in a JSON file: `read_bytes`, then `json_of`."""
    return json_of(read_bytes(path, what, fault, most=most), path, what, rule, fault)


def json_of(
    content: bytes | str, where: object, what: str, rule: str, fault: Fault = InputError
) -> dict[str, Any]:
    """Return the table that a text in JSON holds.

    Parameters
    ----------
    content : bytes or str
        The text.
    where : object
        The file that it is from, for the message.
    what, rule : str
        What that is to the user, and what it must be.
    fault : type of BafflelensError
        What is raised.

    Raises
    ------
    BafflelensError
        If it is no table in JSON, lies too deep, or holds whole numbers of more than 64 bits or
        halves of characters.
    """
    try:
        table = json.loads(content)
    except RecursionError as error:
        rule = f"{rule} (nested at most {DEEPEST} deep)"
        raise fault(invalid(what, where, rule)) from error
    except ValueError as error:
        raise fault(invalid(what, where, f"{rule} ({printable(str(error))})")) from error
    _require_plain(table, where, what, fault, is_ours=True)
    if not isinstance(table, dict):
        raise fault(invalid(what, where, f"{rule} (it holds no table)"))
    return table


def checked(
    kind: type[_Kind],
    content: object,
    where: object,
    what: str,
    rule: str,
    fault: Fault = InputError,
) -> _Kind:
    """Return what a table of a file says as the dataclass that it should be.

    Raises
    ------
    BafflelensError
        If a key is missing or unknown, or a value is of another kind.
    """
    from pydantic import ValidationError  # slow to load

    try:
        return cast(_Kind, _checker(cast(Hashable, kind)).validate_python(content))
    except (ValidationError, RecursionError) as error:
        raise fault(invalid(what, where, f"{rule} ({first_fault(error)})")) from error


@cache
def _checker(kind: Hashable) -> TypeAdapter[Any]:
    """Return what checks tables of a kind; to make it takes as long as to check hundreds."""
    from pydantic import TypeAdapter  # slow to load

    return TypeAdapter(cast(Any, kind))


def first_fault(error: Exception) -> str:
    """Return the first fault that a model found, in a few words."""
    from pydantic import ValidationError  # slow to load

    if not isinstance(error, ValidationError):
        return "nested too deep"
    found = error.errors(include_url=False, include_context=False)[0]
    place = shown_text(".".join(str(part) for part in found["loc"]))
    return f"{place}: {found['msg']}" if place else found["msg"]


def is_file(path: Path) -> bool:
    """Tell whether a file is there; a name that no file can have is none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def file_beside(folder: Path, name: str, *, in_folders: bool = False) -> Path | None:
    """Return the path of a file that another one names, None if the name leads elsewhere.

    Parameters
    ----------
    folder : Path
        Folder of the file that names it.
    name : str
        The name, with / between folders.
    in_folders : bool
        Whether it may lie in a folder below.
    """
    parts = PurePosixPath(name).parts
    is_plain = (
        0 < len(parts) <= (DEEPEST if in_folders else 1)
        and not name.startswith("/")
        and ".." not in parts
        and "\\" not in name
        and not has_control(name)
        and all(len(part.encode()) <= LONGEST_NAME for part in parts)
    )
    if not is_plain:
        return None
    path = folder / name
    # A link may lead away although its name does not.
    return path if path.resolve().is_relative_to(folder.resolve()) else None


def _require_plain(
    table: dict[str, Any], where: object, what: str, fault: Fault, *, is_ours: bool
) -> None:
    """Raise unless every value of a table can be worked with: depth, size, characters."""
    left: list[tuple[object, str, int]] = [(table, "", 1)]
    while left:
        value, name, depth = left.pop()
        if isinstance(value, dict | list) and depth > DEEPEST:
            rule = f"tables and lists nested at most {DEEPEST} deep"
            msg = f"{where}: {invalid(f'key {_quoted(name)}', 'deeper', rule)}"
            raise fault(msg)
        if isinstance(value, dict):
            for key, below in value.items():
                inner = f"{name}.{key}" if name else str(key)
                if len(key) > LONGEST_NAME or not _is_plain(key, is_ours=False):
                    rule = f"at most {LONGEST_NAME} characters without control characters"
                    msg = f"{where}: {invalid('name of a key', shown_text(key), rule)}"
                    raise fault(msg)
                left.append((below, inner, depth + 1))
        elif isinstance(value, list):
            left += [(below, name, depth + 1) for below in value]
        elif isinstance(value, int) and value.bit_length() > _WHOLE_BITS:
            rule = "a whole number of at most 64 bits"
            msg = f"{where}: {invalid(f'key {_quoted(name)}', shown_text(value), rule)}"
            raise fault(msg)
        elif isinstance(value, str) and not _is_plain(value, is_ours=is_ours):
            rule = f"text of at most {LONGEST_TEXT} characters without control characters"
            msg = f"{where}: {invalid(f'key {_quoted(name)}', shown_text(value), rule)}"
            raise fault(msg)


def _is_plain(text: str, *, is_ours: bool) -> bool:
    """Tell whether a text may be passed on; what the program wrote itself may be long."""
    if is_ours:
        return not _SURROGATE.search(text)
    return len(text) <= LONGEST_TEXT and not has_control(text)


def _quoted(name: str) -> str:
    return f"'{shown_text(name)}'"
