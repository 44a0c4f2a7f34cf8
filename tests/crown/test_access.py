"""Screw access: closed forms on blocks, a slow twin for discs and tilts, and named refusals."""

import numpy as np
import pytest
import trimesh
from crown.block_shapes import block, cap
from numpy.testing import assert_allclose

from occlusim.crown.access import (
    RIM_MM,
    NoOpening,
    Opening,
    find_opening,
    least_wall_mm,
    ring_walls,
)
from occlusim.crown.access_tilt import TiltSearch, search_tilts
from occlusim.crown.channel import Channel, CrownShell, tilted
from occlusim.crown.discs import disc_pieces, least_radius
from occlusim.crown.location import CrownOrientation
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform

X, Y, Z = np.eye(3)
AXES = CrownOrientation(Z, X, Y)
RADIUS = 1.2
WIDTH, DEEP = 10.0, 8.0
PIVOT = np.array([0.0, 0.0, -5.0])


def shell_of(mesh: TriangleMesh, axes: CrownOrientation = AXES) -> CrownShell:
    return CrownShell.build(mesh, np.ones(len(mesh.vertices), dtype=bool), axes)


def leaning(tilt_deg: float, towards=X, pivot=PIVOT) -> Channel:
    upright = Channel(pivot, Z, RADIUS)
    return tilted(upright, np.radians(tilt_deg), towards) if tilt_deg else upright


@pytest.fixture(scope="module")
def crown() -> TriangleMesh:
    return block(41, WIDTH, DEEP)


def test_pieces_of_a_disc_match_dense_places(rng):
    """Triangles within, around, across and beside the disc; moments too."""
    corners = rng.normal(scale=1.4, size=(60, 3, 2))
    corners[0] = [[-9, -9], [9, -9], [0, 12]]
    corners[1] = [[0.1, 0.1], [0.3, 0.1], [0.2, 0.3]]
    corners[2] = [[3, 3], [4, 3], [3, 4]]
    area, moment = disc_pieces(corners, 1.0)
    n = 200
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    low = np.stack([i, j], -1)[i + j < n] + 1 / 3
    high = np.stack([i, j], -1)[i + j < n - 1] + 2 / 3
    uv = np.concatenate([low, high]) / n
    places = np.einsum("kc,ncx->nkx", np.column_stack([1 - uv.sum(axis=1), uv]), corners)
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    whole = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    inside = (places**2).sum(axis=2) < 1.0
    assert_allclose(area[1:], (whole * inside.mean(axis=1))[1:], rtol=0, atol=5e-3)
    wanted = whole[:, None] * (places * inside[..., None]).mean(axis=1)
    assert_allclose(moment[1:], wanted[1:], rtol=0, atol=8e-3)
    assert_allclose(area[0], np.pi, rtol=1e-12, atol=0)
    assert_allclose(moment[0], 0.0, rtol=0, atol=1e-12)
    assert_allclose(area[1], whole[1], rtol=1e-12, atol=0)
    assert_allclose(area[2], 0.0, rtol=0, atol=1e-12)


def test_the_nearest_of_a_triangle_between_two_heights_matches_dense_places(rng):
    """Triangles beside the axis that reach beyond one height, both or none."""
    corners = rng.normal(size=(80, 3, 2)) + np.array([3.5, 0.0])
    height = rng.normal(scale=2.0, size=(80, 3))
    height[:3] = [[5, 6, 7], [-0.5, 0.5, 0.2], [-9, 9, 0]]
    least = least_radius(corners, height, -1.0, 1.0)
    i, j = np.meshgrid(np.arange(161), np.arange(161), indexing="ij")
    uv = np.stack([i, j], -1)[i + j <= 160] / 160
    bary = np.column_stack([1 - uv.sum(axis=1), uv])
    within = np.abs(height @ bary.T) <= 1.0
    radial = np.linalg.norm(np.einsum("kc,ncx->nkx", bary, corners), axis=2)
    naive = np.where(within, radial, np.inf).min(axis=1)
    assert np.isinf(least).any()
    assert (np.isinf(naive) >= np.isinf(least)).all()
    met = np.isfinite(naive)
    assert met.sum() > 40
    assert (naive[met] > least[met] - 1e-9).all()
    assert_allclose(naive[met], least[met], rtol=0, atol=0.08)
    # The plane of a height cuts this one from (2, -4/3) to (2, 4/3): nearest in the cut's middle.
    wedge = np.array([[[1.0, 0.0], [4.0, -4.0], [4.0, 4.0]]])
    nearest = least_radius(wedge, np.array([[3.0, -3.0, -3.0]]), -1.0, 1.0)
    assert_allclose(nearest, 2.0, rtol=1e-12, atol=0)


