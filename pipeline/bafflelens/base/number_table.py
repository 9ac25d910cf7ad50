# SPDX-License-Identifier: GPL-3.0-or-later
"""The door for tables of numbers in plain text: one row a line.

Columns are parted by blanks, tabs, semicolons or commas, numbers have decimal points. Lines that
begin with ``*``, ``#``, ``;``, ``"`` or ``//`` are remarks, and so is what follows a ``#``, and
so are lines of words before the first number.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import read_text, shown

MOST_ROWS: Final = 1_000_000
MOST_FAULTS: Final = 10

_REMARK: Final = re.compile(r'\s*([*#;"]|//)')
_FIRST_NUMBER: Final = re.compile(r"\s*[+-]?(\d|\.\d|nan\b|inf\b)", re.IGNORECASE)
_DECIMAL_COMMA: Final = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d+)?")
_PARTING: Final = re.compile(r"[\s,;]+")
_LONGEST_LINE: Final = 2000


@dataclass(frozen=True, eq=False)
class NumberTable:
    """What a table holds.

    Attributes
    ----------
    path : Path
        The file.
    values : (n_rows, n_columns) array
        Finite numbers; the columns' units, whoever asked for them knows.
    lines : (n_rows,) integer array
        Line of the file that each row stands on, counted from 1.
    """

    path: Path
    values: FloatArray
    lines: IntArray

    def where(self, row: int) -> str:
        """Return the place of a row, for a message."""
        return f"{self.path}, line {self.lines[row]}"


def read_number_table(
    path: Path,
    what: str,
    columns: Sequence[str],
    *,
    fewest: int = 1,
    may_lack_last: bool = False,
    most_faults: int = MOST_FAULTS,
) -> NumberTable:
    """Read a table of numbers.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it is to the user, for messages.
    columns : sequence of str
        What each column is, for messages.
    fewest : int
        Fewest rows.
    may_lack_last : bool
        Whether the last column may be left out; it is 0 then.
    most_faults : int
        How many faults are told; a file of the wrong kind would list each of its lines.

    Raises
    ------
    InputError
        With file, line, value and rule for every fault.
    """
    text = read_text(path, what)
    found = list(_lines(text))
    if len(found) > MOST_ROWS:
        raise InputError(invalid(what, path, f"a table of at most {MOST_ROWS} rows"))
    lines = np.array([number for number, _ in found], dtype=np.int64)
    values = _at_once([line for _, line in found], len(columns), may_lack_last=may_lack_last)
    if values is None:
        values, faults = _closely(found, path, columns, may_lack_last=may_lack_last)
        if faults:
            raise InputError(faults[:most_faults])
    if len(values) < fewest:
        rule = f"at least {'one row' if fewest == 1 else f'{fewest} rows'} of numbers: "
        rule += f"{', '.join(columns)}; it may be cut short"
        raise InputError(invalid(what, f"{path}' with '{len(values)} rows", rule))
    if not text.endswith(("\n", "\r")) and not _ends_whole([line for _, line in found]):
        rule = "as exact as the rows before: the file seems to be cut short"
        msg = f"{path}, line {found[-1][0]}: {invalid('row', shown(found[-1][1]), rule)}"
        raise InputError(msg)
    return NumberTable(path=path, values=values, lines=lines)


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Yield the lines that hold numbers, with their number counted from 1."""
    has_begun = False
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or _REMARK.match(line):
            continue
        if not has_begun and not _FIRST_NUMBER.match(line):
            continue  # the names of the columns
        has_begun = True
        yield number, line.partition("#")[0].strip()


def _at_once(lines: Sequence[str], n_columns: int, *, may_lack_last: bool) -> FloatArray | None:
    """Return the rows of a file that is as most are; None for all others.

    A measurement has hundreds of thousands of rows, and looking at each closely takes seconds.
    Whatever is unusual here is looked at closely, and told by its line.
    """
    if not lines or len(max(lines, key=len)) > _LONGEST_LINE:
        return None
    try:
        values = np.loadtxt(lines, ndmin=2, comments=None)
    except ValueError:
        return None
    if may_lack_last and values.shape[1] == n_columns - 1:
        values = np.column_stack((values, np.zeros(len(values))))
    is_usual = values.shape[1] == n_columns and bool(np.isfinite(values).all())
    return np.asarray(values) if is_usual else None


def _closely(
    found: Sequence[tuple[int, str]], path: Path, columns: Sequence[str], *, may_lack_last: bool
) -> tuple[FloatArray, list[str]]:
    """Return the rows of a file, each looked at closely, and the first faults."""
    rows: list[list[float]] = []
    faults: list[str] = []
    for number, line in found:
        row, fault = _row(line, columns, may_lack_last=may_lack_last)
        if fault:
            faults.append(f"{path}, line {number}: {fault}")
        else:
            rows.append(row)
        if len(faults) == MOST_FAULTS:
            break
    return np.array(rows, dtype=float).reshape(-1, len(columns)), faults


def _row(line: str, columns: Sequence[str], *, may_lack_last: bool) -> tuple[list[float], str]:
    """Return the numbers of a line, and what is wrong with it."""
    if len(line) > _LONGEST_LINE:
        return [], invalid("row", shown(line), f"at most {_LONGEST_LINE} characters")
    parted = [word for word in re.split(r"[\s;]+", line) if word]
    words = [word for word in _PARTING.split(line) if word]
    lacks_last = may_lack_last and len(columns) - 1 in (len(parted), len(words))
    has_commas = any(_DECIMAL_COMMA.fullmatch(word) for word in parted)
    if has_commas and len(parted) in (len(columns), len(columns) - lacks_last):
        return [], invalid("row", shown(line), "numbers with decimal points, not commas")
    if lacks_last and len(words) < len(columns):
        words.append("0")
    if len(words) != len(columns):
        rule = f"{len(columns)} numbers: {', '.join(columns)}; it has {len(words)}"
        if re.search(r"\d,\d", line) and len(words) == 2 * len(columns):
            rule = "numbers with decimal points, not commas"
        return [], invalid("row", shown(line), rule)
    values = []
    for word, column in zip(words, columns, strict=True):
        try:
            values.append(float(word))
        except ValueError:
            return [], invalid(column, shown(word), "a number")
        if not math.isfinite(values[-1]):
            return [], invalid(column, shown(word), "a finite number")
    return values, ""


def _ends_whole(lines: Sequence[str]) -> bool:
    """Tell whether a last line without an end looks like those before it.

    A file that a full disk cut off ends within a number, which then has fewer decimals than
    that column has in every other row.
    """
    decimals = [len(_PARTING.split(line)[-1].partition(".")[2]) for line in lines]
    return len(decimals) < 2 or decimals[-1] >= min(decimals[:-1])
