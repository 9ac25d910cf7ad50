# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a solid can be made: cutter, undercut, wall, draft, overhang, clearance, screws.

The front is what is not cabinet; it is cut, or drawn out of a mould, along +x. Places are
sampled on the mesh for printing, so each figure is good to its chord tolerance.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.driver_room import screw_ring
from bafflelens.handoff.hidden_lines import FRONT, heights_of
from bafflelens.handoff.inner_corners import inner_corners
from bafflelens.handoff.likeness import Likeness
from bafflelens.handoff.probes import probes
from bafflelens.handoff.rays import first_hits
from bafflelens.handoff.solid import Solid
from bafflelens.handoff.thickness import OFF_M, looked_through
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion

PASSED: Final = "passed"
FAILED: Final = "failed"
UNKNOWN: Final = "not checked"
NOTHING_CONCAVE: Final = "no concave curvature"

_UNDERCUT_STEP_M: Final = 2e-3
_WALL_STEP_M: Final = 2e-3
_THIN_STEP_M: Final = 0.5e-3  # where it is nearly the thinnest
_NEARLY_MM: Final = 1.0
_UNSEEN_MM: Final = 2.0  # so much thinner may it be between places
_LEAST_CLEARANCE_M: Final = 0.5e-3  # common practice, no source
_RIM_PLANE_M: Final = 1e-4
_NO_DRAFT: Final = 1e-3  # a hair of rounding is no undercut


@dataclass(frozen=True, eq=False)
class Marked:
    """Places on a mesh where a check fails.

    Attributes
    ----------
    mesh : Mesh
        What was checked.
    places_mm : (n, 3) array
        The places.
    title : str
        Of the picture.
    """

    mesh: Mesh
    places_mm: FloatArray
    title: str

    def picture(self) -> bytes:
        """Return a view from the front with the places in red, as PNG."""
        return _picture(self.mesh, self.places_mm, self.title)


@dataclass(frozen=True, kw_only=True)
class Check:
    """What became of one check.

    Attributes
    ----------
    name : str
        What was checked.
    state : {"passed", "failed", "not checked"}
        How it ended.
    text : str
        Figure, place and rule.
    value : float
        The figure, in mm or degrees; NaN if there is none.
    marked : Marked or None
        Where it fails. It is drawn only when asked for: many a check gives way to another.
    place_mm : tuple of 3 floats or None
        Where the figure was found, if it belongs to a place.
    """

    name: str
    state: str
    text: str
    value: float = math.nan
    marked: Marked | None = None
    place_mm: tuple[float, float, float] | None = None

    @property
    def picture(self) -> bytes:
        """PNG of where it fails; empty if that is nowhere."""
        return self.marked.picture() if self.marked else b""

    @property
    def file(self) -> str:
        """For the name of the picture's file."""
        return self.name.replace(" ", "_")


def making_checks(
    solid: Solid, same: Likeness, motions: Sequence[SourceMotion], settings: HandoffSection
) -> tuple[Check, ...]:
    """Return all checks of a solid.

    Parameters
    ----------
    solid : Solid
        The solid.
    same : Likeness
        How far it is from what was analysed.
    motions : sequence of SourceMotion
        What moves, and where.
    settings : HandoffSection
        The shop's figures.
    """
    front = made_from_front(solid.mesh, motions)
    return (
        _likeness_check(same),
        cutter_check(solid, front, settings.cutter_mm),
        _undercut_check(solid.mesh, front),
        _draft_check(solid.mesh, front, settings.least_draft_deg),
        thinnest_wall(solid.mesh, front, settings.least_wall_mm),
        _overhang_check(solid.mesh, settings.overhang_deg),
        _travel_check(solid.mesh, motions, settings.dome_travel_mm),
        _screw_check(solid.mesh, motions, settings),
    )


def made_from_front(mesh: Mesh, motions: Sequence[SourceMotion]) -> NDArray[np.bool_]:
    """Return which triangles are made from the front: no cabinet, and nothing that moves."""
    moving = {name for motion in motions for name in motion.piston_surfaces}
    still = ~np.isin(mesh.surface, sorted(moving))
    named = ~np.char.startswith(mesh.surface, "cabinet")
    return np.asarray(still & named if (still & named).any() else still)


