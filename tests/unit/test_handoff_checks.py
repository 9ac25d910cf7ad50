# SPDX-License-Identifier: GPL-3.0-or-later
"""Making checks on solids whose answer is known in closed form: each is seen to fail and to pass.

Solids are blocks on a grid, some sheared or tapered, prisms and balls; the kernel's curvature is
asked of a cylinder, a ball and a cone.
"""

import math

import gmsh
import numpy as np
import pytest
import trimesh

from bafflelens.base.threads import inner_loop
from bafflelens.handoff.checks import making_checks, screw_places, undercut
from bafflelens.handoff.exporter import _concave
from bafflelens.handoff.face_nets import nets_of
from bafflelens.handoff.likeness import Likeness
from bafflelens.handoff.part_solid import _farthest
from bafflelens.handoff.probes import probes
from bafflelens.handoff.rays import _meet, first_hits
from bafflelens.handoff.solid import Solid, SolidEdge
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion

SAME = Likeness(volume_share=0.0, largest_mm=0.1, corners_mm=0.05, where_mm=(0.0, 0.0, 0.0))
TWEETER = SourceMotion(
    name="tweeter",
    axis=(1.0, 0.0, 0.0),
    centre=(0.0, 0.0, 0.0),
    piston_surfaces=("dome",),
    taper_surfaces=(),
    inner_radius_m=0.012,
    outer_radius_m=0.015,
)


def blocks(xs, ys, zs, is_filled, shape=lambda points: points):
    """Return the closed surface of the cells of a grid (in mm) that are filled.

    The back, at the lowest x, is cabinet; all else is lens. `shape` moves the corners.
    """
    grid = [np.asarray(values, dtype=float) for values in (xs, ys, zs)]
    counts = [len(values) for values in grid]
    points = np.stack(np.meshgrid(*grid, indexing="ij"), axis=-1).reshape(-1, 3)
    number = np.arange(len(points)).reshape(counts)
    filled = np.zeros([n + 1 for n in counts], dtype=bool)
    for cell in np.ndindex(*(n - 1 for n in counts)):
        middle = [(grid[a][cell[a]] + grid[a][cell[a] + 1]) / 2 for a in range(3)]
        filled[tuple(c + 1 for c in cell)] = is_filled(*middle)
    triangles = []
    for cell in np.ndindex(*(n - 1 for n in counts)):
        here = np.array(cell)
        if not filled[tuple(here + 1)]:
            continue
        for axis in range(3):
            one, two = np.eye(3, dtype=int)[[(axis + 1) % 3, (axis + 2) % 3]]
            for side in (0, 1):
                step = np.zeros(3, dtype=int)
                step[axis] = 2 * side - 1
                if filled[tuple(here + 1 + step)]:
                    continue
                base = here.copy()
                base[axis] += side
                a, b, c, d = (
                    number[tuple(base + move)] for move in (0 * one, one, one + two, two)
                )
                quad = [(a, b, c), (a, c, d)]
                triangles += quad if side else [t[::-1] for t in quad]
    points = np.asarray(shape(points)) * 1e-3
    mesh = trimesh.Trimesh(points, np.array(triangles), process=False)
    mesh.remove_unreferenced_vertices()
    return named(mesh)


def named(mesh):
    """Return a project's mesh: what lies at the very back is cabinet, the rest lens."""
    vertices, triangles = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
    back = vertices[triangles][:, :, 0].max(axis=1) < vertices[:, 0].min() + 1e-9
    found = Mesh(vertices, triangles, np.where(back, "cabinet", "lens"))
    found.require_closed()
    return found


def solid_of(mesh, concave=(), edges=None):
    """Return a solid with a mesh; its edges are those at which triangles bend, unless given."""
    if edges is None:
        shape = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
        bent = shape.face_adjacency_edges[shape.face_adjacency_angles > 0.1]
        edges = tuple(SolidEdge(points_m=mesh.vertices[pair], is_smooth=False) for pair in bent)
    return Solid(
        step=b"",
        mesh=mesh,
        chord_m=1e-5,
        volume_m3=mesh.volume,
        area_m2=float(mesh.areas.sum()),
        box_m=np.array([mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)]),
        concave=np.array(concave, dtype=float).reshape(-1, 4),
        edges=edges,
        sections=(),
    )


