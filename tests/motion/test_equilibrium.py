"""The jaw at rest: closed forms of foundation and springs, levers, and forces summed anew."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from motion.test_closure import LEVER_MM, PLANE_MM, RADIUS_MM, SUPERIOR, cap, depth_of_load
from numpy.testing import assert_allclose
from reference.laws import fitted_order
from scipy.integrate import quad
from scipy.optimize import brentq

from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody, FoundationSettings
from occlusim.contact.overlap import clipped_integrals
from occlusim.contact.patches import contacts_by_pair
from occlusim.errors import DegenerateProblem
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.motion import equilibrium
from occlusim.motion.closure import ClosureSettings, Opposition
from occlusim.motion.equilibrium import balance
from occlusim.motion.hinge import Hinge
from occlusim.motion.joints import JointSettings, Muscle
from occlusim.motion.linear_jaw import Statics
from occlusim.motion.mobility import MobilitySettings
from occlusim.motion.suspension import Suspension
from occlusim.sdf import SdfSettings

K = 300.0  # MPa/mm
HALF_MM = 50.0
IN_MM = np.array([80.0, 1.0, 1.0])
ENDS_MM = 1e-4
"""How small a last step ends the search where teeth give way."""
MUSCLE_MM = 35.0
CAP_N = 60
SAG_MM = (2 * RADIUS_MM * np.tan(0.35) / CAP_N) ** 2 / (4 * RADIUS_MM)
"""Most that such a cap's facets lie below its sphere: a square's half diagonal^2 / (2 R)."""


def grid(nx, ny):
    """Return the faces of nx * ny squares of a grid; they face up where x, y are ascending."""
    i = np.arange(nx * (ny + 1)).reshape(nx, ny + 1)[:, :-1].ravel()
    return np.concatenate(
        [
            np.column_stack([i, i + ny + 1, i + 1]),
            np.column_stack([i + 1, i + ny + 1, i + ny + 2]),
        ]
    )


def table(x_mm, y_mm, z_mm=PLANE_MM):
    """Return a plate that faces down between some x and some y."""
    x, y = np.meshgrid(x_mm, y_mm, indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, z_mm)])
    return TriangleMesh(vertices, grid(len(x_mm) - 1, len(y_mm) - 1)[:, ::-1])


def stud(x_mm, y_mm, z_mm, half_mm=0.5):
    """Return a flat square that faces up."""
    square = table(
        x_mm + np.linspace(-half_mm, half_mm, 3), y_mm + np.linspace(-half_mm, half_mm, 3)
    )
    return TriangleMesh(
        square.vertices + np.array([0.0, 0.0, z_mm - PLANE_MM]), square.faces[:, ::-1]
    )


def joined(parts):
    """Return the meshes of (mesh, tooth) pairs in one, and the tooth of each face."""
    offset = np.cumsum([0] + [len(m.vertices) for m, _ in parts[:-1]])
    mesh = TriangleMesh(
        np.concatenate([m.vertices for m, _ in parts]),
        np.concatenate([m.faces + k for (m, _), k in zip(parts, offset, strict=True)]),
    )
    return mesh, np.concatenate([np.full(len(m.faces), t) for m, t in parts])


def facing(upper, lower, *, field_is_upper=True):
    """Return the opposition of two lists of (mesh, tooth)."""
    (upper_mesh, upper_tooth), (lower_mesh, lower_tooth) = joined(upper), joined(lower)
    if field_is_upper:
        field = GapField.build(Surface.build(upper_mesh), SdfSettings())
        body = ContactBody("lower", lower_mesh.vertices, lower_mesh.faces, lower_tooth)
        return Opposition(field, body, True, upper_tooth)
    field = GapField.build(Surface.build(lower_mesh), SdfSettings())
    body = ContactBody("upper", upper_mesh.vertices, upper_mesh.faces, upper_tooth)
    return Opposition(field, body, False, lower_tooth)


def jaw():
    return Suspension(
        Hinge(np.zeros(3), np.array([1.0, 0.0, 0.0]), RigidTransform.identity()), SUPERIOR, HALF_MM
    )


def statics(k=K, muscle_mm=(0.0, MUSCLE_MM, 0.0), is_held=False, **mobility):
    return Statics(
        FoundationSettings(stiffness_MPa_per_mm=k),
        MobilitySettings(**mobility),
        JointSettings(is_held=is_held),
        Muscle(list(muscle_mm), SUPERIOR),
    )


def settle(opposition, load_N, given, start=None, at=None):
    return balance(at or jaw(), [opposition], load_N, given, ClosureSettings(), start=start)


def pair_loads(found, opposition):
    """Return load (N) by body tooth."""
    pairs = contacts_by_pair(
        found.prints[0], found.loads[0], opposition.body.tooth, opposition.field_tooth
    )
    loads = {}
    for pair in pairs:
        loads[pair.body_tooth] = loads.get(pair.body_tooth, 0.0) + pair.load_N
    return loads


def yielding_mm(force_N):
    """Return how far a tooth yields along its axis: the law turned round."""
    return min(force_N, 3.5) / 200.0 + max(force_N - 3.5, 0.0) / 2000.0


@pytest.fixture(scope="module")
def sphere():
    """A sphere just below a plate."""
    top = PLANE_MM - 0.01
    lower = cap(np.array([0.0, LEVER_MM, top - RADIUS_MM]), n=CAP_N)
    span = np.linspace(-4.0, 4.0, 9)
    return facing([(table(span, LEVER_MM + span), 26)], [(lower, 36)])


# --- the foundation alone -----------------------------------------------------------------------


@pytest.mark.parametrize("load_N", [1.0, 10.0, 60.0])
def test_a_sphere_sinks_to_the_depth_of_its_load(sphere, load_N):
    """F = k pi d^2 (R - d / 3): Winkler foundation, Johnson 1985 chapter 4 (from memory)."""
    found = settle(sphere, load_N, statics(pace="quick"))
    depth_mm = depth_of_load(load_N, K)
    # The facets lie below the sphere by SAG_MM at most, so it sinks in by as much more.
    sunk_mm = -found.prints[0].gap_mm.min() - depth_mm
    assert -1e-5 < sunk_mm < SAG_MM
    assert_allclose(found.support_N, load_N, rtol=1e-9, atol=0)
    # Moments about the axis: load * arm = muscle * arm. On its way the sphere goes forward, and the
    # muscle's point backward, by less than 0.2 mm / LEVER * PLANE.
    assert_allclose(found.muscle_N, load_N * LEVER_MM / MUSCLE_MM, rtol=5e-4, atol=0)
    assert_allclose(found.joint_N, 0.5 * (found.muscle_N - load_N), rtol=1e-6, atol=0)
    assert not found.yielded
    assert not found.freedom[1:].any()


def cut_volume(corners, z):
    """Return the volume of a triangle's part above a height, down to it: clipped by hand."""
    kept = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if a[2] > z:
            kept.append(a)
        if (a[2] > z) != (b[2] > z):
            kept.append(a + (z - a[2]) / (b[2] - a[2]) * (b - a))
    volume = 0.0
    for b, c in pairwise(kept[1:]):
        u, v = b - kept[0], c - kept[0]
        volume += 0.5 * (u[0] * v[1] - u[1] * v[0]) * ((kept[0][2] + b[2] + c[2]) / 3 - z)
    return volume


