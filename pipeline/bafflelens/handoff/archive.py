# SPDX-License-Identifier: GPL-3.0-or-later
"""Zip files that are the same whenever they are made of the same content."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from typing import Final

_NO_TIME: Final = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip file can say


def zipped(files: Mapping[str, bytes]) -> bytes:
    """Return a zip file of files in the order given, none of them with a time.

    Parameters
    ----------
    files : mapping of str to bytes
        Content by name.
    """
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, date_time=_NO_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content)
    return stream.getvalue()
