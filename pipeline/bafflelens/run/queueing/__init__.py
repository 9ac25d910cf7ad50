# SPDX-License-Identifier: GPL-3.0-or-later
"""Jobs that wait for the night, run one after another, and what can be said of them meanwhile."""