def test_force_is_stiffness_times_the_volume_between_the_surfaces(sphere):
    """For any rigid shape, the volume measured along the load (Johnson 1985, from memory)."""
    found = settle(sphere, 20.0, statics(pace="quick"))
    moved = found.T_upper_lower.apply(sphere.body.points)[sphere.body.faces]
    volume = sum(cut_volume(c, PLANE_MM) for c in moved[moved[:, :, 2].max(axis=1) > PLANE_MM])
    # Rounding: a plate's gap is linear. The last step, 2e-5 mm, bends it by (2e-5)^2 / LEVER.
    assert_allclose(found.support_N, K * volume, rtol=1e-8, atol=0)
    assert_allclose(found.loads[0].vertical_N.sum(), 20.0, rtol=1e-8, atol=0)


def pair_force(depth_mm, r1, r2):
    """Return the vertical force between two spheres, overlap measured from the first: a slow twin.

    From its top outwards by the angle a: overlap towards the other's centre, area seen along it.
    """
    apart = r1 + r2 - depth_mm

    def ring(a):
        way = np.array([r1 * np.sin(a), r1 * np.cos(a) - apart])  # from the other's centre
        far = np.linalg.norm(way)
        counted = -(np.array([np.sin(a), np.cos(a)]) @ way) / far
        return K * (r2 - far) * counted * (-way[1] / far) * 2 * np.pi * r1**2 * np.sin(a)

    edge = np.arccos((apart**2 + r1**2 - r2**2) / (2 * apart * r1))
    return quad(ring, 0.0, edge, epsabs=0, epsrel=1e-12)[0]


def test_the_law_of_two_spheres_holds_to_first_order_in_depth():
    """F = pi k R d^2, 1/R = 1/R1 + 1/R2: what is left out is of the order d / R."""
    r1, r2 = RADIUS_MM, 2.0
    r = r1 * r2 / (r1 + r2)
    depth = np.array([0.005, 0.01, 0.02, 0.04])
    off = [abs(pair_force(d, r1, r2) / (np.pi * K * r * d**2) - 1) for d in depth]
    assert abs(fitted_order(depth, off) - 1.0) < 0.02
    assert (np.array(off) < depth / r).all()


