# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers of a comparison as files: tables of errors and their uncertainty, a correction."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

import numpy as np

from bafflelens.directivity.responses import response_text
from bafflelens.mockup.comparison.correction import Correction
from bafflelens.mockup.comparison.dome_fit import DomeFit
from bafflelens.mockup.comparison.page import PageFacts
from bafflelens.mockup.comparison.result import Comparison

CORRECTION: Final = "velocity_correction.txt"
_UNCERTAINTY: Final = "velocity_correction_uncertainty.csv"


def data_files(comparison: Comparison, facts: PageFacts) -> dict[str, bytes]:
    """Return what other programs may want: the verdict, the errors, the correction."""
    files = {
        "comparison.json": json.dumps(_plain(comparison, facts), indent=1).encode() + b"\n",
        "errors.csv": _errors_csv(comparison),
    }
    if comparison.correction is not None:
        remark = f"{facts.title}\n{comparison.correction.remark}"
        files[CORRECTION] = response_text(comparison.correction.response, remark).encode()
        files[_UNCERTAINTY] = _uncertainty_csv(comparison.correction)
    return files


def _plain(comparison: Comparison, facts: PageFacts) -> Mapping[str, Any]:
    return {
        "format": 1,
        "title": facts.title,
        "run": facts.run,
        "candidate": facts.candidate,
        "compared_utc": facts.compared_utc,
        "verdict": asdict(comparison.verdict),
        "causes": [asdict(cause) for cause in comparison.causes],
        "rms_db": comparison.rms_db,
        "dome": _plain_dome(comparison.dome),
        "setup": {
            plane: {
                "deviation": asdict(fit.deviation),
                "uncertainty": fit.uncertainty.tolist(),
                "is_told": fit.is_told.tolist(),
                "left_db": fit.left_db,
                "before_db": fit.before_db,
                "swapped_db": fit.swapped_db,
            }
            for plane, fit in comparison.fits.items()
        },
    }


def _plain_dome(found: DomeFit | None) -> Mapping[str, Any] | None:
    if found is None:
        return None
    return {
        "source": found.source,
        "verdict": found.verdict,
        "text": found.text,
        "strengths": found.strengths,
        "half_range": found.half_range,
        "before_db": found.before_db,
        "left_db": found.left_db,
        "predicted": found.predicted,
        "predicted_by_shape": found.by_shape,
        "frequency_hz": found.frequency_hz.tolist(),
        "shares": {
            name: {"real": share.real.tolist(), "imag": share.imag.tolist()}
            for name, share in found.shares.items()
        },
    }


def _errors_csv(comparison: Comparison) -> bytes:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        ["zone", "from_hz", "to_hz", "rms_db", "largest_db", "repeatability_db", "points"]
    )
    for errors in comparison.by_third.values():
        for one in errors:
            numbers = (one.rms_db, one.largest_db, one.repeatability_db)
            cells = ["" if np.isnan(value) else f"{value:.3f}" for value in numbers]
            writer.writerow(
                [one.zone, f"{one.from_hz:.1f}", f"{one.to_hz:.1f}", *cells, one.points]
            )
    return stream.getvalue().encode()


def _uncertainty_csv(correction: Correction) -> bytes:
    lines = ["frequency_hz,level_db,level_uncertainty_db,phase_deg,phase_uncertainty_deg"]
    lines += [
        ",".join(f"{value:.4f}" for value in row)
        for row in zip(
            correction.frequency_hz,
            correction.level_db,
            correction.level_uncertainty_db,
            correction.phase_deg,
            correction.phase_uncertainty_deg,
            strict=True,
        )
    ]
    return ("\n".join(lines) + "\n").encode()
