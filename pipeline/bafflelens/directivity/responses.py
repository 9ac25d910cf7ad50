# SPDX-License-Identifier: GPL-3.0-or-later
"""Frequency responses in plain text: three columns, Hz, dB, degrees.

What such a file holds comes from the electrical world: its time factor is exp(+j omega t), so a
phase that falls with frequency is a delay. Values keep that sign here;
`bafflelens.base.conventions.from_electrical` turns them into the program's own.

The format: one frequency a line, rising; otherwise that of `bafflelens.base.number_table`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.number_table import NumberTable, read_number_table

FEWEST_ROWS: Final = 3

_COLUMNS: Final = ("frequency in Hz", "level in dB", "phase in degrees")
_HIGHEST_HZ: Final = 1e6
_HIGHEST_DB: Final = 300.0
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
        If it is no such file: one line with the file, its line and the rule.
    """
    table = read_number_table(
        path,
        "response file",
        _COLUMNS,
        fewest=FEWEST_ROWS,
        may_lack_last=level_only,
        most_faults=1,  # a measurement has dozens of files
    )
    frequency, level, phase = table.values.T
    _require_usual(table)
    if level_only:
        phase = np.zeros(len(phase))
    _require_degrees(level, phase, path)
    return Response(name=path.name, frequency_hz=frequency, level_db=level, phase_deg=phase)


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


def _require_usual(table: NumberTable) -> None:
    """Refuse frequencies that do not rise or are none of sound, and absurd levels."""
    frequency, level, _ = table.values.T
    before = np.concatenate(([0.0], frequency[:-1]))
    wrong = np.flatnonzero(
        ~(frequency > before) | (frequency > _HIGHEST_HZ) | (np.abs(level) > _HIGHEST_DB)
    )
    if not len(wrong):
        return
    row = int(wrong[0])
    hz, db, last = frequency[row], level[row], before[row]
    what, value = _COLUMNS[0], f"{hz:g}"
    if not 0 < hz <= _HIGHEST_HZ:
        rule = f"above 0 and at most {_HIGHEST_HZ:g} Hz"
    elif hz <= last:
        rule = f"above the frequency of the row before, {last:g} Hz: "
        rule += "it comes twice" if hz == last else "rows are sorted by frequency"
    else:
        what, value = _COLUMNS[1], f"{db:g}"
        rule = f"from -{_HIGHEST_DB:g} to {_HIGHEST_DB:g} dB"
    msg = f"{table.where(row)}: {invalid(what, value, rule)}"
    raise InputError(msg)


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