def _likeness_check(same: Likeness) -> Check:
    state = PASSED if same.fits else FAILED
    text = f"{same.text}; the volumes must agree within 0.1 %"
    return Check(name="same as analysed", state=state, text=text, value=same.largest_mm)


def cutter_check(solid: Solid, front: NDArray[np.bool_], cutter_mm: float) -> Check:
    """Look for concave radii and, where the front is, for inner corners too small for a cutter."""
    smallest = float(solid.concave[:, 3].min()) * 1e3 if len(solid.concave) else math.inf
    places = solid.concave[solid.concave[:, 3] * 2e3 < cutter_mm, :3] * 1e3
    sharp = inner_corners(solid.mesh, front, solid.edges)
    corners = sharp.middles * 1e3
    text = f"smallest concave radius {smallest:.2f} mm" if smallest < math.inf else NOTHING_CONCAVE
    rule = f"; a cutter of {cutter_mm:g} mm leaves {cutter_mm / 2:g} mm"
    if len(corners):
        x, y, z = corners[0]
        text += f"; {sharp.text}, one at ({x:.1f}, {y:.1f}, {z:.1f}) mm"
    small = np.concatenate((places, corners))
    where = corners[0] if len(corners) else None
    if where is None and len(solid.concave):
        where = solid.concave[solid.concave[:, 3].argmin(), :3] * 1e3
    return Check(
        name="inside radius",
        state=FAILED if len(small) else PASSED,
        text=text + rule,
        value=0.0 if len(corners) else smallest,
        marked=Marked(solid.mesh, small, "inside radius") if len(small) else None,
        place_mm=None if where is None else _place(where),
    )


def _undercut_check(mesh: Mesh, front: NDArray[np.bool_]) -> Check:
    depth, where = undercut(mesh, front)
    if not len(where):
        return Check(name="undercut", state=PASSED, text="none along the axis", value=0.0)
    x, y, z = where[0] * 1e3
    at = f"({x:.1f}, {y:.1f}, {z:.1f}) mm"
    text = f"hidden from the front, up to {depth * 1e3:.2f} mm behind, at {at}"
    return Check(
        name="undercut",
        state=FAILED,
        text=text,
        value=depth * 1e3,
        marked=Marked(mesh, where * 1e3, "undercut"),
        place_mm=_place(where[0] * 1e3),
    )


def undercut(mesh: Mesh, front: NDArray[np.bool_]) -> tuple[float, FloatArray]:
    """Return how far back the deepest hidden place is from what hides it, and all such places.

    Places are looked at `_UNDERCUT_STEP_M` apart; a face that looks back is an undercut whatever
    its size, one that looks forward if what hides it is wider than two cells of the view.

    Parameters
    ----------
    mesh : Mesh
        The solid.
    front : (n_triangles,) array of bool
        What is made from the front.

    Returns
    -------
    depth : float
        In m; 0 if everything is seen.
    places : (n, 3) array
        The hidden places, in m, the deepest first.
    """
    points, owner = probes(mesh, np.flatnonzero(front), _UNDERCUT_STEP_M)
    backward = mesh.normals[owner, 0] < -_NO_DRAFT
    hidden = heights_of(mesh, FRONT).hides(points) & ~backward
    places = points[hidden]
    start = places + OFF_M * mesh.normals[owner[hidden]]
    distance = first_hits(mesh, start, np.array([1.0, 0.0, 0.0]))
    distance += OFF_M * mesh.normals[owner[hidden], 0]
    distance[~np.isfinite(distance)] = 0.0
    depth = float(distance.max()) if len(distance) else 0.0
    every = np.concatenate((places[np.argsort(-distance, kind="stable")], points[backward]))
    return depth, every