def checked(solid, name, motions=(TWEETER,), same=SAME, **settings):
    """Return one of the checks of a solid or a mesh."""
    solid = solid if isinstance(solid, Solid) else solid_of(solid)
    found = making_checks(solid, same, motions, HandoffSection(**settings))
    (check,) = [check for check in found if check.name == name]
    assert bool(check.picture) == (check.state == "failed" and name != "same as analysed")
    return check


def plain(size=100.0, depth=40.0):
    half = size / 2
    return blocks((-depth, 0), (-half, half), (-half, half), lambda *_: True)


# -------------------------------------------------------------------------------- likeness


@pytest.mark.parametrize(("share", "state"), [(0.0009, "passed"), (-0.0011, "failed")])
def test_volumes_agree_within_a_thousandth(share, state):
    same = Likeness(volume_share=share, largest_mm=0.1, corners_mm=0.05, where_mm=(1, 2, 3))
    assert checked(plain(), "same as analysed", same=same).state == state


# ---------------------------------------------------------------------------- inside radius


@pytest.mark.parametrize(("radius", "state"), [(3.01, "passed"), (2.99, "failed")])
def test_a_cutter_of_6_mm_leaves_3_mm(radius, state):
    solid = solid_of(plain(), concave=[(-0.01, 0.002, 0.003, 0.02), (-0.02, 0, 0, radius * 1e-3)])
    check = checked(solid, "inside radius", cutter_mm=6.0)
    assert check.state == state
    assert check.value == pytest.approx(radius)
    assert check.place_mm == pytest.approx((-20, 0, 0))


def test_a_step_has_a_sharp_inner_corner_and_a_block_has_none():
    step = blocks((-40, -10, 0), (-50, 50), (-50, 20, 50), lambda x, y, z: x < -10 or z < 20)
    check = checked(step, "inside radius")
    assert check.state == "failed"
    assert check.value == 0
    assert check.place_mm == pytest.approx((-10, 0, 20))  # the middle of the one inner edge
    assert "along 100 mm, where faces turn by 90°" in check.text
    assert checked(plain(), "inside radius").state == "passed"


def test_the_facets_of_a_small_fillet_are_no_corners():
    """A concave quarter of 4 mm radius in 5 facets bends by 18 degrees at each."""
    angle = np.radians(np.arange(0, 91, 18))
    corner = np.array([0.0, 30.0])  # (x, z): the middle of the arc
    arc = corner + 4 * np.column_stack((-np.cos(angle), -np.sin(angle)))[::-1]
    profile = np.array([(-40, -50), (-40, 50), (-4, 50), *arc[::-1], (-4, 26), (-4, -50)])
    profile = np.array([(-40, -50), (-40, 50), (-4, 50), *arc[::-1], (0, 26), (0, -50)])
    profile = profile[np.r_[True, np.linalg.norm(np.diff(profile, axis=0), axis=1) > 1e-9]]
    mesh = prism(profile, 50)
    sharp = checked(solid_of(mesh), "inside radius")
    smooth = tuple(SolidEdge(points_m=e.points_m, is_smooth=True) for e in solid_of(mesh).edges)
    assert sharp.state == "failed"  # were these bends of the solid itself
    assert checked(solid_of(mesh, edges=smooth), "inside radius").state == "passed"


def prism(profile, half):
    """Return the prism over an outline of (x, z) in mm that all of its points see from inside."""
    n = len(profile)
    middle = np.array([-30.0, 0.0])
    flat = np.vstack((profile, middle))
    points = np.concatenate(
        [np.column_stack((flat[:, 0], np.full(n + 1, y), flat[:, 1])) for y in (-half, half)]
    )
    triangles = []
    for a in range(n):
        b = (a + 1) % n
        triangles += [(n, a, b), (2 * n + 1, n + 1 + b, n + 1 + a)]
        triangles += [(a, n + 1 + a, n + 1 + b), (a, n + 1 + b, b)]
    mesh = trimesh.Trimesh(points * 1e-3, triangles, process=False)
    mesh.fix_normals()
    return named(mesh)


@pytest.fixture
def kernel():
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    yield gmsh.model
    gmsh.finalize()


