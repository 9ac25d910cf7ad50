# SPDX-License-Identifier: GPL-3.0-or-later
"""Far fields, their sum through crossover and drivers, and the curves of the standards."""