@pytest.fixture(scope="module")
def two_spheres():
    """A sphere of 3 mm below one of 2 mm, their centres one above the other where they touch."""
    r2, centre = 2.0, np.array([0.0, LEVER_MM, -RADIUS_MM])
    lower = cap(centre, n=CAP_N)
    above = cap(np.zeros(3), radius_mm=r2, n=CAP_N)
    vertices = above.vertices * [1.0, 1.0, -1.0] + [0.0, LEVER_MM, r2]
    return [(TriangleMesh(vertices, above.faces[:, ::-1]), 26)], [(lower, 36)]


def test_two_spheres_sink_by_the_law_of_their_effective_radius(two_spheres):
    opposition = facing(*two_spheres)
    load_N, r1, r2 = 5.0, RADIUS_MM, 2.0
    found = settle(opposition, load_N, statics(pace="quick"))
    depth = brentq(lambda d: pair_force(d, r1, r2) - load_N, 1e-4, 0.2)
    sunk = -found.prints[0].gap_mm.min()
    # The overlap, bent by 1 / R, is taken linear over the lower facets of edge h: h^2 / (4 R) at
    # most; the upper facets lie below their sphere. The closing jaw leads one top past the other by
    # 3 um, which changes the gap by nothing.
    r = r1 * r2 / (r1 + r2)
    less_mm = SAG_MM * (r1 / r + r2 / r1)
    assert -1e-5 < sunk - depth < less_mm
    law = np.sqrt(load_N / (np.pi * K * r))
    assert abs(sunk / law - 1) < 0.5 * law / r + less_mm / law


def test_a_ridge_sinks_to_the_area_of_its_circular_segment():
    """F = k W (R^2 acos((R - d) / R) - (R - d) sqrt(2 R d - d^2)), W the ridge's length."""
    width_mm, n = 4.0, 400
    angle = np.linspace(-0.3, 0.3, n + 1)
    x, a = np.meshgrid([-0.5 * width_mm, 0.0, 0.5 * width_mm], angle, indexing="ij")
    points = np.column_stack(
        [
            x.ravel(),
            LEVER_MM + RADIUS_MM * np.sin(a).ravel(),
            PLANE_MM - 0.01 + RADIUS_MM * (np.cos(a).ravel() - 1.0),
        ]
    )
    span = np.linspace(-4.0, 4.0, 9)
    opposition = facing(
        [(table(span, LEVER_MM + span), 26)], [(TriangleMesh(points, grid(2, n)), 36)]
    )
    found = settle(opposition, 20.0, statics(pace="quick"))

    def force(d):
        half = (RADIUS_MM - d) * np.sqrt(2 * RADIUS_MM * d - d * d)
        return K * width_mm * (RADIUS_MM**2 * np.arccos((RADIUS_MM - d) / RADIUS_MM) - half)

    depth = brentq(lambda d: force(d) - 20.0, 1e-4, 0.3)
    sag_mm = RADIUS_MM * (0.6 / n) ** 2 / 8
    assert_allclose(-found.prints[0].gap_mm.min(), depth, rtol=0, atol=2 * sag_mm)


# --- teeth in their sockets ---------------------------------------------------------------------


@pytest.mark.parametrize(("load_N", "u_um"), [(2.0, 10.0), (20.0, 25.75), (200.0, 115.75)])
def test_both_teeth_yield_by_the_bilinear_law(sphere, load_N, u_um):
    """Derived law (see the settings): the foundation is pressed as if they did not yield."""
    found = settle(sphere, load_N, statics(is_held=True))
    ways = found.yielded
    # Forces are vertical: the plate's normal. What is left over on a tooth is below 1e-9 of them.
    assert_allclose(ways[36], -u_um * 1e-3 * SUPERIOR, rtol=0, atol=1e-8)
    assert_allclose(ways[26], u_um * 1e-3 * SUPERIOR, rtol=0, atol=1e-8)
    quick = settle(sphere, load_N, statics(pace="quick"))
    depth = [-f.prints[0].gap_mm.min() for f in (found, quick)]
    # The sphere's top travels by two yieldings more, and rolls over its facets by way / LEVER.
    assert_allclose(depth[0], depth[1], rtol=0, atol=SAG_MM)
    # So the jaw closes by what both teeth give: along the circle about the axis.
    ends = [f.T_upper_lower.apply([[0.0, LEVER_MM, PLANE_MM - 0.01]])[0, 2] for f in (found, quick)]
    assert_allclose(ends[0] - ends[1], 2e-3 * u_um, rtol=0, atol=SAG_MM)