def smallest_concave(model, body):
    """Return the smallest concave radius of a solid in mm, infinite if there is none."""
    model.occ.synchronize()
    gmsh.option.setNumber("Mesh.MeshSizeMax", 0.004)
    model.mesh.generate(2)
    tags, points, _ = model.mesh.getNodes()
    row = np.zeros(int(max(tags)) + 1, dtype=int)
    row[np.asarray(tags, dtype=int)] = np.arange(len(tags))
    faces = [tag for _, tag in model.getBoundary(body, oriented=False)]
    triangles = np.concatenate(
        [
            row[np.asarray(model.mesh.getElementsByType(2, face)[1], dtype=int)].reshape(-1, 3)
            for face in faces
        ]
    )
    mesh = Mesh(points.reshape(-1, 3), triangles, np.full(len(triangles), "lens"))
    if mesh.volume < 0:
        mesh = Mesh(points.reshape(-1, 3), triangles[:, ::-1], mesh.surface)
    found = _concave(model, nets_of(model, faces), mesh)
    return min((entry[3] * 1e3 for entry in found), default=math.inf)


def test_a_face_is_found_though_a_small_one_beside_it_has_nearer_places(kernel):
    """A slab of a box with rounded edges has the faces of the box."""
    occ = kernel.occ
    box = occ.addBox(-0.25, -0.1, -0.3, 0.25, 0.2, 0.4)
    occ.synchronize()
    bounds = {tag: kernel.getBoundingBox(1, tag) for _, tag in kernel.getEntities(1)}
    edges = [tag for tag, bound in bounds.items() if abs(np.array(bound)[[0, 3]]).max() < 1e-6]
    body = occ.fillet([box], edges, [0.015])
    slab = occ.addBox(-0.018, -0.2, -0.4, 0.05, 0.4, 0.6)
    made, _ = occ.intersect(body, [(3, slab)], removeObject=False)
    occ.synchronize()
    whole = nets_of(kernel, [tag for _, tag in kernel.getBoundary(body, oriented=False)])
    part = nets_of(kernel, [tag for _, tag in kernel.getBoundary(made, oriented=False)])
    formed = {face: net for face, net in part.items() if net.points[:, 0].max() > -0.0179}
    assert _farthest(kernel, formed, whole)[0] < 1e-7
    back = {face: net for face, net in part.items() if face not in formed}
    off, place = _farthest(kernel, back, whole)
    assert off > 1e-3  # the cut itself is no face of the box
    assert place[0] == pytest.approx(-0.018)


def test_the_kernel_knows_inside_from_outside(kernel):
    """A bore of 5 mm and a bowl of 9 mm radius are concave; a pin, a knob and a box are not."""
    occ = kernel.occ
    box = occ.addBox(-0.04, -0.03, -0.03, 0.04, 0.06, 0.06)
    assert smallest_concave(kernel, [(3, box)]) == math.inf
    bore = occ.addCylinder(-0.02, 0, 0, 0.03, 0, 0, 0.005)
    bored, _ = occ.cut([(3, box)], [(3, bore)])
    assert smallest_concave(kernel, bored) == pytest.approx(5.0, abs=1e-6)
    bowl = occ.addSphere(0, 0.015, 0.015, 0.009)
    both, _ = occ.cut(bored, [(3, bowl)])
    assert smallest_concave(kernel, both) == pytest.approx(5.0, abs=1e-6)
    gmsh.clear()
    box = occ.addBox(-0.04, -0.03, -0.03, 0.04, 0.06, 0.06)
    bowl = occ.addSphere(0, 0, 0, 0.009)
    bowled, _ = occ.cut([(3, box)], [(3, bowl)])
    assert smallest_concave(kernel, bowled) == pytest.approx(9.0, abs=1e-6)
    gmsh.clear()
    box = occ.addBox(-0.04, -0.03, -0.03, 0.04, 0.06, 0.06)
    pin = occ.addCylinder(-0.02, 0, 0, 0.03, 0, 0, 0.005)
    pinned, _ = occ.fuse([(3, box)], [(3, pin)])
    assert smallest_concave(kernel, pinned) == math.inf


# --------------------------------------------------------------------------------- undercut


def slotted(gap, lip):
    """A block with a slot: `gap` mm of air behind a lip that reaches 20 mm over it."""

    def is_filled(x, y, z):
        return x < -gap - lip or z < 10 or (x > -lip and z < 30)

    return blocks((-60, -gap - lip, -lip, 0), (-50, 50), (-50, 10, 30, 50), is_filled)


