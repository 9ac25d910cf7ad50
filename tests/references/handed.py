# SPDX-License-Identifier: GPL-3.0-or-later
"""A hand-off made without a run: a manifest, the nominal surface and a job, as one zip file."""

from __future__ import annotations

from bafflelens.handoff.archive import zipped
from bafflelens.handoff.as_made import JOB
from bafflelens.handoff.datum import NAME as DATUM
from bafflelens.handoff.manifest import NAME, manifest_bytes

FORM = "form/readings.csv"
RUN, CANDIDATE = "lenses_20260101", "c003"
JOB_TEXT = b"""title = "Lenses"
[geometry]
script = "lens.py"
[geometry.lens]
opening_height_mm = { from = 90, to = 160 }
[baseline]
script = "plain.py"
[search]
candidates = 12
[frequencies]
from_hz = 2000
to_hz = 4000
[score]
from_hz = 2000
to_hz = 4000
"""


def write_handed(folder, datum, values, units, tolerances, geometry="lens.py", **further):
    """Write the folder and return it."""
    facts = {
        "run": RUN,
        "candidate": CANDIDATE,
        "revision": "0a1b2c3d",
        "geometry": geometry,
        "values": values,
        "units": units,
        "tolerances": tolerances,
        "symbols": {},
        **further,
    }
    files = {DATUM: datum.to_bytes(), JOB: JOB_TEXT, FORM: b"parameter,reading\nD,\n"}
    archive = zipped({**files, NAME: manifest_bytes(facts, files)})
    whole = {f"{RUN}_{CANDIDATE}.zip": archive}
    manifest = manifest_bytes({"run": RUN, "candidates": [CANDIDATE]}, whole)
    folder.mkdir()
    for name, content in {**whole, NAME: manifest}.items():
        (folder / name).write_bytes(content)
    return folder