@pytest.mark.parametrize("detail", [2, 41])
@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 20.0])
def test_the_opening_of_a_leaning_cylinder_is_an_ellipse(tilt_deg, detail):
    """Area pi r^2 / cos; centroid where the axis meets the top; edge at (5 -+ r sin) / cos."""
    found = find_opening(shell_of(block(detail, WIDTH, DEEP)), leaning(tilt_deg))
    assert isinstance(found, Opening)
    t = np.radians(tilt_deg)
    assert_allclose(found.area_mm2, np.pi * RADIUS**2 / np.cos(t), rtol=1e-9, atol=0)
    assert_allclose(found.centroid, [5.0 * np.tan(t), 0.0, 0.0], rtol=0, atol=1e-9)
    assert_allclose(found.normal, Z, rtol=0, atol=1e-12)
    assert_allclose(found.whole, 1.0, rtol=1e-9, atol=0)
    edge = [(5.0 + s * RADIUS * np.sin(t)) / np.cos(t) for s in (-1, 1)]
    assert_allclose([found.low_mm, found.high_mm], edge, rtol=1e-9, atol=0)


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 15.0])
def test_the_wall_to_each_side_follows_the_tilt(crown, tilt_deg):
    """Towards the side it leans to, (D - h sin) / cos - r, least at the top; away from it, the
    same with +, least at the pivot; across, D - r at every height."""
    shell, channel = shell_of(crown), leaning(tilt_deg)
    opening = find_opening(shell, channel)
    below, wall = ring_walls(shell, channel, opening.high_mm)
    t, top = np.radians(tilt_deg), opening.high_mm
    d = WIDTH / 2
    assert_allclose(below[-1], top, rtol=1e-12, atol=0)
    assert (np.diff(below) > 0).all()
    towards = (d - (top - below[:-1]) * np.sin(t)) / np.cos(t) - RADIUS
    away = (d + (top - below[1:]) * np.sin(t)) / np.cos(t) - RADIUS
    assert_allclose(wall[:, 0], towards, rtol=0, atol=1e-9)
    stands = top - below[1:] <= 5.0 * np.cos(t) - d * np.sin(t)
    assert_allclose(wall[:, 2], np.where(stands, away, np.nan), rtol=0, atol=1e-9)
    assert_allclose(wall[:, [1, 3]], d - RADIUS, rtol=0, atol=1e-9)
    assert_allclose(least_wall_mm(shell, channel, top), np.nanmin(wall), rtol=0, atol=1e-9)


def test_the_steep_walls_of_a_fissure_in_the_biting_surface_are_no_axial_walls():
    """A slot 1.5 mm deep beside the channel, steeper than 65 degrees: the side's wall counts."""

    def slot(x, y):
        deep = np.clip(1.0 - np.abs(x - 1.9) / 0.3, 0.0, 1.0) * (np.abs(y) < 1.0)
        return -1.5 * deep

    shell = shell_of(block(81, WIDTH, DEEP, slot))
    steep = shell.normals @ Z < np.cos(np.radians(65.0))
    assert (steep & (shell.side < 0)).sum() > 10
    channel = leaning(0.0)
    assert_allclose(least_wall_mm(shell, channel, 5.0), WIDTH / 2 - RADIUS, rtol=0, atol=1e-9)


def test_a_channel_that_breaks_through_a_side_has_no_wall_and_no_whole_opening(crown):
    channel = leaning(0.0, pivot=np.array([4.5, 0.0, -5.0]))
    shell = shell_of(crown)
    opening = find_opening(shell, channel)
    assert isinstance(opening, Opening)
    assert not opening.is_whole
    segment = RADIUS**2 * np.arccos(0.5 / RADIUS) - 0.5 * np.sqrt(RADIUS**2 - 0.25)
    assert_allclose(opening.area_mm2, np.pi * RADIUS**2 - segment, rtol=1e-9, atol=0)
    assert least_wall_mm(shell, channel, opening.high_mm) == 0.0


