# SPDX-License-Identifier: GPL-3.0-or-later
"""Where work is done, never what: worker processes, memory, cache."""