@pytest.mark.parametrize("gap", [5.0, 12.0])
def test_an_undercut_is_as_deep_as_the_air_behind_the_lip(gap):
    check = checked(slotted(gap, 4.0), "undercut")
    assert check.state == "failed"
    assert check.value == pytest.approx(gap, abs=1e-3)  # from its floor to the back of the lip
    mesh = slotted(gap, 4.0)
    depth, places = undercut(mesh, mesh.surface == "lens")
    assert depth * 1e3 == pytest.approx(gap, abs=1e-3)
    inside = places[places[:, 0] < -4.1e-3]
    assert inside[:, 2].min() > 10e-3 - 1e-9
    assert inside[:, 2].max() < 30e-3


def test_a_step_is_no_undercut_and_one_that_leans_over_is():
    step = blocks((-40, -10, 0), (-50, 50), (-50, 20, 50), lambda x, y, z: x < -10 or z < 20)
    assert checked(step, "undercut").state == "passed"

    def leaning(points):
        moved = points.copy()
        moved[(points[:, 0] == 0) & (points[:, 2] == 20), 2] += 5  # the wall leans over by 5 mm
        return moved

    over = blocks(
        (-40, -10, 0), (-50, 50), (-50, 20, 50), lambda x, y, z: x < -10 or z < 20, leaning
    )
    check = checked(over, "undercut")
    assert check.state == "failed"
    # The floor below the very edge is 10 mm behind it, and that 1 mm further in 2 mm less; places
    # are 2 mm apart, and the view has cells of half a millimetre.
    assert 10 - 4 < check.value < 10


# ------------------------------------------------------------------------------------ draft


@pytest.mark.parametrize("angle", [2.0, 7.0])
def test_the_draft_of_a_tapered_block_is_its_taper(angle):
    def taper(points):
        moved = points.copy()
        moved[:, 1:] *= 1 - (points[:, :1] + 40) * math.tan(math.radians(angle)) / 50
        return moved

    block = blocks((-40, 0), (-50, 50), (-50, 50), lambda *_: True, taper)
    passed = checked(block, "draft", least_draft_deg=angle - 0.5)
    assert passed.value == pytest.approx(angle, abs=1e-6)
    assert passed.state == "passed"
    assert checked(block, "draft", least_draft_deg=angle + 0.5).state == "failed"


# ----------------------------------------------------------------------------- wall and lip


@pytest.mark.parametrize(("thick", "state"), [(2.9, "failed"), (3.0, "passed"), (4.0, "passed")])
def test_a_wall_is_as_thick_as_it_is(thick, state):
    def is_filled(x, y, z):
        return x < -30 or abs(z) < thick / 2

    ribbed = blocks((-60, -30, 0), (-50, 50), (-50, -thick / 2, thick / 2, 50), is_filled)
    check = checked(ribbed, "wall and lip", least_wall_mm=3.0)
    assert check.state == state
    assert check.value == pytest.approx(thick, abs=1e-6)
    assert abs(check.place_mm[2]) == pytest.approx(thick / 2)


def test_a_lip_is_found_among_large_faces():
    check = checked(slotted(12.0, 2.0), "wall and lip", least_wall_mm=3.0)
    assert check.state == "failed"
    assert check.value == pytest.approx(2.0, abs=1e-6)
    assert 10 < check.place_mm[2] < 30


def test_an_edge_that_leans_a_little_is_no_wall():
    """Sides that come in by 4 degrees towards the back: near the edge a ray soon grazes them."""
    lean = 40 * math.tan(math.radians(4))

    def leaning(points):
        shrunk = points.copy()
        at_back = points[:, 0] == -40
        shrunk[at_back, 1:] -= np.sign(points[at_back, 1:]) * lean
        return shrunk

    check = checked(
        blocks((-40, 0), (-50, 50), (-50, 50), lambda *_: True, leaning), "wall and lip"
    )
    assert check.state == "passed"
    assert check.value == pytest.approx(40.0, abs=1e-6)


def test_the_tip_of_a_drilled_hole_is_found():
    """A hole from behind, 3 mm wide, with a tip that rises by 3.1 mm within 1.5 mm."""
    across = (-50, 11.5, 13, 14.5, 50)

    def is_filled(x, y, z):
        return x > -6 or max(abs(y - 13), abs(z - 13)) > 1.5

    def pointed(points):
        moved = points.copy()
        moved[(points == (-6, 13, 13)).all(axis=1), 0] = -2.9
        return moved

    check = checked(blocks((-40, -6, 0), across, across, is_filled, pointed), "wall and lip")
    assert 2.9 < check.value < 3.4
    assert check.place_mm == pytest.approx((0, 13, 13), abs=0.5)


