# SPDX-License-Identifier: GPL-3.0-or-later
"""What the prototype shop gets of a candidate; start reading at `package.hand_off`."""
