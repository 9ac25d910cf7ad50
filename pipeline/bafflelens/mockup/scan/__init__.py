# SPDX-License-Identifier: GPL-3.0-or-later
"""From the 3D scan of a clay model to a candidate: read `clay.take_scan` from top to bottom."""