@pytest.mark.parametrize("deepest", range(2))
def test_every_place_of_a_fine_mesh_is_probed(deepest):
    """Two triangles, each at the bottom of a pit of its own; the deeper one is found."""
    box = trimesh.creation.box((0.02, 0.2, 0.2))
    for _ in range(6):
        box = box.subdivide()
    vertices, triangles = box.vertices - (0.01, 0, 0), np.array(box.faces)
    middles = vertices[triangles].mean(axis=1)
    front = middles[:, 0] > -1e-9
    mesh = Mesh(vertices, triangles, np.where(front, "lens", "cabinet"))
    inside = np.flatnonzero(front & (np.abs(middles[:, 1:]).max(axis=1) < 0.09))
    pits = inside[[1000, 3001]]
    for number, pit in enumerate(pits):
        vertices[triangles[pit], 0] -= 0.6e-3 if number == deepest else 0.5e-3
    check = checked(Mesh(vertices, triangles, mesh.surface), "wall and lip", least_wall_mm=19.45)
    assert check.value == pytest.approx(19.4, abs=1e-6)
    # Anywhere in that triangle, whose legs are 3.1 mm.
    middle = vertices[triangles[pits[deepest]]].mean(axis=0) * 1e3
    assert check.place_mm == pytest.approx(middle, abs=2.1)
    assert check.place_mm[0] == pytest.approx(-0.6)
    assert check.state == "failed"


def test_rays_through_the_tree_meet_what_each_triangle_alone_says():
    """A bumpy ball, looked at from within and without, also along the axes and at corners."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=0.05)
    rng = np.random.default_rng(3)
    vertices = np.array(ball.vertices) * (1 + 0.3 * rng.random((len(ball.vertices), 1)))
    mesh = Mesh(vertices, np.array(ball.faces), np.full(len(ball.faces), "lens"))
    along = np.concatenate((np.eye(3), -np.eye(3), rng.normal(size=(60, 3))))
    along /= np.linalg.norm(along, axis=1)[:, None]
    start = np.concatenate((0.2 * -along, np.zeros_like(along), vertices[:66] + 0.01 * along))
    along = np.tile(along, (3, 1))
    away, owner = first_hits(mesh, start, along, owners=True)
    alone = np.full((len(start), mesh.n_triangles), np.inf)
    for number in range(mesh.n_triangles):
        one = Mesh(vertices, mesh.triangles[number : number + 1], np.array(["lens"]))
        alone[:, number] = first_hits(one, start, along)
    assert np.array_equal(away, alone.min(axis=1))
    met = np.isfinite(away)
    assert np.array_equal(alone[met, owner[met]], away[met])
    assert np.isfinite(away[:132]).all()


def test_places_are_spread_over_large_triangles():
    mesh = plain(size=100.0)
    points, owner = probes(mesh, np.arange(mesh.n_triangles), 5e-3)
    area = np.bincount(owner, minlength=mesh.n_triangles)
    assert np.all(area >= 1)
    offsets = np.einsum("ij,ij->i", points - mesh.centroids[owner], mesh.normals[owner])
    assert np.abs(offsets).max() < 1e-12  # in the planes of their triangles
    for number in range(mesh.n_triangles):
        middle = points[owner == number].mean(axis=0)
        assert middle == pytest.approx(mesh.centroids[number], abs=1e-9)


def test_rays_meet_a_ball_where_they_should():
    """Through a ball of 50 mm at the distance b from its middle: 2 sqrt(r^2 - b^2)."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.05)
    mesh = Mesh(np.array(ball.vertices), np.array(ball.faces), np.full(len(ball.faces), "lens"))
    aside = np.array([0.0, 0.01, 0.03, 0.06])
    start = np.column_stack((np.full(4, -0.1), aside, 0.2 * aside))
    along = np.array([1.0, 0.0, 0.0])
    away, owner = first_hits(mesh, start, along, owners=True)
    first = 0.1 - np.sqrt(np.maximum(0.05**2 - 1.04 * aside**2, 0))
    assert away[:3] == pytest.approx(first[:3], abs=4e-5)
    assert math.isinf(away[3])
    assert np.all(mesh.centroids[owner[:3], 0] < 0)
    np.testing.assert_array_equal(first_hits(mesh, start, np.tile(along, (4, 1))), away)
    assert len(inner_loop(_meet).signatures) == 1  # all one way or each its own: compiled once


