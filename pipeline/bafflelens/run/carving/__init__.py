# SPDX-License-Identifier: GPL-3.0-or-later
"""A lens that carves itself: down the slope of its own score, within what a shop can make.

Start reading at `carve.carve_candidate`.
"""
