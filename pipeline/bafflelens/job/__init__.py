# SPDX-License-Identifier: GPL-3.0-or-later
"""What is asked and what it costs: keys, reading, sampling, cost estimate."""