# --------------------------------------------------------------------------------- overhang


def test_an_overhang_is_as_large_and_as_steep_as_it_is():
    """A ledge 20 x 100 mm whose lower side rises by 30 degrees from the level."""
    rise = 20 * math.tan(math.radians(30))

    def shape(points):
        moved = points.copy()
        moved[(points[:, 0] == -20) & (points[:, 2] == 70), 0] += rise
        return moved

    def is_filled(x, y, z):
        return z < 50 or x > -20

    ledge = blocks((-60, -20, 0), (-50, 50), (-50, 50, 70), is_filled, shape)
    check = checked(ledge, "overhang", overhang_deg=45.0)
    assert check.state == "failed"
    assert check.value == pytest.approx(100 * 20 / math.cos(math.radians(30)))
    assert "down to 30 degrees" in check.text
    assert checked(ledge, "overhang", overhang_deg=29.0).state == "passed"
    level = blocks((-60, -20, 0), (-50, 50), (-50, 50, 70), is_filled)
    assert checked(level, "overhang").value == pytest.approx(2000)
    assert checked(plain(), "overhang").state == "passed"


# ------------------------------------------------------------------------------ dome's travel


def with_dome(gap):
    """A disc of 24 mm as a dome, and a bar so far in front of it, as separate bodies."""
    disc = trimesh.creation.cylinder(0.012, 0.002, sections=24)
    disc.apply_transform(trimesh.transformations.rotation_matrix(math.pi / 2, (0, 1, 0)))
    disc.apply_translation((-0.001, 0, 0))  # its front at x = 0
    bar = trimesh.creation.box((0.004, 0.1, 0.01))
    bar.apply_translation((gap * 1e-3 + 0.002, 0, 0))
    whole = trimesh.util.concatenate([disc, bar])
    surface = np.array(["dome"] * len(disc.faces) + ["lens"] * len(bar.faces))
    return Mesh(np.array(whole.vertices), np.array(whole.faces, dtype=np.int64), surface)


@pytest.mark.parametrize(("travel", "state"), [(1.0, "passed"), (2.4, "passed"), (2.6, "failed")])
def test_a_dome_that_moves_leaves_the_gap_less_its_travel(travel, state):
    check = checked(with_dome(3.0), "dome's travel", dome_travel_mm=travel)
    assert check.state == state
    assert check.value == pytest.approx(3.0 - travel, abs=1e-6)


def test_without_a_dome_its_travel_is_not_checked():
    assert checked(plain(), "dome's travel").state == "not checked"


# -------------------------------------------------------------------------- flange and screws


FIXING = {"flange_mm": 70.0, "screws": 4, "screw_circle_mm": 60.0, "screw_head_mm": 8.0}


def grooved(low, high):
    def is_filled(x, y, z):
        return x < -5 or not low < z < high

    return blocks((-40, -5, 0), (-50, 50), (-50, low, high, 50), is_filled)


def test_screws_are_where_the_circle_says():
    places = screw_places(TWEETER, HandoffSection(**FIXING)) * 1e3
    assert places == pytest.approx(np.array([[0, 30], [30, 0], [0, -30], [-30, 0]]), abs=1e-9)


def test_a_flange_needs_flat_ground():
    assert checked(plain(), "flange and screws", **FIXING).state == "passed"
    # A groove under the upper screw's head, 26 to 34 mm up, though not under the flange's edge.
    only_screws = {**FIXING, "flange_mm": None}
    cut = checked(grooved(32.0, 33.0), "flange and screws", **only_screws)
    assert cut.state == "failed"
    assert checked(grooved(36.0, 40.0), "flange and screws", **FIXING).state == "passed"
    # The flange's edge, 35 mm up, hangs over; the screws do not.
    over = checked(grooved(34.5, 40.0), "flange and screws", **FIXING)
    assert over.state == "failed"
    assert checked(grooved(34.5, 40.0), "flange and screws", **only_screws).state == "passed"
    # A block smaller than the flange.
    assert checked(plain(size=66.0), "flange and screws", **FIXING).state == "failed"
    assert checked(plain(), "flange and screws").state == "not checked"
