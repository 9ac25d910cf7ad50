# SPDX-License-Identifier: GPL-3.0-or-later
"""See and prune the cache of solved frequencies."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from bafflelens.commands.console import rough_duration, say
from bafflelens.commands.options import FINE, QueueFolder

if TYPE_CHECKING:
    from bafflelens.workers.caching.solved import Content

cache = App(name="cache", help="See and prune the cache of solved frequencies.")


@cache.default
def cache_show(*, folder: QueueFolder = Path("results")) -> int:
    """Say what the cache of solved frequencies holds."""
    from bafflelens.store import cache_path
    from bafflelens.workers.caching.solved import content_of

    _print_cache(cache_path(folder), content_of(cache_path(folder)))
    return FINE


@cache.command(name="prune")
def cache_prune(
    *,
    folder: QueueFolder = Path("results"),
    to_gib: Annotated[
        float, Parameter(help="Keep at most this much, in GiB; 0 empties it.")
    ] = 1.0,
    unused_days: Annotated[
        float | None, Parameter(help="Also remove what was not used for this many days.")
    ] = None,
) -> int:
    """Remove from the cache what has not been used for longest."""
    from bafflelens.store import cache_path
    from bafflelens.workers.caching.solved import prune

    path = cache_path(folder)
    _print_cache(path, prune(path, to_gib=to_gib, older_than_days=unused_days))
    return FINE


def _print_cache(path: Path, content: Content) -> None:
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(content.counts.items()))
    say(f"{path}: {content.size_bytes / 2**30:.3f} GiB, {kinds or 'empty'}")
    if kinds:
        say(f"longest unused: {rough_duration(max(time.time() - content.oldest_use, 0.0))}")