@pytest.mark.parametrize("factor", [0.5, 3.0])
def test_a_looser_tooth_yields_in_proportion(sphere, factor):
    found = settle(sphere, 20.0, statics(is_held=True, factor={36: factor}))
    assert_allclose(found.yielded[36][2], -factor * yielding_mm(20.0), rtol=1e-6, atol=0)
    assert_allclose(found.yielded[26][2], yielding_mm(20.0), rtol=1e-6, atol=0)


def test_an_implant_does_not_yield_and_a_quick_bite_takes_all_alike(sphere):
    held = settle(sphere, 20.0, statics(is_held=True, rigid=frozenset({36})))
    assert set(held.yielded) == {26}
    alike = [
        settle(sphere, 20.0, statics(pace="quick", rigid=frozenset(teeth))).opening_rad
        for teeth in ((), (36,))
    ]
    assert alike[0] == alike[1]


NATURAL = (35, 34, 44, 45)
X_OF = {35: -8.0, 34: -4.0, 41: 0.0, 44: 4.0, 45: 8.0}
STIFF = 3000.0  # MPa/mm: the foundation is stiffer than the sockets here


def row(clearance_mm):
    """Return four studs of 1 mm2 that touch a plate, and an implant's between, lower by some way.

    All at the same distance from the axis, symmetric about the middle.
    """
    lower = [
        (stud(x, LEVER_MM, PLANE_MM - (clearance_mm if tooth == 41 else 0.0)), tooth)
        for tooth, x in X_OF.items()
    ]
    return facing([(table(np.linspace(-10, 10, 21), LEVER_MM + np.linspace(-2, 2, 5)), 0)], lower)


def row_statics():
    return statics(k=STIFF, is_held=True, rigid=frozenset({41}))


def shares(load_N, clearance_mm):
    """Return the movement, mm, and the forces of a natural tooth and of the implant: closed form.

    n bilinear teeth on their foundation side by side, and a stiff implant on its own behind a gap.
    """

    def natural_N(moved_mm):
        knee_mm = 3.5 / 200.0 + 3.5 / STIFF
        if moved_mm <= knee_mm:
            return moved_mm / (1 / 200.0 + 1 / STIFF)
        return 3.5 + (moved_mm - knee_mm) / (1 / 2000.0 + 1 / STIFF)

    def implant_N(moved_mm):
        return STIFF * max(moved_mm - clearance_mm, 0.0)

    moved = brentq(lambda m: 4 * natural_N(m) + implant_N(m) - load_N, 0.0, 1.0, xtol=1e-14)
    return moved, natural_N(moved), implant_N(moved)


@pytest.mark.parametrize("clearance_um", [10.0, 30.0])
def test_an_implant_carries_once_its_neighbours_have_moved_by_its_clearance(clearance_um):
    clearance_mm = clearance_um * 1e-3
    opposition, given, last = row(clearance_mm), row_statics(), None
    loads = np.concatenate([[4.0, 8.0, 12.0], np.linspace(13.0, 16.0, 7), [20.0, 60.0, 100.0]])
    carried = []
    for load_N in loads:
        last = settle(opposition, load_N, given, start=last)
        moved_mm, natural_N, implant_N = shares(load_N, clearance_mm)
        found = pair_loads(last, opposition)
        # A jaw that turns by m / LEVER tilts a stud of half-width 0.5 mm: the mean overlap is that
        # of its middle, but for the part that lifts off, m / LEVER / 8 at most; the way along the
        # circle, m^2 / LEVER, is less.
        error_N = STIFF * (moved_mm / LEVER_MM) * 0.125
        for tooth in NATURAL:
            assert_allclose(found[tooth], natural_N, rtol=0, atol=error_N)
        assert_allclose(found.get(41, 0.0), implant_N, rtol=0, atol=4 * error_N)
        if moved_mm < clearance_mm - 0.5 * moved_mm / LEVER_MM:
            assert 41 not in found
        carried.append(found.get(41, 0.0))
    assert carried[0] == 0.0
    assert carried[-1] > 1.0
    # No jump: every newton more is shared, and no tooth gets less than before or more than all.
    assert (np.diff(carried) >= -1e-6).all()
    assert (np.diff(carried) <= np.diff(loads) + 1e-6).all()


def test_an_implant_lets_foil_slip_at_a_light_bite_and_holds_it_at_a_heavy_one():
    """Foil of 8 um slips from a gap of 8 um on (Harper & Setchell 2002, READ).

    30 um of clearance at a light bite of 3.5 N a tooth, contact at a heavy one (Lundgren & Laurell
    1994 and others, from memory).
    """
    at_light_mm = 3.5 / 200.0 + 3.5 / STIFF
    opposition, given = row(at_light_mm + 0.03), row_statics()
    implant = opposition.body.points[np.unique(opposition.body.faces[opposition.body.tooth == 41])]
    light = settle(opposition, 4 * 3.5, given)
    gap_mm = opposition.field.exact(light.T_upper_lower.apply(implant))
    # The mean over a stud tilted by 0.02 mm / LEVER.
    assert_allclose(gap_mm.mean(), 0.03, rtol=0, atol=1e-4)
    assert gap_mm.min() > 0.008
    heavy = settle(opposition, 200.0, given, start=light)
    assert opposition.field.exact(heavy.T_upper_lower.apply(implant)).max() <= 0.0
    found = pair_loads(heavy, opposition)
    assert 0 < found[41] < min(found[t] for t in NATURAL)


