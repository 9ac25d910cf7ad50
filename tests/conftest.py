# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the reference functions importable: `import analytic`, `import patterns`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "references"))
