# SPDX-License-Identifier: GPL-3.0-or-later
"""A mock-up against its simulation: measurement, comparison, scan."""
