"""Low crowns raised as a map: closed forms, limits by movements, and what must not move."""

import numpy as np
import pytest
from crown.block_shapes import along, ball, block, path
from crown.test_location import hump
from numpy.testing import assert_allclose

from occlusim.crown.clearance import swept_clearance
from occlusim.crown.integrity import damaged_faces, is_watertight
from occlusim.crown.path import tabulate
from occlusim.crown.raising import RaiseSettings, plan_raise
from occlusim.crown.reduction import plan_reduction
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

UP = np.array([0.0, 0.0, 1.0])
LINE = 81
TIPS = ((-2.0, 0.0), (2.0, 0.0))


def top(mesh, n):
    """The vertices of a block's upper side, the outer surface, and nothing else."""
    outer = np.zeros(len(mesh.vertices), dtype=bool)
    outer[: n * n] = True
    return np.arange(n * n), outer


def raised(mesh, antagonist, paths, n=LINE, up=UP, cusps=None, **settings):
    biting, outer = top(mesh, n)
    rule = RaiseSettings(**settings)
    return plan_raise(mesh, Surface.build(antagonist), paths, up, biting, outer, cusps or {}, rule)


@pytest.fixture(scope="module")
def two_cusps():
    """Two cusps 1 mm high, 4 mm apart, on a block; the watershed is x = 0."""
    mesh = block(LINE, 8.0, 3.0, lambda x, y: sum(hump(x, y, at, 1.0, 0.8) for at in TIPS))
    x = mesh.vertices[: LINE * LINE, 0]
    slopes = {"left": np.flatnonzero(x < -1e-9), "right": np.flatnonzero(x > 1e-9)}
    return mesh, slopes


@pytest.fixture(scope="module")
def steps():
    """A ceiling at z = 1.08 over the left cusp and at 1.15 over the right one."""
    low = block(5, 2.0, 0.5)
    parts = [low.vertices * [1, 1, -1] + [x, 0.0, z] for x, z in ((-2.0, 1.08), (2.0, 1.15))]
    faces = np.concatenate([low.faces[:, ::-1], low.faces[:, ::-1] + len(low.vertices)])
    return TriangleMesh(np.concatenate(parts), faces.astype(np.int32))


def test_the_uniform_raise_is_the_distance_less_the_wanted_gap():
    mesh = block(LINE, 8.0, 3.0)
    plan = raised(mesh, ball(2.0, (0.0, 0.0, 2.15), 4), [path("centric", [0.0], None, 0.02)])
    assert_allclose(plan.missing_mm, 0.13, rtol=0, atol=1e-6)
    (place,) = plan.uniform.places
    assert_allclose(place.wanted_mm, 0.13, rtol=0, atol=1e-5)
    # Whole facets: the ball's own facets stand as near as its lowest vertex.
    assert_allclose(plan.uniform.raise_mm.max(), 0.13, rtol=0, atol=6e-4)
    assert_allclose(place.place, [0, 0, 0], rtol=0, atol=1e-9)
    assert place.limited_by == ""
    assert place.still_missing_mm < 6e-4
    assert plan.by_cusp is None


def test_a_raise_aslant_is_longer():
    up = np.array([0.0, np.sin(0.3), np.cos(0.3)])
    mesh = block(161, 8.0, 3.0)
    low = [path("centric", [0.0])]
    plan = raised(mesh, ball(2.0, (0.0, 0.0, 2.15), 5), low, 161, up)
    assert_allclose(plan.uniform.places[0].wanted_mm, 0.15 / np.cos(0.3), rtol=0, atol=1e-3)
    moved = plan.uniform.raised.vertices - mesh.vertices
    assert_allclose(moved, plan.uniform.raise_mm[:, None] * up, rtol=0, atol=1e-12)


def test_each_cusp_is_raised_by_its_own_distance(two_cusps, steps):
    mesh, slopes = two_cusps
    plan = raised(mesh, steps, [path("centric", [0.0])], cusps=slopes)
    assert_allclose(plan.missing_mm, 0.08, rtol=0, atol=1e-5)
    assert_allclose(plan.uniform.raise_mm.max(), 0.08, rtol=0, atol=6e-4)
    by_name = {place.name: place for place in plan.by_cusp.places}
    for name, wanted, x in (("left", 0.08, -2.0), ("right", 0.15, 2.0)):
        place = by_name[name]
        assert_allclose(place.missing_mm, wanted, rtol=0, atol=1e-5)
        assert_allclose(place.raise_mm, wanted, rtol=0, atol=6e-4)
        assert_allclose(place.place, [x, 0.0, 1.0], rtol=0, atol=1e-5)
        assert place.limited_by == ""
    assert plan.by_cusp.reaches


def test_a_raise_stays_on_its_slopes_gentle_and_whole(two_cusps, steps):
    mesh, slopes = two_cusps
    only = {"right": slopes["right"]}
    raise_map = raised(mesh, steps, [path("centric", [0.0])], cusps=only).by_cusp
    height = raise_map.raise_mm
    assert height.max() > 0.1
    assert (height[mesh.vertices[:, 0] <= 0] == 0).all()
    still = height == 0
    assert (raise_map.raised.vertices[still] == mesh.vertices[still]).all()
    edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    length = np.linalg.norm(np.diff(mesh.vertices[edges], axis=1)[:, 0], axis=1)
    # Both the fading and the limit are gentle; a facet's correction adds a micrometre at most.
    assert (np.abs(np.diff(height[edges], axis=1)[:, 0]) <= 0.2 * length + 1e-3).all()
    assert is_watertight(raise_map.raised)
    assert len(damaged_faces(mesh, raise_map.raised.vertices, height > 0)) == 0