# --- joints and muscles -------------------------------------------------------------------------


def pads(y_mm, tooth=36):
    """Return studs right and left at some distances from the axis, touching a plate."""
    lower = [(stud(x, y, PLANE_MM), tooth + k) for k, y in enumerate(y_mm) for x in (-20.0, 20.0)]
    return facing(
        [(table(np.linspace(-22, 22, 23), np.linspace(min(y_mm) - 3, max(y_mm) + 3, 13)), 0)], lower
    )


def test_teeth_in_front_of_the_muscles_press_both_condyles_into_their_fossae():
    """The springs rise by force / stiffness, and the lever has the closed form of a beam."""
    found = settle(pads([LEVER_MM]), 40.0, statics())
    # The muscle's arm is that of its point, which goes back by less than 0.3 mm / LEVER * PLANE.
    muscle_N = 40.0 * LEVER_MM / MUSCLE_MM
    assert_allclose(found.muscle_N, muscle_N, rtol=5e-4, atol=0)
    assert_allclose(found.joint_N, 0.5 * (muscle_N - 40.0), rtol=2e-3, atol=0)
    assert_allclose(found.freedom[1:], found.joint_N / 300.0, rtol=1e-6, atol=0)
    assert not found.is_joint_unloaded


def test_muscles_between_the_teeth_unload_the_condyles():
    """A beam on two supports: with the muscle at 65 mm, those at 50 and 70 mm carry 1 to 3."""
    opposition = pads([50.0, 70.0])
    found = settle(opposition, 40.0, statics(muscle_mm=(0.0, 65.0, 0.0)))
    assert found.is_joint_unloaded
    assert_allclose(found.joint_N, 0.0, rtol=0, atol=1e-6 * 40.0)
    assert (found.freedom[1:] <= 0.0).all()
    assert_allclose(found.muscle_N, 40.0, rtol=1e-6, atol=0)
    carried = pair_loads(found, opposition)
    # The centre of pressure of a stud that tilts lies off its middle by half-width^2 / 3 * tilt /
    # depth, 0.1 mm in 20 mm here.
    assert_allclose([carried[36], carried[37]], [10.0, 30.0], rtol=0, atol=40.0 * 0.1 / 20.0)


def test_a_jaw_that_would_tip_about_its_teeth_is_refused():
    with pytest.raises(DegenerateProblem, match="tip"):
        settle(pads([LEVER_MM]), 40.0, statics(muscle_mm=(0.0, 70.0, 0.0)))


def test_a_muscle_behind_the_axis_does_not_close():
    with pytest.raises(DegenerateProblem, match="does not close"):
        settle(pads([LEVER_MM]), 40.0, statics(muscle_mm=(0.0, -10.0, 0.0)))


# --- an uneven jaw: everything at once ----------------------------------------------------------


def uneven(mirror=1.0, n=48):
    """Return three lower caps under upper ones, offset sideways and forward, one pair on a side.

    Upper and lower meshes with teeth; mirror = -1 exchanges right and left.
    """
    upper, lower = [], []
    places = [
        ([-22.0, 45.0], [0.5, 0.3], 46, 16), ([-20.0, 58.0], [-0.4, 0.6], 44, 14),
        ([21.0, 50.0], [0.3, -0.5], 36, 26),
    ]  # fmt: skip
    for (x, y), (dx, dy), low, up in places:
        drop = 5.0 - np.sqrt(25.0 - dx * dx - dy * dy)  # so that all touch at once
        below = cap(np.array([x, y, -3.0]), half_angle=0.45, n=n)
        above = cap(np.zeros(3), radius_mm=2.0, half_angle=0.6, n=n)
        turned = above.vertices * [1.0, 1.0, -1.0] + [x + dx, y + dy, 2.0 - drop]
        for parts, mesh, tooth in (
            (lower, below, low), (upper, TriangleMesh(turned, above.faces[:, ::-1]), up)
        ):  # fmt: skip
            faces = mesh.faces if mirror > 0 else mesh.faces[:, ::-1]
            parts.append((TriangleMesh(mesh.vertices * [mirror, 1.0, 1.0], faces), tooth))
    return upper, lower


