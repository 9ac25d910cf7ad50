# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes declared in a TOML file: STEP files and the faces they hold."""
