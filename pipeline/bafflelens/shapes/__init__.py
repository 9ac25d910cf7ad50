# SPDX-License-Identifier: GPL-3.0-or-later
"""Building blocks of the shapes in ``geometries/``: cabinets, drivers, lenses and waveguides."""
