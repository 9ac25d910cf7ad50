# SPDX-License-Identifier: GPL-3.0-or-later
"""The cache on disk: one database that all runs of a results folder share.

Every entry carries a checksum. One that does not fit its checksum is removed and counts as
missing; a file that is no database any more is removed whole. Neither ever stops a run: all that
is lost is time.
"""

from __future__ import annotations

import hashlib
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bafflelens.base.errors import InputError, StoreError, invalid
from bafflelens.base.sqlite_file import connect, reading, said_clearly
from bafflelens.workers.memory_limit import GIB

CACHE_VERSION: Final = 1
DEFAULT_LIMIT_GIB: Final = 10.0

MESHES: Final = "meshes"
FREQUENCY: Final = "frequencies"

_WHAT: Final = "cache"
_PRUNED_TO: Final = 0.9  # of the limit, so that not every entry prunes
_FLUSH_BYTES: Final = 4 * 2**20
_FLUSH_S: Final = 0.2
_SCHEMA: Final = """
CREATE TABLE entries (
    key BLOB PRIMARY KEY,
    kind TEXT NOT NULL,
    size INTEGER NOT NULL,
    used REAL NOT NULL,
    checksum BLOB NOT NULL,
    content BLOB NOT NULL
);
CREATE INDEX entries_by_use ON entries (used, size)
"""


@dataclass(frozen=True, kw_only=True)
class CacheSettings:
    """Where solved frequencies are kept, and how much of them.

    Attributes
    ----------
    path : Path
        The file.
    limit_gib : float
        Its largest size, in GiB.
    """

    path: Path
    limit_gib: float = DEFAULT_LIMIT_GIB

    @property
    def limit_bytes(self) -> float:
        """Largest size in bytes."""
        return self.limit_gib * GIB


@dataclass(frozen=True, kw_only=True)
class Content:
    """What a cache holds.

    Attributes
    ----------
    counts : mapping of str to int
        Entries of each kind.
    size_bytes : int
        All of them.
    oldest_use : float
        When the one that has not been used for longest was used, in s since 1970; NaN if empty.
    """

    counts: dict[str, int]
    size_bytes: int
    oldest_use: float


class SolvedCache:
    """An open cache; made with `open_cache`."""

    def __init__(
        self, database: sqlite3.Connection, settings: CacheSettings, say: Callable[[str], None]
    ) -> None:
        self._database: sqlite3.Connection | None = database
        self._settings = settings
        self._say = say
        self._new: dict[bytes, tuple[str, bytes]] = {}
        self._new_bytes = 0
        self._used: set[bytes] = set()
        self._flushed_at = time.monotonic()
        self._size = _size(database, settings.path)

    def has(self, key: bytes) -> bool:
        """Tell whether there is an entry; it may still turn out to be damaged."""
        if key in self._new:
            return True
        with self._careful() as database:
            if database is not None:
                query = "SELECT 1 FROM entries WHERE key = ?"
                return database.execute(query, (key,)).fetchone() is not None
        return False

    def get(self, key: bytes) -> bytes | None:
        """Return an entry; None if there is none, or it is damaged."""
        if key in self._new:
            return self._new[key][1]
        with self._careful() as database:
            if database is None:
                return None
            query = "SELECT checksum, content FROM entries WHERE key = ?"
            row = database.execute(query, (key,)).fetchone()
            if row is None:
                return None
            if row[0] == _checksum(key, row[1]):
                self._used.add(key)
                return bytes(row[1])
            self.forget(key)
        return None

    def forget(self, key: bytes) -> None:
        """Remove an entry that turned out to be damaged, and say so."""
        self._new.pop(key, None)
        with self._careful() as database:
            if database is not None:
                with database:
                    database.execute("DELETE FROM entries WHERE key = ?", (key,))
                self._say("note: a damaged entry of the cache was removed; it is solved again")

    def put(self, key: bytes, kind: str, content: bytes) -> None:
        """Keep an entry; it is on disk a little later."""
        self._new[key] = (kind, content)
        self._new_bytes += len(content)  # what a kill before `flush` loses is made again
        if self._new_bytes > _FLUSH_BYTES or time.monotonic() - self._flushed_at > _FLUSH_S:
            self.flush()

    def flush(self) -> None:
        """Write what was put, note what was used, and prune to the limit."""
        now = time.time()
        rows = [
            (key, kind, len(content), now, _checksum(key, content), content)
            for key, (kind, content) in self._new.items()
        ]
        with self._careful() as database:
            if database is not None and (rows or self._used):
                with database:
                    database.executemany(
                        "INSERT OR REPLACE INTO entries VALUES (?,?,?,?,?,?)", rows
                    )
                    database.executemany(
                        "UPDATE entries SET used = ? WHERE key = ?",
                        [(now, key) for key in self._used],
                    )
                self._size += self._new_bytes
                if self._size > self._settings.limit_bytes:
                    limit_bytes = _PRUNED_TO * self._settings.limit_bytes
                    self._size = _prune_to(database, self._size, limit_bytes)
        self._new.clear()
        self._used.clear()
        self._new_bytes = 0
        self._flushed_at = time.monotonic()

    @contextmanager
    def _careful(self) -> Iterator[sqlite3.Connection | None]:
        """Give the database; what goes wrong there ends the use of the cache, not the run."""
        try:
            yield self._database
        except (sqlite3.Error, OSError) as error:
            self._say(f"note: the cache is left alone from here on ({error})")
            if self._database is not None:
                with suppress(sqlite3.Error):
                    self._database.close()
            self._database = None
            if _is_damage(error):
                _remove(self._settings.path)

    def close(self) -> None:
        """Write the rest."""
        self.flush()
        if self._database is not None:
            self._database.close()


