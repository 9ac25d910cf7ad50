# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesher that hangs."""

import time

time.sleep(3600)