def _draft_check(mesh: Mesh, front: NDArray[np.bool_], least_deg: float) -> Check:
    slopes = np.degrees(np.arcsin(np.clip(mesh.normals[front, 0], -1, 1)))
    worst = float(slopes.min())
    places = mesh.centroids[front][slopes < least_deg - 0.05] * 1e3
    x, y, z = mesh.centroids[front][int(slopes.argmin())] * 1e3
    text = f"{worst:.1f} degrees at ({x:.1f}, {y:.1f}, {z:.1f}) mm, at least {least_deg:g} asked"
    if not len(places):
        return Check(name="draft", state=PASSED, text=text, value=worst)
    marked = Marked(mesh, places, "draft")
    return Check(name="draft", state=FAILED, text=text, value=worst, marked=marked)


def thinnest_wall(
    mesh: Mesh, front: NDArray[np.bool_], least_mm: float, what: str = "solid"
) -> Check:
    """Look straight through from places of the front, and hold the thinnest against a wall.

    Places are `_WALL_STEP_M` apart, and `_THIN_STEP_M` on the triangles where it is nearly the
    thinnest and not much more than asked: over the tip of a drilled hole it gets thinner within
    a millimetre.

    Parameters
    ----------
    mesh : Mesh
        Of what is looked through.
    front : (n_triangles,) array of bool
        Where from.
    least_mm : float
        Thinnest wall that holds.
    what : str
        What it is, for the text.
    """
    points, owner, through = looked_through(mesh, np.flatnonzero(front), _WALL_STEP_M)
    nearly = through < min(through.min() + _NEARLY_MM, least_mm + _UNSEEN_MM)
    finer = looked_through(mesh, np.unique(owner[nearly]), _THIN_STEP_M)
    points = np.concatenate((points, finer[0]))
    through = np.concatenate((through, finer[2]))
    thinnest = int(through.argmin())
    x, y, z = points[thinnest] * 1e3
    text = (
        f"thinnest {through[thinnest]:.1f} mm at ({x:.1f}, {y:.1f}, {z:.1f}) mm, at least "
        f"{least_mm:g} asked; {len(points)} places of the front tried, straight through the {what}"
    )
    thin = points[through < least_mm - OFF_M * 1e3]
    return Check(
        name="wall and lip",
        state=FAILED if len(thin) else PASSED,
        text=text,
        value=float(through[thinnest]),
        marked=Marked(mesh, thin * 1e3, "wall and lip") if len(thin) else None,
        place_mm=(float(x), float(y), float(z)),
    )


def _overhang_check(mesh: Mesh, least_deg: float) -> Check:
    """Look for what needs support, printed on its back and growing forward."""
    bottom = mesh.vertices[:, 0].min()
    lies = mesh.corners[:, :, 0].max(axis=1) < bottom + 1e-5
    slope = 90 - np.degrees(np.arcsin(np.clip(-mesh.normals[:, 0], -1, 1)))
    steep = (mesh.normals[:, 0] < -_NO_DRAFT) & (slope < least_deg) & ~lies
    area = float(mesh.areas[steep].sum()) * 1e6
    if not area:
        text = f"none flatter than {least_deg:g} degrees, printed on its back"
        return Check(name="overhang", state=PASSED, text=text, value=0.0)
    flattest = float(slope[steep].min())
    text = f"{area:.0f} mm^2 need support, down to {flattest:.0f} degrees, printed on its back"
    marked = Marked(mesh, mesh.centroids[steep] * 1e3, "overhang")
    return Check(name="overhang", state=FAILED, text=text, value=area, marked=marked)


def _travel_check(mesh: Mesh, motions: Sequence[SourceMotion], travel_mm: float) -> Check:
    least, place = math.inf, np.zeros(3)
    for motion in motions:
        moving = np.isin(mesh.surface, list(motion.piston_surfaces))
        ahead = (mesh.centroids - motion.centre) @ np.asarray(motion.axis)
        # Surround and floor touch the dome's rim, and it moves away from them.
        still = ~np.isin(mesh.surface, [n for m in motions for n in m.piston_surfaces])
        still &= ahead > _RIM_PLANE_M
        if not moving.any() or not still.any():
            continue
        corners = mesh.vertices[np.unique(mesh.triangles[moving])]
        rigid = searchable(mesh.vertices, mesh.triangles[still])
        for share in (0.0, 0.5, 1.0):
            moved = corners + share * travel_mm * 1e-3 * np.asarray(motion.axis)
            distance = closest(rigid, moved).distance
            if distance.min() < least:
                least, place = float(distance.min()), moved[int(distance.argmin())]
    if not math.isfinite(least):
        return Check(name="dome's travel", state=UNKNOWN, text="nothing that moves was found")
    text = (
        f"{least * 1e3:.2f} mm between dome and what is at rest, over {travel_mm:g} mm of travel; "
        f"at least {_LEAST_CLEARANCE_M * 1e3:g}"
    )
    if least >= _LEAST_CLEARANCE_M:
        return Check(name="dome's travel", state=PASSED, text=text, value=least * 1e3)
    marked = Marked(mesh, place[None] * 1e3, "dome's travel")
    return Check(name="dome's travel", state=FAILED, text=text, value=least * 1e3, marked=marked)


