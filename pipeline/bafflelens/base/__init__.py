# SPDX-License-Identifier: GPL-3.0-or-later
"""What everything stands on: errors, units and signs, air, files written safely, signals."""
