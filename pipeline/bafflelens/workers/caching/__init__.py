# SPDX-License-Identifier: GPL-3.0-or-later
"""Never the same solve twice: meshes and solved frequencies, found again by what made them."""
