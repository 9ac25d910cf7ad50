# SPDX-License-Identifier: GPL-3.0-or-later
"""Small embedded databases: opened, checked and closed alike, with one clear line if not."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from bafflelens.base.errors import StoreError, invalid

_BUSY_S: Final = 10.0


def connect(
    path: Path, what: str, version: int, schema: str, *, write_ahead: bool = False
) -> sqlite3.Connection:
    """Open a database for reading and writing, made if it is missing.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it is called in messages, such as ``queue``.
    version : int
        Version of its content.
    schema : str
        SQL that makes the tables of a new one.
    write_ahead : bool
        Whether it is written so often that a log written ahead pays, in two files beside it.

    Raises
    ------
    StoreError
        If it cannot be written, is no database, or was made by a newer program; it is unchanged.
    """
    try:
        if path.exists():
            with closing(_to_read(path)) as database:
                _refuse_newer(database, path, what, version)
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
        database = sqlite3.connect(path, timeout=_BUSY_S)
        try:
            database.execute("PRAGMA auto_vacuum = INCREMENTAL")
            if write_ahead:
                database.execute("PRAGMA journal_mode = WAL")
                database.execute("PRAGMA synchronous = NORMAL")
            with database:
                database.execute("BEGIN IMMEDIATE")  # also shows that it can be written
                (found,) = database.execute("PRAGMA user_version").fetchone()
                if found == 0:
                    for statement in filter(str.strip, schema.split(";")):
                        database.execute(statement)
                    database.execute(f"PRAGMA user_version = {version}")
        except BaseException:
            database.close()
            raise
    except (sqlite3.Error, OSError) as error:
        raise StoreError(_unfit(path, what, error)) from error
    return database


@contextmanager
def reading(path: Path, what: str, version: int) -> Iterator[sqlite3.Connection]:
    """Open an existing database only to read, also in a folder that cannot be written.

    Raises
    ------
    StoreError
        If it is no database, or was made by a newer program.
    """
    try:
        with closing(_to_read(path)) as database:
            _refuse_newer(database, path, what, version)
            yield database
    except sqlite3.Error as error:
        raise StoreError(_unfit(path, what, error)) from error


@contextmanager
def said_clearly(path: Path, what: str) -> Iterator[None]:
    """Turn what a database refuses into one line."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(_unfit(path, what, error)) from error


def _refuse_newer(database: sqlite3.Connection, path: Path, what: str, version: int) -> None:
    (found,) = database.execute("PRAGMA user_version").fetchone()
    if found > version:
        rule = f"at most {version}, what this version of bafflelens knows: a newer one made it"
        raise StoreError(invalid(f"version of the {what} '{path}'", found, rule))


def _to_read(path: Path) -> sqlite3.Connection:
    """Open a database as it allows: what a killed program left half done needs writing."""
    address = path.absolute().as_uri()
    for mode in ("mode=rw", "mode=ro"):
        database = sqlite3.connect(f"{address}?{mode}", uri=True, timeout=_BUSY_S)
        try:
            database.execute("PRAGMA user_version")
        except sqlite3.OperationalError:
            database.close()
        else:
            return database
    # Where a log that was written ahead cannot be opened, nobody else can be writing either.
    return sqlite3.connect(f"{address}?immutable=1", uri=True)


def _unfit(path: Path, what: str, error: Exception) -> str:
    cause = getattr(error, "strerror", None) or error
    return invalid(what, path, f"a {what} of bafflelens in a folder that can be written ({cause})")