@pytest.fixture(scope="module")
def jaws():
    """The uneven jaw, its statics with all that gives way, and its equilibrium under 60 N."""
    opposition, given = facing(*uneven()), statics(rigid=frozenset({14}), factor={46: 1.5})
    return opposition, given, settle(opposition, 60.0, given)


def summed_anew(opposition, given, found):
    """Return forces (k, 3) on the lower jaw and their points (k, 3): from exact gaps, by numpy.

    Vertices are displaced as their teeth are; on each face overlap is linear; the pressed part is
    cut out and integrated by the rule of edge midpoints, exact for the products of two linear
    functions; a corner's share acts at the corner along the direction from the nearest point.
    """
    body, pose = opposition.body, found.T_upper_lower
    ways = np.zeros((100, 3))
    for tooth, way in found.yielded.items():
        ways[tooth] = way
    placed = pose.apply(body.points)
    tooth = np.zeros(len(placed), dtype=int)
    tooth[body.faces.ravel()] = np.repeat(body.tooth, 3)
    met = opposition.field_tooth[opposition.field.surface.closest(placed).faces]
    moved = placed + ways[tooth] - ways[met]
    closest = opposition.field.surface.closest(moved, 1.0)
    gap = closest.distance_mm
    away = (moved - closest.points) * np.sign(gap)[:, None]
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-300)
    forces, points, teeth = [], [], []
    touched = np.flatnonzero((gap[body.faces] < 0).any(axis=1))
    for f in touched:
        corner, g = body.faces[f], gap[body.faces[f]]
        p = moved[corner]
        normal = np.cross(p[1] - p[0], p[2] - p[0])
        counted = 0.5 * max(-normal @ away[corner].mean(axis=0), 0.0)
        share = np.zeros(3)
        for triangle in pressed_parts(g):
            part = abs(np.linalg.det(triangle))
            middles = 0.5 * (triangle + np.roll(triangle, -1, axis=0))
            share += part / 3.0 * ((-middles @ g)[:, None] * middles).sum(axis=0)
        push = given.foundation.stiffness_MPa_per_mm * counted * share
        forces.append(push[:, None] * away[corner])
        points.append(p)
        teeth.append((body.tooth[f], met[corner[np.argmin(g)]]))
    return np.array(forces), np.array(points), np.array(teeth)


def pressed_parts(gap):
    """Return the triangles (3, 3), in corner functions, of a face's part with negative gap."""
    kept, eye = [], np.eye(3)
    for a in range(3):
        b = (a + 1) % 3
        if gap[a] < 0:
            kept.append(eye[a])
        if (gap[a] < 0) != (gap[b] < 0):
            t = gap[a] / (gap[a] - gap[b])
            kept.append((1 - t) * eye[a] + t * eye[b])
    return [np.array([kept[0], b, c]) for b, c in pairwise(kept[1:])]


def test_forces_and_moments_balance_when_they_are_summed_anew(jaws, monkeypatch):
    """Vertical, about the intercondylar axis and about the forward one; teeth, muscle, joints."""
    opposition, given, rest = jaws
    monkeypatch.setattr(equilibrium, "YIELDING_STEP_MM", 1e-6)
    close = settle(opposition, 60.0, given, start=rest)
    # A last step s is taken on gaps that are linear; over it directions turn by s / r, r = 2 mm the
    # smaller radius, where surfaces slope by 0.3 at most: a share 0.15 s / mm of the force.
    for found, step_mm in ((rest, ENDS_MM), (close, 1e-6)):
        forces, points, _ = summed_anew(opposition, given, found)
        right = found.T_upper_lower.rotate(np.array([1.0, 0.0, 0.0]))
        middle = found.freedom[1:].mean() * SUPERIOR
        muscle = found.T_upper_lower.apply(np.array([0.0, MUSCLE_MM, 0.0]))
        condyles = middle + np.array([[HALF_MM], [-HALF_MM]]) * right
        pulls = np.vstack([found.muscle_N * SUPERIOR, -found.joint_N[:, None] * SUPERIOR])
        push = np.vstack([forces.reshape(-1, 3), pulls])
        at = np.vstack([points.reshape(-1, 3), muscle, condyles])
        moment = np.cross(at - middle, push).sum(axis=0)
        left = [push.sum(axis=0)[2], moment @ right / 80.0, moment @ np.cross(SUPERIOR, right) / 50]
        assert_allclose(left, 0.0, rtol=0, atol=0.15 * step_mm * 60.0)
        assert_allclose(forces.sum(axis=(0, 1))[2], -60.0, rtol=0.15 * step_mm, atol=0)
        assert_allclose(found.joint_N, 300.0 * found.freedom[1:], rtol=1e-9, atol=0)
    assert np.abs(left).max() < 1e-6 * 60.0


