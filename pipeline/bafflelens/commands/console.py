# SPDX-License-Identifier: GPL-3.0-or-later
"""What is printed, and how: lines, tables, progress. No other module prints."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from rich.box import SIMPLE
from rich.console import Console, RenderableType
from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as RichProgress
from rich.style import StyleType
from rich.table import Table
from rich.text import Text

from bafflelens.base.reading import printable

if TYPE_CHECKING:
    from bafflelens.base.progress import Advance

_PIPE_WIDTH: Final = 200  # columns of a table that no terminal shows


def say(text: str) -> None:
    """Print one line, however long."""
    _say_on(_out(), text)


def show(table: Table) -> None:
    """Print a table, as wide as the terminal or as a line of a file may be."""
    _out().print(table)


def complain(lines: Sequence[str]) -> None:
    """Print lines where errors go."""
    for line in lines:
        print(printable(line), file=sys.stderr)


class PlainTable(Table):
    """A table whose words are what they are: brackets are no colours, escapes move nothing."""

    def add_row(
        self,
        *cells: RenderableType | None,
        style: StyleType | None = None,
        end_section: bool = False,
    ) -> None:
        """Add a row; see rich."""
        plain = [Text(printable(cell)) if isinstance(cell, str) else cell for cell in cells]
        super().add_row(*plain, style=style, end_section=end_section)


def new_table(title: str, *columns: str) -> Table:
    """Return a table without rows: columns of words flush left, of numbers flush right."""
    table = PlainTable(title=Text(title), title_justify="left", box=SIMPLE)
    for name in columns:
        table.add_column(
            Text(printable(name)),
            justify="left" if name in ("shape", "bounce", "dominated by") else "right",
            overflow="fold",
        )
    return table


def decibels(value: float, *, signed: bool = False) -> str:
    """Return a level as text, a dash if it is not known."""
    return "-" if math.isnan(value) else f"{value:{'+' if signed else ''}.2f}"


def duration(seconds: float) -> str:
    """Return a time as a person would say it.

    Examples
    --------
    >>> duration(48.0), duration(200.0), duration(9000.0)
    ('48 s', '3.3 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"


class ConsoleProgress:
    """A bar with the time left on a terminal, plain lines elsewhere."""

    def __init__(self) -> None:
        width = None if sys.stderr.isatty() else _PIPE_WIDTH
        self._console = Console(stderr=True, width=width)

    def say(self, text: str) -> None:
        """Print one line."""
        _say_on(self._console, text)

    @contextmanager
    def bar(self, total: float, label: str = "meshing and solving") -> Iterator[Advance]:
        """Draw a bar while work of a given total is done."""
        bar = RichProgress(
            TextColumn(label),
            BarColumn(),
            TaskProgressColumn(),
            TimeRemainingColumn(),
            TextColumn("left"),
            console=self._console,
            disable=not self._console.is_terminal,
            transient=True,
        )
        started = time.monotonic()
        done = 0.0
        task = bar.add_task("", total=total)

        def advance(amount: float, text: str = "") -> None:
            nonlocal done
            done += amount
            bar.advance(task, amount)
            if text and self._console.is_terminal:
                self.say(text)
            elif text:
                left_s = (time.monotonic() - started) * max(total - done, 0.0) / max(done, 1e-9)
                self.say(f"{done / total:4.0%}  {text}, {duration(left_s)} left")

        with bar:
            yield advance


def _out() -> Console:
    return Console(width=None if sys.stdout.isatty() else _PIPE_WIDTH)


def _say_on(console: Console, text: str) -> None:
    console.print(printable(text), soft_wrap=True, markup=False, highlight=False)