def test_beside_the_watershed_a_raise_is_held_back_by_its_slope(two_cusps, steps):
    """The tip stands 0.4 mm from the border: 0.2 of that is all that it may rise, 0.15 wanted."""
    mesh, slopes = two_cusps
    x = mesh.vertices[slopes["right"], 0]
    near = {"right": slopes["right"][x > 1.6 + 1e-9]}
    found = raised(mesh, steps, [path("centric", [0.0])], cusps=near).by_cusp
    (place,) = found.places
    assert place.limited_by == "slope"
    at = np.argmin(np.linalg.norm(mesh.vertices - [place.place], axis=1))
    # The surface falls by 0.12 mm there, so the way along it is some 0.42 mm.
    assert 0.04 < found.raise_mm[at] <= 0.2 * 0.43
    edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    length = np.linalg.norm(np.diff(mesh.vertices[edges], axis=1)[:, 0], axis=1)
    assert (np.abs(np.diff(found.raise_mm[edges], axis=1)[:, 0]) <= 0.2 * length + 1e-9).all()


def test_a_movement_limits_the_raise_and_the_rest_is_told(two_cusps, steps):
    """At its end the slide lifts both cusps by 0.05 and wants 0.06: 0.03 less room than closing."""
    mesh, slopes = two_cusps
    slide = path("laterotrusion_left", [0.0, 1.0], along((0.0, 0.3, 0.05)), lambda s: 0.06 * s)
    paths = [path("centric", [0.0]), slide]
    plan = raised(mesh, steps, paths, cusps=slopes)
    left, right = plan.by_cusp.places
    # Left: 0.08 - 0.11 is no room; right: 0.15 - 0.11 = 0.04, and 0.11 stay missing.
    for place, room in ((left, 0.0), (right, 0.04)):
        assert place.limited_by == "laterotrusion_left"
        at = np.argmin(np.linalg.norm(mesh.vertices - [place.place], axis=1))
        assert_allclose(plan.by_cusp.raise_mm[at], room, rtol=0, atol=6e-4)
    assert_allclose(right.still_missing_mm, 0.11, rtol=0, atol=6e-3)
    assert not plan.by_cusp.reaches
    table = tabulate(paths, mesh.vertices)
    for one in (plan.uniform, plan.by_cusp):
        moved = np.flatnonzero(one.raise_mm > 0)
        points = one.raised.vertices[moved]
        assert len(moved)
        assert swept_clearance(points, Surface.build(steps), table, 0.1).least_mm.min() > -1e-3


def test_where_no_room_is_left_nothing_is_raised(two_cusps, steps):
    mesh, slopes = two_cusps
    slide = path("laterotrusion_left", [0.0, 1.0], along((0.0, 0.3, 0.05)), lambda s: 0.12 * s)
    plan = raised(mesh, steps, [path("centric", [0.0]), slide], cusps=slopes)
    assert "no room" in plan.by_cusp.reason
    assert (plan.by_cusp.raise_mm == 0).all()
    assert plan.by_cusp.raised is mesh
    assert not plan.by_cusp.helps
    assert not plan.uniform.reaches


def test_the_raised_crown_has_no_high_spot(two_cusps, steps):
    mesh, slopes = two_cusps
    paths = [path("centric", [0.0]), path("protrusion", [0.0, 1.0], along((1.0, 0.0, -0.4)))]
    plan = raised(mesh, steps, paths, cusps=slopes)
    assert plan.by_cusp.reaches
    found = plan_reduction(plan.by_cusp.raised, Surface.build(steps), paths)
    assert found.spots == ()
    assert not plan_reduction(mesh, Surface.build(steps), paths).spots


def test_a_crown_in_contact_is_not_raised(two_cusps, steps):
    mesh, slopes = two_cusps
    touching = path("centric", [0.0], lambda s: np.tile([0.0, 0.0, 0.075], (len(s), 1)))
    assert raised(mesh, steps, [touching], cusps=slopes) is None


def test_a_crown_too_far_away_is_not_raised_and_says_why(two_cusps, steps):
    mesh, slopes = two_cusps
    plan = raised(mesh, steps, [path("centric", [0.0])], cusps=slopes, most_mm=0.05)
    for one in (plan.uniform, plan.by_cusp):
        assert (one.raise_mm == 0).all()
        assert "0.05 mm" in one.reason
        assert not one.reaches
    assert_allclose(plan.missing_mm, 0.08, rtol=0, atol=1e-5)


def test_wrong_input_is_refused(two_cusps, steps):
    mesh, slopes = two_cusps
    with pytest.raises(InputError, match="closure of one pose"):
        raised(mesh, steps, [path("protrusion", [0.0, 1.0], along((0, 1, 0)))], cusps=slopes)
    with pytest.raises(InputError, match="above 0"):
        RaiseSettings(most_mm=0.0)
