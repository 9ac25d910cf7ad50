# SPDX-License-Identifier: GPL-3.0-or-later
"""Boundary elements: a radiation problem at one frequency in, surface pressure out.

Start reading at `engines.solve`. Nothing is imported here: a job names boundaries, and a ranking
must not wait for the solver to load.
"""
