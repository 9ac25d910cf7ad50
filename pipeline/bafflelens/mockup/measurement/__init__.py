# SPDX-License-Identifier: GPL-3.0-or-later
"""Measurements of a mock-up: read, prepared, planned for, and written for other programs."""