def test_what_presses_is_told_by_where_it_lies(crown):
    """A square of 0.25 mm facets: within the opening, within the rim, beyond, and cut in half."""
    shell = shell_of(crown)
    opening = find_opening(shell, leaning(0.0))
    middle = crown.vertices[crown.faces].mean(axis=1)
    on_top = np.isclose(middle[:, 2], 0.0)
    areas = crown.face_areas()

    def parts(centre, half):
        near = (np.abs(middle[:, :2] - centre) < half).all(axis=1) & on_top
        assert near.any()
        pressed = np.where(near, areas, 0.0)
        whole = pressed.sum()
        return pressed @ opening.in_opening / whole, pressed @ opening.in_rim / whole

    assert_allclose(parts([0.25, 0.25], 0.5), [1, 0], rtol=0, atol=1e-12)
    assert_allclose(parts([1.75, 0.0], 0.25), [0, 1], rtol=0, atol=1e-12)
    assert_allclose(parts([3.5, 0.0], 0.5), [0, 0], rtol=0, atol=1e-12)
    everything = np.where(on_top, areas, 0.0)
    assert_allclose(everything @ opening.in_opening, np.pi * RADIUS**2, rtol=1e-9, atol=0)
    ring = np.pi * ((RADIUS + RIM_MM) ** 2 - RADIUS**2)
    assert_allclose(everything @ opening.in_rim, ring, rtol=1e-9, atol=0)


def test_nothing_changes_when_all_is_moved_together(crown, rng):
    pose = RigidTransform.exp(rng.normal(size=6))
    moved = crown.transformed(pose)
    axes = CrownOrientation(pose.rotate(Z), pose.rotate(X), pose.rotate(Y))
    pressed = np.where(rng.random(len(crown.faces)) < 0.02, crown.face_areas(), 0.0)
    here = leaning(10.0, X + 0.4 * Y)
    there = Channel(pose.apply(here.pivot), pose.rotate(here.axis), RADIUS)
    found = []
    for shell, channel in ((shell_of(crown), here), (shell_of(moved, axes), there)):
        opening = find_opening(shell, channel)
        grid, best = search_tilts(shell, channel, np.radians(10.0), pressed, 1.0)
        values = [(g.opening_mm2, g.rim_mm2, g.wall_mm) for g in (*grid, best)]
        walls = ring_walls(shell, channel, opening.high_mm)[1]
        found.append((opening, values, walls, best))
    a, b = found
    assert_allclose(b[0].centroid, pose.apply(a[0].centroid), rtol=0, atol=1e-9)
    assert_allclose(b[0].normal, pose.rotate(a[0].normal), rtol=0, atol=1e-9)
    assert_allclose(b[0].area_mm2, a[0].area_mm2, rtol=1e-9, atol=0)
    assert_allclose(np.array(b[1]), np.array(a[1]), rtol=0, atol=1e-9)
    assert_allclose(b[2], a[2], rtol=0, atol=1e-9)
    assert_allclose(b[3].tilt_rad, a[3].tilt_rad, rtol=0, atol=1e-9)


def naive_rank(crown, pressed_place, tilt, towards, least_wall):
    """The rank of a tilt by trigonometry: a block, and one point-like contact on its top."""
    axis = np.sin(tilt) * (np.cos(towards) * X + np.sin(towards) * Y) + np.cos(tilt) * Z
    way = pressed_place - PIVOT
    apart = np.linalg.norm(way - (way @ axis) * axis)
    high = (5.0 + RADIUS * np.sin(tilt)) / np.cos(tilt)
    walls = [
        (WIDTH / 2 - h * (axis @ n)) / np.sqrt(1 - (axis @ n) ** 2) - RADIUS
        for n in (X, -X, Y, -Y)
        for h in (0.0, high)
    ]
    wall = min(walls)
    return (
        0,
        np.ceil(round(max(least_wall - wall, 0.0) / 0.05, 9)),
        apart < RADIUS,
        RADIUS < apart < RADIUS + RIM_MM,
        -np.floor(round(wall / 0.05, 9)),
        round(tilt, 9),
    )


