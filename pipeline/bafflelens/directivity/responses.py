# SPDX-License-Identifier: GPL-3.0-or-later
"""Frequency responses in plain text: three columns, Hz, dB, degrees.

What such a file holds comes from the electrical world: its time factor is exp(+j omega t), so a
phase that falls with frequency is a delay. Values keep that sign here;
`bafflelens.base.conventions.from_electrical` turns them into the program's own.

The format: one frequency a line, rising; columns parted by blanks, tabs, commas or semicolons;
decimal points; lines that begin with ``*``, ``#``, ``;``, ``"`` or ``//`` are remarks, and so
are lines of words before the first number.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NoReturn

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid

FEWEST_ROWS: Final = 3

_REMARK: Final = re.compile(r'\s*([*#;"]|//)')
_FIRST_NUMBER: Final = re.compile(r"\s*[+-]?(\d|\.\d|nan\b|inf\b)", re.IGNORECASE)
_DECIMAL_COMMA: Final = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d+)?")
_COLUMNS: Final = ("frequency in Hz", "level in dB", "phase in degrees")
_HIGHEST_HZ: Final = 1e6
_HIGHEST_DB: Final = 300.0
_LONGEST_TEXT_SHOWN: Final = 40
_LEVEL_THAT_MOVES_PHASE_DB: Final = 6.0
_LONGEST_DELAY_S: Final = 0.01
_WRAP_RAD: Final = 5.0  # a wrapped phase jumps by nearly 2 pi


@dataclass(frozen=True, kw_only=True, eq=False)
class Response:
    """A complex frequency response as a file holds it, for exp(+j omega t).

    Attributes
    ----------
    name : str
        Where it comes from, for people.
    frequency_hz : (n,) array
        Rising, in Hz.
    level_db : (n,) array
        Level in dB; what 0 dB is, the reader of the file knows.
    phase_deg : (n,) array
        Phase in degrees, wrapped or not.
    """

    name: str
    frequency_hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray

    @property
    def band_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency, in Hz."""
        return float(self.frequency_hz[0]), float(self.frequency_hz[-1])

    def covers(self, frequency_hz: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Return which frequencies lie in its band; a thousandth counts as rounding."""
        frequency = np.asarray(frequency_hz, dtype=float)
        low, high = self.band_hz
        return np.asarray((frequency >= low * 0.999) & (frequency <= high * 1.001))

    def at(self, frequency_hz: FloatArray, *, delay_s: float = 0.0) -> ComplexArray:
        """Return the complex value at frequencies, for exp(+j omega t).

        Between its points the level is straight over log f, the phase straight over f. Outside
        its band the level of the end is held, and so is the phase but for `delay_s`.

        Parameters
        ----------
        frequency_hz : (n,) array
            Frequencies in Hz.
        delay_s : float
            A delay that is known to be in the phase, in s, such as the flight time to a
            microphone. It is taken out before the phase is interpolated and put back after, so
            that the phase need not be followed over many turns between two points.
        """
        frequency = np.asarray(frequency_hz, dtype=float)
        rest_deg = self.phase_deg + 360 * self.frequency_hz * delay_s
        unwrapped = np.unwrap(rest_deg, period=360)
        level = np.interp(np.log(frequency), np.log(self.frequency_hz), self.level_db)
        phase_deg = np.interp(frequency, self.frequency_hz, unwrapped) - 360 * frequency * delay_s
        return np.asarray(10 ** (level / 20) * np.exp(1j * np.radians(phase_deg)))

    def excess_delay_s(self, delay_s: float) -> float:
        """Return the delay that is left in the phase after `delay_s`, in s.

        The delay within +-10 ms that lines up the phases best, looked for over the upper two
        octaves of the band, where a driver's own phase is nearly that of a delay. It needs no
        points so close that the phase could be followed from one to the next.
        """
        used = self.frequency_hz >= self.frequency_hz[-1] / 4
        frequency = self.frequency_hz[used]
        phase = np.radians(self.phase_deg[used]) + 2 * np.pi * frequency * delay_s
        step_s = 1 / (8 * frequency[-1])
        tried_s = np.arange(-_LONGEST_DELAY_S, _LONGEST_DELAY_S, step_s)
        sums = [abs(np.exp(1j * (phase + 2 * np.pi * frequency * t)).sum()) for t in tried_s]
        good = tried_s[np.array(sums) >= 0.999 * max(sums)]  # equal steps in Hz leave several
        return float(good[np.argmin(np.abs(good))])


def read_response(path: Path, *, level_only: bool = False) -> Response:
    """Read a three-column text file: Hz, dB, degrees.

    Parameters
    ----------
    path : Path
        The file.
    level_only : bool
        The phase is not wanted: it is 0, and its column may be left out.

    Raises
    ------
    InputError
        If it is no such file: one line with the file, the row and the rule.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        rule = f"a text file that can be read ({error.strerror})"
        raise InputError(invalid("response file", path, rule)) from error
    except UnicodeDecodeError as error:
        rule = f"text in UTF-8 (byte {error.start} is not)"
        raise InputError(invalid("response file", path, rule)) from error
    table = _plain_table(text, level_only=level_only)
    if table is None:
        table = _closely_read(text, path, level_only=level_only)
    if len(table) < FEWEST_ROWS:
        rule = f"a file with at least {FEWEST_ROWS} rows of numbers; it may be cut short"
        raise InputError(invalid("response file", f"{path}' with '{len(table)} rows", rule))
    if not text.endswith(("\n", "\r")) and not _is_whole(text, len(table)):
        number, last = len(text.splitlines()), text.splitlines()[-1].strip()
        rule = "as exact as the rows before: the file seems to be cut short"
        msg = f"{path}, row {number}: {invalid('row', last, rule)}"
        raise InputError(msg)
    if level_only:
        table[:, 2] = 0.0
    _require_degrees(table[:, 1], table[:, 2], path)
    return Response(
        name=path.name, frequency_hz=table[:, 0], level_db=table[:, 1], phase_deg=table[:, 2]
    )


def write_response(response: Response, path: Path, remark: str) -> None:
    """Write a response as a three-column text file that `read_response` reads.

    Parameters
    ----------
    response : Response
        What to write.
    path : Path
        The file.
    remark : str
        What it is; one line or more, written in front.
    """
    path.write_text(response_text(response, remark), encoding="utf-8")


def response_text(
    response: Response, remark: str, *, digits: int = 6, level_unit: str = "dB"
) -> str:
    """Return a response as the text of a file that `read_response` reads.

    Parameters
    ----------
    response : Response
        What to write.
    remark : str
        What it is; one line or more, written in front.
    digits : int
        Decimals of each number.
    level_unit : str
        Name of the column of levels, with what 0 dB is.
    """
    heads = ["# Hz " + level_unit + " degrees"]
    lines = [f"# {line}" for line in remark.splitlines()] + heads
    lines += [
        f"{frequency:.{digits}f} {level:.{digits}f} {phase:.{digits}f}"
        for frequency, level, phase in zip(
            response.frequency_hz, response.level_db, response.phase_deg, strict=True
        )
    ]
    return "\n".join(lines) + "\n"


def _closely_read(text: str, path: Path, *, level_only: bool) -> FloatArray:
    """Return the rows of a file, each looked at closely."""
    rows: list[tuple[float, float, float]] = []
    for number, line in _data_lines(text, path):
        row = _numbers(line, f"{path}, row {number}", level_only=level_only)
        if rows and row[0] <= rows[-1][0]:
            is_same = row[0] == rows[-1][0]
            rule = f"above the frequency of the row before, {rows[-1][0]:g} Hz" + (
                ": it comes twice" if is_same else ": rows are sorted by frequency"
            )
            _refuse(f"{path}, row {number}", "frequency in Hz", f"{row[0]:g}", rule)
        rows.append(row)
    return np.array(rows).reshape(-1, len(_COLUMNS))


def _data_lines(text: str, path: Path) -> Iterator[tuple[int, str]]:
    """Yield the lines that hold numbers, with their number counted from 1."""
    has_begun = False
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or _REMARK.match(line):
            continue
        if not has_begun and not _FIRST_NUMBER.match(line):
            continue  # the names of the columns
        if "\0" in line:
            raise InputError(invalid("response file", path, "plain text, not binary data"))
        has_begun = True
        yield number, line.strip()


def _numbers(line: str, where: str, *, level_only: bool = False) -> tuple[float, float, float]:
    """Return the three numbers of a line; a phase that is not there is 0."""
    words = [word for word in re.split(r"[\s;]+", line) if word]
    if level_only and len(words) == len(_COLUMNS) - 1:
        words, line = [*words, "0"], f"{line} 0"
    if any(_DECIMAL_COMMA.fullmatch(word) for word in words) and (len(words) == len(_COLUMNS)):
        rule = "numbers with decimal points, not commas"
        msg = f"{where}: {invalid('row', _shown(line), rule)}"
        raise InputError(msg)
    words = [word for word in re.split(r"[\s;,]+", line) if word]
    if len(words) != len(_COLUMNS):
        if re.search(r"\d,\d", line) and len(words) == 2 * len(_COLUMNS):
            rule = "numbers with decimal points, not commas"
        else:
            rule = f"three columns, Hz, dB and degrees; it has {len(words)}"
        msg = f"{where}: {invalid('row', _shown(line), rule)}"
        raise InputError(msg)
    values = []
    for word, column in zip(words, _COLUMNS, strict=True):
        try:
            value = float(word)
        except ValueError:
            _refuse(where, column, _shown(word), "a number")
        if not math.isfinite(value):
            _refuse(where, column, word, "a finite number")
        values.append(value)
    frequency, level, phase = values
    if not 0 < frequency <= _HIGHEST_HZ:
        _refuse(where, _COLUMNS[0], f"{frequency:g}", f"above 0 and at most {_HIGHEST_HZ:g} Hz")
    if abs(level) > _HIGHEST_DB:
        _refuse(where, _COLUMNS[1], f"{level:g}", f"from -{_HIGHEST_DB:g} to {_HIGHEST_DB:g} dB")
    return frequency, level, phase


def _plain_table(text: str, *, level_only: bool) -> FloatArray | None:
    """Return the rows of a file that is as most are, at once; None for all others.

    A measurement has hundreds of thousands of rows, and looking at each closely takes seconds.
    Whatever is unusual here is looked at closely, and told by its row.
    """
    lines = [line for line in text.splitlines() if line.strip() and not _REMARK.match(line)]
    first = next((i for i, line in enumerate(lines) if _FIRST_NUMBER.match(line)), len(lines))
    try:
        table = np.loadtxt(lines[first:], ndmin=2, comments=None) if lines[first:] else None
    except ValueError:
        return None
    if table is not None and level_only and table.shape[1] == len(_COLUMNS) - 1:
        table = np.column_stack((table, np.zeros(len(table))))
    if table is None or table.shape[1] != len(_COLUMNS) or not np.isfinite(table).all():
        return None
    frequency, level, _ = table.T
    is_usual = (
        frequency[0] > 0
        and frequency[-1] <= _HIGHEST_HZ
        and bool((np.diff(frequency) > 0).all())
        and np.abs(level).max() <= _HIGHEST_DB
    )
    return np.asarray(table) if is_usual else None


def _is_whole(text: str, n_rows: int) -> bool:
    """Tell whether a last line without an end looks like those before it.

    A file that a full disk cut off ends within a number, which then has fewer decimals than
    that column has in every other row.
    """
    lines = [line.strip() for line in text.splitlines() if line.strip()][-n_rows:]
    decimals = [len(re.split(r"[\s;,]+", line)[-1].partition(".")[2]) for line in lines]
    return decimals[-1] >= min(decimals[:-1])


def _require_degrees(level: FloatArray, phase: FloatArray, path: Path) -> None:
    """Refuse a phase that stays within +-pi where degrees could not: it is in radians.

    Either it jumps there, as a wrapped phase does, or the level changes by so much that the
    phase of any network or driver must move by more than 3 degrees.
    """
    if np.abs(phase).max() > np.pi * 1.0001 or np.ptp(phase) == 0:
        return
    jumps = np.abs(np.diff(phase)).max() > _WRAP_RAD
    if jumps or np.ptp(level) > _LEVEL_THAT_MOVES_PHASE_DB:
        value = f"{phase.min():.3f} to {phase.max():.3f}"
        rule = "in degrees: it stays within 3.1416 of zero, as radians do"
        msg = f"{path}: {invalid('phase column', value, rule)}"
        raise InputError(msg)


def _refuse(where: str, what: str, value: str, rule: str) -> NoReturn:
    msg = f"{where}: {invalid(what, value, rule)}"
    raise InputError(msg)


def _shown(text: str) -> str:
    return text if len(text) <= _LONGEST_TEXT_SHOWN else text[:_LONGEST_TEXT_SHOWN] + "..."