def screw_places(motion: SourceMotion, settings: HandoffSection) -> FloatArray:
    """Return (y, z) of the screws in m, the first one at the top."""
    return np.asarray(screw_ring(settings) / 1e3 + np.asarray(motion.centre)[1:])


def _screw_check(mesh: Mesh, motions: Sequence[SourceMotion], settings: HandoffSection) -> Check:
    """Check that the front is flat and square under the flange's edge and each screw's head."""
    name = "flange and screws"
    places = screw_places(motions[0], settings)
    if not len(places) and settings.flange_mm is None:
        text = "the job's [handoff] names neither flange nor screws"
        return Check(name=name, state=UNKNOWN, text=text)
    rounds = [(place, settings.screw_head_mm / 2e3) for place in places]
    if settings.flange_mm is not None:
        rounds.append((np.asarray(motions[0].centre)[1:], settings.flange_mm / 2e3))
    probes = np.concatenate([_ring(place, radius) for place, radius in rounds])
    ahead = np.full((len(probes), 1), mesh.vertices[:, 0].max() + 0.01)
    start = np.column_stack((ahead, probes))
    distance, owner = first_hits(mesh, start, np.array([-1.0, 0.0, 0.0]), owners=True)
    found = np.isfinite(distance)
    flat = found & (mesh.normals[owner, 0] > 0.999)
    spread = np.ptp(distance[found]) if found.any() else math.inf
    bad = ~flat
    if not bad.any() and spread > 1e-4:
        bad = np.abs(distance - np.median(distance)) > 1e-4
    if not bad.any():
        text = f"{len(places)} screws and the flange lie on flat ground"
        return Check(name=name, state=PASSED, text=text, value=0.0)
    text = f"{int(bad.sum())} of {len(probes)} places under flange and heads are cut or not flat"
    where = np.column_stack((mesh.vertices[:, 0].max() - 0 * probes[bad, 0], probes[bad]))
    marked = Marked(mesh, where * 1e3, name)
    return Check(name=name, state=FAILED, text=text, value=float(bad.sum()), marked=marked)


def _place(point_mm: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in point_mm)
    return x, y, z


def _ring(centre: FloatArray, radius: float) -> FloatArray:
    angle = 2 * np.pi * (np.arange(24) + 0.37) / 24
    return np.asarray(centre + radius * np.column_stack((np.cos(angle), np.sin(angle))))


def _picture(mesh: Mesh, places_mm: FloatArray, title: str) -> bytes:
    """Return a view from the front with places marked, as PNG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.tri import Triangulation

    figure = Figure(figsize=(6, 7), dpi=110)
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    toward = mesh.normals[:, 0] > 0.02
    shade = 0.35 + 0.6 * mesh.normals[toward, 0]
    order = np.argsort(mesh.centroids[toward, 0])
    axes.tripcolor(
        Triangulation(
            mesh.vertices[:, 1] * 1e3, mesh.vertices[:, 2] * 1e3, mesh.triangles[toward][order]
        ),
        facecolors=shade[order],
        cmap="gray",
        vmin=0,
        vmax=1,
    )
    axes.plot(places_mm[:, 1], places_mm[:, 2], ".", color="tab:red", markersize=4)
    axes.set_aspect("equal")
    axes.set_xlabel("y / mm, seen from the front")
    axes.set_ylabel("z / mm")
    axes.set_title(f"{title}: where it fails (red)")
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