def test_the_best_tilt_is_the_one_that_trying_all_by_hand_finds(crown):
    """One tiny contact at (1.0, 0.6) mm: the opening and its rim have to leave it, and the wall,
    wanted 1.5 mm thick, does not let it go further than that."""
    place = np.array([1.0, 0.6, 0.0])
    middle = crown.vertices[crown.faces].mean(axis=1)
    near = np.argmin(np.linalg.norm(middle - place, axis=1))
    place = middle[near]
    pressed = np.zeros(len(crown.faces))
    pressed[near] = 1.0
    grid, best = search_tilts(shell_of(crown), leaning(0.0), np.radians(25.0), pressed, 1.5)
    assert len(grid) == 41
    by_hand = [naive_rank(crown, place, g.tilt_rad, g.towards_rad, 1.5) for g in grid]
    clear = [g.opening_mm2 + g.rim_mm2 < 0.05 for g in grid]
    apart = [not rank[2] and not rank[3] for rank in by_hand]
    # Where the tiny contact is cut by an edge the two may differ; they may not elsewhere.
    assert np.mean(np.array(clear) == np.array(apart)) > 0.95
    assert 3 < sum(clear) < 38
    top = min(by_hand)
    assert not top[2]
    search = TiltSearch(shell_of(crown), shell_of(crown), leaning(0.0), pressed, 1.5)
    fine = [
        search.at(np.radians(tilt), np.radians(turn))
        for tilt in np.arange(0.0, 25.1, 5.0)
        for turn in np.arange(0.0, 360.0, 45.0)
    ]
    assert best.rank(1.5) <= search.best(fine).rank(1.5)
    assert best.opening_mm2 == 0.0
    assert best.rim_mm2 < 0.05
    assert best.wall_mm > 1.5 - 1e-9
    # No tilt tried by hand on a fine grid clears the contact and leaves a wall a step thicker.
    hand = [
        naive_rank(crown, place, np.radians(a), np.radians(b), 1.5)
        for a in np.arange(0.0, 25.1, 0.5)
        for b in np.arange(0.0, 360.0, 5.0)
    ]
    least = min(hand)
    assert least[:4] == (0, 0, False, False)
    assert best.wall_mm > -0.05 * least[4] - 0.15


def test_a_contact_on_one_side_sends_the_channel_to_the_other(crown):
    middle = crown.vertices[crown.faces].mean(axis=1)
    for side in (X, -X, Y, -Y):
        near = (np.linalg.norm(middle - 1.0 * side, axis=1) < 0.4) & (middle[:, 2] > -1e-9)
        pressed = np.where(near, crown.face_areas(), 0.0)
        _, best = search_tilts(shell_of(crown), leaning(0.0), np.radians(25.0), pressed, 1.0)
        towards = np.cos(best.towards_rad) * X + np.sin(best.towards_rad) * Y
        assert towards @ side < -0.7
        assert best.opening_mm2 < 0.05


def test_without_a_cone_the_given_tilt_is_checked_as_it_is(crown):
    grid, best = search_tilts(shell_of(crown), leaning(7.0), 0.0, np.ones(len(crown.faces)), 1.0)
    assert grid == (best,)
    assert best.tilt_rad == 0.0


def test_what_is_no_opening_is_named(crown):
    shell = shell_of(crown)
    for channel, reason in (
        (Channel(PIVOT, -Z, RADIUS), "wrong_way"),
        (Channel(np.array([20.0, 0.0, -5.0]), Z, RADIUS), "misses"),
        (Channel(np.array([0.0, 0.0, 1.0]), Z, RADIUS), "misses"),
    ):
        found = find_opening(shell, channel)
        assert isinstance(found, NoOpening)
        assert found.reason == reason
        assert not found.in_rim.any()


def test_an_axis_that_leaves_through_the_cavity_alone_is_named():
    """A cap over a stump turned upside down: its cavity looks to the occlusal side."""
    mesh = cap(5.0, 4.0)
    is_outer = np.linalg.norm(mesh.vertices, axis=1) > 4.5
    shell = CrownShell.build(mesh, is_outer, CrownOrientation(-Z, X, Y))
    found = find_opening(shell, Channel(np.array([0.0, 0.0, 8.0]), -Z, 0.5))
    assert isinstance(found, NoOpening)
    assert found.reason == "no_outer_wall"


def test_a_channel_that_the_mesh_holds_already_is_named_and_its_rim_kept():
    ring = trimesh.creation.annulus(RADIUS, 4.0, 8.0)
    ring.apply_translation([0, 0, -4.0])
    mesh = TriangleMesh(ring.vertices, ring.faces.astype(np.int32))
    found = find_opening(shell_of(mesh), leaning(0.0))
    assert isinstance(found, NoOpening)
    assert found.reason == "already_open"
    areas = mesh.face_areas()
    wanted = np.pi * ((RADIUS + RIM_MM) ** 2 - RADIUS**2)
    assert_allclose(found.in_rim @ areas, wanted, rtol=0.02, atol=0)


def test_a_channel_without_size_or_direction_is_refused():
    for pivot, axis, radius in ((PIVOT, 0 * Z, 1.0), (PIVOT, Z, 0.0), (np.nan * PIVOT, Z, 1.0)):
        with pytest.raises(InputError):
            Channel(pivot, axis, radius)