def test_every_tooth_yields_to_the_force_upon_it(jaws):
    """Equal and opposite: what presses a lower tooth down presses its antagonist up."""
    opposition, given, found = jaws
    forces, _, teeth = summed_anew(opposition, given, found)
    assert set(found.yielded) == {46, 44, 36, 16, 26}  # 14 is an implant
    assert {tuple(pair) for pair in teeth} == {(46, 16), (44, 14), (36, 26)}
    for tooth, way in found.yielded.items():
        column, sign = (0, 1.0) if tooth > 30 else (1, -1.0)
        force = sign * forces[teeth[:, column] == tooth].sum(axis=(0, 1))
        softer = given.mobility.factor.get(tooth, 1.0)
        aside = np.hypot(force[0], force[1])
        across = 10.0 * yielding_mm(aside) * force[:2] / aside
        along = np.sign(force[2]) * yielding_mm(abs(force[2]))
        # Directions turn by s / r = 1e-4 / 2 in the last step, and so does a force of 32 N or less;
        # across, the stiff spring has 200 N/mm, the soft one 20 up to 3.5 N.
        assert_allclose(way[:2], softer * across, rtol=0, atol=softer * 5e-5 * 32 / 20.0)
        assert_allclose(way[2], softer * along, rtol=0, atol=softer * 5e-5 * 32 / 200.0)


def test_what_is_reported_as_left_over_is_nothing(jaws):
    _, _, found = jaws
    assert_allclose(found.residual / (60.0 * np.array([1.0, 80.0, HALF_MM])), 0, rtol=0, atol=1e-9)
    assert found.tooth_residual_N < 1e-6 * 60.0
    assert_allclose(found.support_N, 60.0, rtol=1e-9, atol=0)
    assert_allclose(found.loads[0].vertical_N.sum(), 60.0, rtol=1e-9, atol=0)


@pytest.mark.parametrize(("n", "has_lateral"), [(48, False), (96, True)])
def test_a_rigid_motion_of_everything_changes_nothing(n, has_lateral):
    """Across its axis a tooth is so soft that coarse facets would hold it by their edges."""
    given = statics(rigid=frozenset({14}), factor={46: 1.5}, has_lateral=has_lateral)
    parts = uneven(n=n)
    still = settle(facing(*parts), 60.0, given)
    turn = RigidTransform.exp([0.3, -0.5, 0.8, 20.0, -30.0, 10.0])
    moved_jaw = Suspension(
        Hinge(turn.apply(np.zeros(3)), turn.rotate([1.0, 0.0, 0.0]), RigidTransform.identity()),
        turn.rotate(SUPERIOR), HALF_MM,
    )  # fmt: skip
    opposition = facing(
        *[[(mesh.transformed(turn), tooth) for mesh, tooth in part] for part in parts]
    )
    muscle = Muscle(turn.apply(np.array([0.0, MUSCLE_MM, 0.0])), turn.rotate(SUPERIOR))
    found = settle(opposition, 60.0, replace(given, muscle=muscle), at=moved_jaw)
    # One search may take one round more than the other: a step of ENDS_MM at most.
    assert_allclose(found.freedom * IN_MM, still.freedom * IN_MM, rtol=0, atol=ENDS_MM)
    assert_allclose(found.joint_N, still.joint_N, rtol=0, atol=ENDS_MM * 300.0)
    for tooth, way in still.yielded.items():
        back = turn.inverse().rotate(found.yielded[tooth])
        assert_allclose(back, way, rtol=0, atol=ENDS_MM)


def test_mirroring_exchanges_right_and_left(jaws):
    _, given, still = jaws
    found = settle(facing(*uneven(-1.0)), 60.0, given)
    assert abs(still.joint_N[0] - still.joint_N[1]) > 1.0
    assert_allclose(found.opening_rad * 80.0, still.opening_rad * 80.0, rtol=0, atol=1e-4)
    assert_allclose(found.joint_N[::-1], still.joint_N, rtol=0, atol=1e-4 * 300.0)
    for tooth, way in still.yielded.items():
        assert_allclose(found.yielded[tooth] * [-1, 1, 1], way, rtol=0, atol=1e-4)


def swapped(upper, lower, load_N, given):
    """Return freedoms, opening as mm at its lever, with the one and the other jaw the field."""
    return [
        settle(facing(upper, lower, field_is_upper=is_upper), load_N, given).freedom * IN_MM
        for is_upper in (True, False)
    ]


def test_either_jaw_may_be_the_field():
    edge = np.linspace(-0.5, 0.5, 81)
    sphere_below = cap(
        np.array([0.0, LEVER_MM, PLANE_MM - 0.01 - RADIUS_MM]), half_angle=0.15, n=80
    )
    one, other = swapped(
        [(table(edge, LEVER_MM + edge), 26)], [(sphere_below, 36)], 0.5, statics(is_held=True)
    )
    # Facets of 0.0125 mm on either side of a radius of 3 mm lie 0.01 um off; a depth d of 13 um is
    # measured along either normal: d^2 / (2 R), 0.03 um; each search ends with 0.1 um at most.
    assert_allclose(one, other, rtol=0, atol=1e-4)


