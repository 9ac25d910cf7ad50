# SPDX-License-Identifier: GPL-3.0-or-later
"""A page on this machine that answers while a dimension moves."""
