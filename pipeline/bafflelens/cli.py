# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: its verbs, and what becomes of errors; with ``commands/`` all that prints.

Exit codes: 0 all is well, 1 the run has failures, 2 the input is wrong, 70 an error of the program
itself, 130 stopped by Ctrl-C, 143 by SIGTERM.
"""

from __future__ import annotations

import atexit
import gc
import sys
import tempfile
import traceback
from collections.abc import Sequence

from cyclopts import App, CycloptsError

from bafflelens.base.errors import BafflelensError, InputError, StoreError
from bafflelens.base.reading import shown_text
from bafflelens.base.signals import Terminated
from bafflelens.commands.beginning import new
from bafflelens.commands.cache import cache
from bafflelens.commands.carving import carve
from bafflelens.commands.clay import clay_map, compare, export, measure_plan, scan
from bafflelens.commands.console import complain
from bafflelens.commands.crossover import crossover
from bafflelens.commands.handoff import handoff, inspect, verify
from bafflelens.commands.listening import listen
from bafflelens.commands.live import live
from bafflelens.commands.options import (
    FINE,
    HAS_FAILURES,
    INTERRUPTED,
    TERMINATED,
    UNEXPECTED,
    WRONG_INPUT,
)
from bafflelens.commands.queue import queue
from bafflelens.commands.results import curves, note, rank, report, tolerances
from bafflelens.commands.running import check, resume, run, status
from bafflelens.commands.shapes import draw, faces, shapes, target

atexit.register(gc.freeze)  # else what the system frees at once is looked through for cycles

app = App(
    name="bafflelens",
    help="Find, rank and trust tweeter lens and baffle shapes.",
    version_flags=["--version"],
    result_action="return_value",
    suppress_keyboard_interrupt=False,
)
for verb in (
    *(new, check, run, resume, status, queue, cache),
    *(rank, note, report, curves, tolerances, crossover, carve),
    *(draw, shapes, target, faces),
    *(scan, clay_map, measure_plan, compare, export),
    *(handoff, verify, inspect),
    *(listen, live),
):
    app.command(verb)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after ``bafflelens``; those of the process by default.
    """
    try:
        code = app(
            sys.argv[1:] if arguments is None else list(arguments),
            exit_on_error=False,
            print_error=False,
        )
    except CycloptsError as error:
        complain(str(error).splitlines())
        return WRONG_INPUT
    except InputError as error:
        complain(error.faults)
        return WRONG_INPUT
    except StoreError as error:
        complain([str(error)])
        return WRONG_INPUT
    except BafflelensError as error:
        complain(str(error).splitlines())
        return HAS_FAILURES
    except Terminated as signal:
        complain([f"stopped by {signal}"])
        return TERMINATED
    except KeyboardInterrupt:
        complain(["stopped by Ctrl-C"])
        return INTERRUPTED
    except Exception as error:
        complain([_unexpected(error)])
        return UNEXPECTED
    return code if isinstance(code, int) else FINE


def _unexpected(error: Exception) -> str:
    """Write down an error that nobody foresaw; return one line that says where."""
    details = "".join(traceback.format_exception(error))
    said = f"Unexpected error: {type(error).__name__}: {shown_text(error)}"
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="bafflelens_error_", suffix=".txt", delete=False, errors="replace"
        ) as stream:
            stream.write(details)
    except OSError:
        return f"{said}\n{details}"  # nowhere to write: better here than lost
    return f"{said}. What was solved is kept; the details are in {stream.name}"