def test_which_jaw_is_the_field_matters_by_the_square_of_the_depth():
    """Overlap along either normal differs by d^2 / R: as the load, for F = pi k R d^2."""
    loads = [4.0, 16.0, 64.0]
    given = statics(rigid=frozenset({14}), factor={46: 1.5})
    apart = [np.abs(np.subtract(*swapped(*uneven(), n, given))).max() for n in loads]
    # Of the least, 0.4 um, a quarter is where the searches end: log(1.25) / log(16) = 0.1, twice.
    assert abs(fitted_order(loads, apart) - 1.0) < 0.2


def test_without_lateral_springs_teeth_yield_along_their_axes_alone(jaws):
    opposition, given, free = jaws
    held = replace(given, mobility=replace(given.mobility, has_lateral=False))
    found = settle(opposition, 60.0, held)
    assert max(np.abs(way[:2]).max() for way in free.yielded.values()) > 0.01
    for tooth, way in found.yielded.items():
        assert_allclose(way[:2], 0.0, rtol=0, atol=1e-15)
        assert way[2] * (1 if tooth < 30 else -1) > 0


# --- load and contact ---------------------------------------------------------------------------


def test_a_vanishing_load_leads_to_first_contact(sphere):
    """Depth ~ sqrt(load) on the foundation; sockets and joints add what is linear in the load."""
    loads = np.array([4.0, 1.0, 0.25, 0.0625])
    top = np.array([[0.0, LEVER_MM, PLANE_MM - 0.01]])
    rises = {}
    for pace in ("quick", "sustained"):
        last, high = None, []
        for load_N in loads:
            last = settle(sphere, load_N, statics(pace=pace), start=last)
            high.append(last.T_upper_lower.apply(top)[0, 2] - PLANE_MM)
        rises[pace] = np.array(high)
    # d / (3 R) bends the law by 0.4 %, SAG_MM / d by 2 %, over a factor of 64 in load.
    assert abs(fitted_order(loads, rises["quick"]) - 0.5) < 0.01
    added = rises["sustained"] - rises["quick"]
    assert_allclose(added[1:], 2 * loads[1:] / 200.0, rtol=0, atol=SAG_MM)
    assert (rises["quick"] > 0).all()


def test_force_and_area_rise_with_the_load(jaws):
    """A trend alone: both rise with clench in people (Hidaka 1999, Kumagai 1999, READ)."""
    opposition, given, last = jaws
    area, joints, pressed = [], [], []
    for load_N in (20.0, 40.0, 80.0, 160.0):
        last = settle(opposition, load_N, given, start=last)
        area.append(last.loads[0].area_mm2.sum())
        joints.append(last.joint_N.min())
        pressed.append(min(pair_loads(last, opposition).values()))
    for values in (area, joints, pressed):
        assert (np.diff(values) > 0).all()


@pytest.mark.parametrize("load_N", [1e-3, 10.0])
def test_a_thicker_foil_marks_all_that_a_thinner_one_does(load_N):
    """Area pi (2 R t - t^2), t foil and depth together (derived): thin marks lie inside thick ones.

    As seen on 15 implant crowns: Brizuela-Velasco et al. 2015 (READ).
    """
    n, half_angle = 100, 0.5
    lower = cap(np.array([0.0, LEVER_MM, PLANE_MM - RADIUS_MM]), half_angle=half_angle, n=n)
    span = np.linspace(-4.0, 4.0, 9)
    opposition = facing([(table(span, LEVER_MM + span), 26)], [(lower, 36)])
    found = settle(opposition, load_N, statics(pace="quick"))
    depth_mm = depth_of_load(load_N, K)
    points, faces = found.T_upper_lower.apply(opposition.body.points), opposition.body.faces
    gap_mm = opposition.field.exact(points)
    flat = points * [1.0, 1.0, 0.0]
    last = np.zeros(len(faces))
    # Facets lie below the sphere, so a mark is that of a foil thinner by so much, or sunk in more.
    sag_mm = (2 * RADIUS_MM * np.tan(half_angle) / n) ** 2 / (4 * RADIUS_MM)
    for foil_mm in (0.012, 0.04, 0.1, 0.2):
        marked = clipped_integrals(flat, faces, gap_mm, foil_mm).area_mm2
        t = foil_mm + depth_mm
        expected = np.pi * (2 * RADIUS_MM * t - t * t)
        assert_allclose(marked.sum(), expected, rtol=0, atol=2 * np.pi * RADIUS_MM * sag_mm)
        assert (marked >= last - 1e-15).all()
        last = marked
