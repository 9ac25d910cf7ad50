# SPDX-License-Identifier: GPL-3.0-or-later
"""From a dataset to a score and an order: target, criteria, side effects, ranking."""
