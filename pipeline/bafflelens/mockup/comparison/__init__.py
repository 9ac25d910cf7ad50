# SPDX-License-Identifier: GPL-3.0-or-later
"""Clay against computer: a measurement beside the simulation at the same microphones."""
