# SPDX-License-Identifier: GPL-3.0-or-later
"""Directed search: what has been solved says which candidate is worth solving next."""
