# SPDX-License-Identifier: GPL-3.0-or-later
"""How long the live page's parts wait, in s, and how often they look; in one place."""

from __future__ import annotations

from typing import Final

SETTLE_S: Final = 0.1
"""So long must a dimension rest before it is solved: a key held down repeats sooner."""
FULL_SETTLE_S: Final = 2.0
"""So long before the full band is begun, from when the draft is there."""
LOOKING_S: Final = 1.0
"""So long nothing is asked before a neighbour is solved: who moves again soon waits for none."""
FIRST_PAGE_S: Final = 3.0
"""So long is a first page waited for, before workers take its processor."""
GIVING_WAY_S: Final = 0.5
"""So long at most is loading put off for a move that waits for its answer."""
ENDING_S: Final = 5.0
"""So long at most is the end of the work waited for: less than the time that SIGTERM leaves."""
STATE_EVERY_S: Final = 2.0
"""So often is a page told how far a run is that goes on in another process."""
RULES_AFTER_S: Final = 0.3
"""So long after a move's answer follow the rules along each dimension, unless it moves again."""

LOOK_SOON_S: Final = 0.02
LOOK_S: Final = 0.1
LOOK_AT_RUN_S: Final = 1.0
