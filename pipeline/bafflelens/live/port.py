# SPDX-License-Identifier: GPL-3.0-or-later
"""The port of a page: on this machine's own address, and free."""

from __future__ import annotations

import socket

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.loopback import LOOPBACK


def require_port(port: int) -> None:
    """Check that a page could be served there, before anything is made for it.

    Raises
    ------
    InputError
        If it is no port, or taken.
    """
    listening_on(port).close()


def listening_on(port: int) -> socket.socket:
    """Return a socket on this machine's own address.

    Raises
    ------
    InputError
        If the port is taken, or is none.
    """
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((LOOPBACK, port))
    except (OSError, OverflowError) as error:
        found.close()
        raise InputError(invalid("port", port, f"0 to 65535 and free ({error})")) from error
    return found
