# SPDX-License-Identifier: GPL-3.0-or-later
"""``python -m bafflelens``."""

import sys

from bafflelens.cli import main

if __name__ == "__main__":  # worker processes import this file too
    sys.exit(main())
