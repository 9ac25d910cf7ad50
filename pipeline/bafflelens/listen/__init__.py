# SPDX-License-Identifier: GPL-3.0-or-later
"""Sound at the seat: what a room makes of a shape, for headphones; start at `rendering.listen`."""