@contextmanager
def open_cache(settings: CacheSettings, say: Callable[[str], None]) -> Iterator[SolvedCache]:
    """Open a cache, made if it is missing, and close it in the end.

    Raises
    ------
    StoreError
        If a newer program made it, or it cannot be written.
    """
    try:
        cache = SolvedCache(_connect(settings.path), settings, say)
    except StoreError as error:
        if not _is_damage(error.__cause__):
            raise
        _remove(settings.path)
        say("note: the cache was damaged and is begun anew")
        cache = SolvedCache(_connect(settings.path), settings, say)
    try:
        yield cache
    finally:
        cache.close()


def content_of(path: Path) -> Content:
    """Return what a cache holds; an empty one if there is none.

    Raises
    ------
    StoreError
        If it is damaged, or a newer program made it.
    """
    if not path.exists():
        return Content(counts={}, size_bytes=0, oldest_use=float("nan"))
    with reading(path, _WHAT, CACHE_VERSION) as database:
        counts = dict(database.execute("SELECT kind, COUNT(*) FROM entries GROUP BY kind"))
        size, oldest = database.execute(
            "SELECT COALESCE(SUM(size), 0), MIN(used) FROM entries"
        ).fetchone()
    return Content(
        counts=counts,
        size_bytes=size,
        oldest_use=float("nan") if oldest is None else oldest,
    )


def prune(path: Path, *, to_gib: float, older_than_days: float | None = None) -> Content:
    """Remove what has not been used for longest.

    Parameters
    ----------
    path : Path
        The cache.
    to_gib : float
        How much may stay, in GiB.
    older_than_days : float, optional
        Remove also what has not been used for so many days.

    Returns
    -------
    Content
        What is left.

    Raises
    ------
    InputError
        If a number is negative.
    StoreError
        If the cache cannot be written, is damaged, or a newer program made it.
    """
    for name, value in (("--to-gib", to_gib), ("--unused-days", older_than_days)):
        if value is not None and not value >= 0:
            raise InputError(invalid(f"option '{name}'", value, "a number of at least 0"))
    if path.exists():
        with closing(_connect(path)) as database:
            if older_than_days is not None:
                before = time.time() - older_than_days * 86400
                with database:
                    database.execute("DELETE FROM entries WHERE used < ?", (before,))
            with said_clearly(path, _WHAT):
                _prune_to(database, _size(database, path), to_gib * GIB)
                database.execute("VACUUM")
    return content_of(path)


def _connect(path: Path) -> sqlite3.Connection:
    return connect(path, _WHAT, CACHE_VERSION, _SCHEMA, write_ahead=True)


def _size(database: sqlite3.Connection, path: Path) -> int:
    with said_clearly(path, _WHAT):
        (found,) = database.execute("SELECT COALESCE(SUM(size), 0) FROM entries").fetchone()
    return int(found)


def _prune_to(database: sqlite3.Connection, size_bytes: int, limit_bytes: float) -> int:
    """Remove the entries that have not been used for longest, until the rest fits.

    Returns
    -------
    int
        Size of the rest in bytes.
    """
    with database:
        while size_bytes > limit_bytes:
            oldest = database.execute(
                "SELECT rowid, size FROM entries ORDER BY used LIMIT 500"
            ).fetchall()
            if not oldest:
                break
            for row, size in oldest:
                if size_bytes <= limit_bytes:
                    break
                database.execute("DELETE FROM entries WHERE rowid = ?", (row,))
                size_bytes -= size
    database.execute("PRAGMA incremental_vacuum").fetchall()
    return size_bytes


def _checksum(key: bytes, content: bytes) -> bytes:
    return hashlib.blake2b(content, key=key, digest_size=16).digest()


def _is_damage(error: BaseException | None) -> bool:
    """Tell a damaged file from a full disk, a lock that is held, or missing rights."""
    return isinstance(error, sqlite3.DatabaseError) and not isinstance(
        error, sqlite3.OperationalError
    )


def _remove(path: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
