# SPDX-License-Identifier: GPL-3.0-or-later
"""What came of a carving: its sheet in words, and its picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from bafflelens.base.place_words import NEAR_M, where
from bafflelens.job.search_sections import CarveSection
from bafflelens.run.carving.beginning import Carving
from bafflelens.run.carving.displacement import Radii
from bafflelens.run.carving.keeping import CarvedStep
from bafflelens.run.state import Run
from bafflelens.scoring.quieter import above_db, third_octave_means
from bafflelens.store.system_response import played


@dataclass(frozen=True, kw_only=True)
class Carved:
    """What came of carving a candidate.

    Attributes
    ----------
    candidate : str
        Id of the carved shape.
    parent : str
        Id of what it was made of.
    steps : tuple of CarvedStep
        The way, the parent first.
    best : int
        Number of the step whose shape was kept: that of the best score as a draft.
    why : str
        Why it ended, in words.
    """

    candidate: str
    parent: str
    steps: tuple[CarvedStep, ...]
    best: int
    why: str


def show_outcome(run: Run, carving: Carving, carved: Carved, best: CarvedStep) -> None:
    """Draw the way and what came of it, and keep both beside the candidate."""
    from bafflelens.report.carving_picture import CarvingView, carving_picture

    scores = {
        c.id: c.score.total_db
        for c in run.folder.candidates()
        if c.score is not None and c.score.is_complete
    }
    room = carving.height.room
    view = CarvingView(
        title=f"{carved.candidate}, carved from {carved.parent}",
        scores_db=tuple(step.score_db for step in carved.steps),
        best=carved.best,
        y_m=room.y_m,
        z_m=room.z_m,
        surface_m=room.surface_m,
        height_m=carving.height.on_map(best.amounts),
        share=room.share,
    )
    bounces = _bounces_text(run, carving, carved)
    text = sheet_text(carved, carving.section, scores, best, bounces)
    run.folder.save_carving(carved.candidate, carving_picture(view), text)


def _bounces_text(run: Run, carving: Carving, carved: Carved) -> str:
    """Return how floor and ceiling compare with the baseline on fresh meshes, in a line."""
    quieter = carving.quieter
    if quieter is None or not run.folder.has_directivity(carved.candidate):
        return ""
    dataset = run.folder.load_directivity(carved.candidate)
    heard = played(run.folder, carving.run.loaded, dataset)
    job = run.loaded.job
    above = above_db(heard, job.target.target(job.room.room), quieter)
    centres = third_octave_means(dataset["frequency"].values, quieter.band_hz)[0]
    low, high = quieter.band_hz
    text = (
        f"floor and ceiling   {above.min():+.1f} to {above.max():+.1f} dB re the baseline in each "
        f"third octave from {low:g} to {high:g} Hz, on fresh meshes"
    )
    if above.max() > 0:
        text += f"; loudest at {centres[above.max(axis=0).argmax()]:.0f} Hz"
    return text


def _radius_lines(radii: Radii, section: CarveSection) -> list[str]:
    """Return what the finished surface's smallest radii are, in two lines."""

    def place(y_m: float, z_m: float) -> str:
        is_mirrored = section.mirror and abs(y_m) >= NEAR_M
        return where(np.array([0.0, y_m, z_m]), is_mirrored=is_mirrored)

    smallest = "none bent"
    if radii.radius_m < 1:
        spot = place(radii.y_m, radii.z_m)
        smallest = f"{1e3 * radii.radius_m:.1f} mm on the finished surface, {spot}"
    before = "nowhere that was carved"
    if radii.tight_before_m < 1:
        before = (
            f"{radii.tight_share:.1%} of what was carved, {1e3 * radii.tight_before_m:.1f} mm at "
            f"the least; {1e3 * radii.tight_m:.1f} mm now, "
            f"{place(radii.tight_y_m, radii.tight_z_m)}; no place there was made tighter"
        )
    return [
        f"  smallest radius   {smallest}; {section.radius_mm:g} mm allowed",
        f"  tighter before    {before}",
    ]


def sheet_text(
    carved: Carved,
    section: CarveSection,
    scores_db: Mapping[str, float],
    best: CarvedStep,
    bounces: str = "",
) -> str:
    """Return what came of a carving, with every limit and what was used of it.

    Parameters
    ----------
    carved : Carved
        What came of it.
    section : CarveSection
        The limits.
    scores_db : mapping of str to float
        Scores of the run's candidates by id.
    best : CarvedStep
        The step that was kept.
    bounces : str
        How floor and ceiling compare with the baseline, in a line; empty if that is not asked.
    """
    first = carved.steps[0]
    before, after = scores_db.get(carved.parent), scores_db.get(carved.candidate)
    lines = [
        f"{carved.candidate}, carved from {carved.parent}",
        "",
        f"score as a draft    {first.score_db:.2f} dB before, {best.score_db:.2f} dB after step "
        f"{best.number} of {len(carved.steps) - 1}; it ended because {carved.why}",
    ]
    if before is not None and after is not None:
        lines.append(
            f"score of the job    {before:.2f} dB before, {after:.2f} dB after, on fresh meshes"
        )
    names = ("vertical control", "horizontal width", "side effects")
    for name, one, other in zip(names, first.objectives_db, best.objectives_db, strict=True):
        lines.append(f"{name:<20}{one:.2f} dB before, {other:.2f} dB after, as a draft")
    lines += [bounces] if bounces else []
    material = "as thick as the body"
    if section.material_mm is not None:
        material = f"{section.material_mm:g} mm thick"
    lines += [
        "",
        "Limits, and what was used of them; heights are along the pull direction (x, forwards)",
        f"  surfaces          {', '.join(section.surfaces)}",
        f"  out               {1e3 * best.outward_m:.1f} of {section.outward_mm:g} mm",
        f"  in                {1e3 * best.inward_m:.1f} of {section.inward_mm:g} mm",
        *_radius_lines(best.radii, section),
        f"  mirror symmetry   {'left and right alike' if section.mirror else 'not asked for'}",
        f"  driver            nothing moved within {section.driver_mm:g} mm of its rim; "
        f"clearance of the dome {section.dome_clearance_mm:g} mm",
        f"  edge              nothing moved within {section.edge_mm:g} mm of the edge of these "
        "surfaces",
        f"  screws, gaskets   {len(section.screws_mm)} circles, {len(section.boxes_mm)} boxes "
        "kept",
        "  undercut          none is made: every point moves along the pull direction",
        f"  smallest wall     {section.wall_mm:g} mm left along the pull direction; material "
        f"{material}",
        "",
        "Dust of wood, filler and clay is harmful, cutters and sanders more so: the shop's own "
        "rules and the local ones hold.",
    ]
    return "\n".join(lines) + "\n"
