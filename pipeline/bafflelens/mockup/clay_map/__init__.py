# SPDX-License-Identifier: GPL-3.0-or-later
"""Where clay should be added or taken; start reading at `make.make_clay_map`."""
