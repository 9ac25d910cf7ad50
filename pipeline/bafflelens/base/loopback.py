# SPDX-License-Identifier: GPL-3.0-or-later
"""What every page that this program serves keeps to: this machine, this browser, this session.

Listening on the loopback address alone does not stop a hostile page in the same browser: it can
ask 127.0.0.1 too, and a name of its own can be made to point there. So Host must be exactly the
address that the page was opened under, whoever changes anything or opens a socket must come from
the page itself (Origin), and every address holds a random token. The pages load nothing from
elsewhere and hold no script of their own.
"""

from __future__ import annotations

import secrets
from typing import Final

LOOPBACK: Final = "127.0.0.1"


def new_token() -> str:
    """Return what the addresses of a page hold, so that nobody can guess them."""
    return secrets.token_urlsafe(24)


def host_of(port: int) -> str:
    """Return what the header Host must be."""
    return f"{LOOPBACK}:{port}"


def is_own_host(given: str | None, port: int) -> bool:
    """Tell whether a request was made to the address that the page was opened under."""
    return given == host_of(port)


def is_own_origin(given: str | None, port: int) -> bool:
    """Tell whether the page itself asks, and no other that is open in the same browser."""
    return given == f"http://{host_of(port)}"


def is_token(given: str, token: str) -> bool:
    """Tell whether a token is right, in a time that does not depend on where it is wrong."""
    return secrets.compare_digest(given.encode("utf-8", "replace"), token.encode())


def page_address(port: int, token: str) -> str:
    """Return where a page is."""
    return f"http://{host_of(port)}/{token}/"


def safe_headers(*connect: str) -> dict[str, str]:
    """Return the headers of every answer.

    Parameters
    ----------
    *connect : str
        What the page may open besides its own address: its socket.
    """
    return {
        "Content-Security-Policy": "; ".join(
            (
                "default-src 'none'",
                "script-src 'self'",
                "style-src 'self'",
                " ".join(("connect-src 'self'", *connect)),
                "base-uri 'none'",
                "form-action 'none'",
                "frame-ancestors 'none'",
            )
        ),
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store",
        "Cross-Origin-Resource-Policy": "same-origin",
    }
