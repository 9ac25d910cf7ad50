# SPDX-License-Identifier: GPL-3.0-or-later
"""Triangle surfaces: their quality, and what moves and absorbs on them."""
