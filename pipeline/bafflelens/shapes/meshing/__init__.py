# SPDX-License-Identifier: GPL-3.0-or-later
"""From a shape script to a mesh: gmsh in a process of its own, and meshes moved onto a scan."""
