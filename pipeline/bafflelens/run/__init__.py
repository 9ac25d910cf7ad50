# SPDX-License-Identifier: GPL-3.0-or-later
"""The pipeline and its longer steps, search, and the queue; start at `pipeline.run_job`."""
