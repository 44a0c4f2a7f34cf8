"""The foundation's energy, forces and stiffness against quadrature and central differences."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference import naive

from occlusim.kernels.pressure import face_loads, press
from occlusim.kernels.support import support_volume

N_POINTS, N_FACES, N_TEETH = 40, 60, 3
# A radian moves the teeth by some 60 mm: steps of the opening are so much smaller.
STEP = np.concatenate([[1e-5 / 60.0], np.full(2 + 3 * N_TEETH, 1e-5)])
MIDPOINTS = 400


@pytest.fixture
def elements(rng):
    """Return faces at random, a third of their corners pressed, and how two jaws move them."""
    faces = np.array([rng.choice(N_POINTS, 3, replace=False) for _ in range(N_FACES)], np.int32)
    gap = rng.uniform(-0.01, 0.02, N_POINTS)
    direction = rng.standard_normal((N_POINTS, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    slope = rng.uniform(-1.0, 1.0, (N_POINTS, 3)) * np.array([60.0, 1.0, 1.0])
    # Slot -1, a tooth that does not yield, is among them; no tooth meets itself.
    lower = rng.integers(-1, 2, N_FACES).astype(np.int32)
    upper = np.where(rng.random(N_FACES) < 0.3, -1, 2).astype(np.int32)
    weight = rng.uniform(1.0, 5.0, N_FACES)
    return faces, gap, direction, slope, lower, upper, weight


def pressed(elements, state):
    """Return energy, gradient and Hessian at a state of three freedoms and the teeth's shifts."""
    gradient, hessian = np.zeros(len(state)), np.zeros((len(state), len(state)))
    energy = press(*elements, state[:3], state[3:].reshape(-1, 3), gradient, hessian)
    return energy, gradient, hessian


def a_state(rng):
    return rng.uniform(-0.003, 0.003, 3 + 3 * N_TEETH) / (STEP[-1] / STEP)


def corner_gaps(elements, state):
    """Return the gaps (F, 3) at the corners of the faces: each face has those of its own teeth."""
    faces, gap, direction, slope, lower, upper, _ = elements
    shift = np.vstack([state[3:].reshape(-1, 3), np.zeros((1, 3))])
    apart = (shift[lower] - shift[upper])[:, None]
    return (gap + slope @ state[:3])[faces] + (direction[faces] * apart).sum(axis=2)


def sampled(gap):
    """Return mean depth, mean of depth times corner function (3,), and of the pressed area (3,).

    By midpoint quadrature over a face of which the coordinates are two of the corner functions.
    """
    corner = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    area, depth, area_moment, depth_moment = naive.clipped_integrals(corner, gap, 0.0, MIDPOINTS)

    def of_corners(whole, moment):
        return np.array([whole - moment[0] - moment[1], moment[0], moment[1]]) / 0.5

    return depth / 0.5, of_corners(depth, depth_moment), of_corners(area, area_moment)


def test_gradient_and_hessian_are_the_differences_of_the_energy(elements, rng):
    state = a_state(rng)
    _, gradient, hessian = pressed(elements, state)
    steps = np.diag(STEP)
    up = [pressed(elements, state + s) for s in steps]
    down = [pressed(elements, state - s) for s in steps]
    # Central differences of step h of a term that bends over a gap of g, 5 um or more in nearly all
    # faces, err by (h / g)^2 / 6 = 7e-7 of it; rounding is 1e-16 g / h. Scaled to mm of way.
    in_mm = STEP / STEP[-1]
    found = np.array([(a[0] - b[0]) / 2 for a, b in zip(up, down, strict=True)]) / STEP
    assert_allclose(
        found * in_mm, gradient * in_mm, rtol=0, atol=1e-5 * np.abs(gradient * in_mm).max()
    )
    found = np.array([(a[1] - b[1]) / 2 for a, b in zip(up, down, strict=True)]) / STEP[:, None]
    both = np.outer(in_mm, in_mm)
    assert_allclose(found * both, hessian * both, rtol=0, atol=1e-5 * np.abs(hessian * both).max())


def test_hessian_is_symmetric_and_nothing_pulls(elements, rng):
    _, _, hessian = pressed(elements, a_state(rng))
    assert_allclose(hessian, hessian.T, rtol=0, atol=1e-12 * np.abs(hessian).max())
    assert np.linalg.eigvalsh(hessian).min() > -1e-12 * np.abs(hessian).max()
    apart = (elements[0], np.abs(elements[1]) + 1e-9, *elements[2:])
    energy, gradient, hessian = pressed(apart, np.zeros(3 + 3 * N_TEETH))
    assert energy == 0.0
    assert not gradient.any()
    assert not hessian.any()


def test_energy_and_force_are_those_of_sampled_pressure(elements, rng):
    state = a_state(rng)
    energy, gradient, _ = pressed(elements, state)
    faces, _, direction, slope, lower, upper, weight = elements
    expected, force = 0.0, np.zeros(len(state))
    for f, gap in enumerate(corner_gaps(elements, state)):
        _, load, _ = sampled(gap)
        load *= weight[f]  # of pressure on each corner, N
        expected -= 0.5 * load @ gap
        force[:3] -= load @ slope[faces[f]]
        push = load @ direction[faces[f]]
        if lower[f] >= 0:
            force[3 + 3 * lower[f] :][:3] -= push
        if upper[f] >= 0:
            force[3 + 3 * upper[f] :][:3] += push
    # Midpoint quadrature of a bent function in n cells a side errs by about 1 / n^2 of it.
    error = 10.0 / MIDPOINTS**2
    assert_allclose(energy, expected, rtol=error, atol=0)
    in_mm = STEP / STEP[-1]
    size = np.abs(gradient * in_mm).max()
    assert_allclose(gradient * in_mm, force * in_mm, rtol=0, atol=error * size)


def test_opposite_teeth_feel_opposite_forces(elements, rng):
    """Where every face lies between the same two teeth, what presses one presses the other."""
    one = np.zeros(N_FACES, np.int32)
    _, gradient, _ = pressed((*elements[:4], one, one + 1, elements[6]), a_state(rng))
    assert np.abs(gradient[3:6]).max() > 0
    assert_allclose(gradient[3:6], -gradient[6:9], rtol=1e-13, atol=0)


def products(gap):
    """Return the means (3, 3) of the products over one face: its stiffness to its own corners."""
    one, none = np.arange(3, dtype=np.int32)[None], np.full(1, -1, np.int32)
    hessian = np.zeros((3, 3))
    press(
        one, np.asarray(gap), np.zeros((3, 3)), np.eye(3), none, none, np.ones(1),
        np.zeros(3), np.zeros((0, 3)), np.zeros(3), hessian,
    )  # fmt: skip
    return hessian


def test_a_face_pressed_all_over_has_the_products_of_linear_functions():
    found = products([-0.1, -0.02, -1e-9])
    assert_allclose(found, (1.0 + np.eye(3)) / 12.0, rtol=1e-14, atol=0)
    assert not products([0.0, 0.1, 0.2]).any()


@pytest.mark.parametrize("gap", [[-1.0, 2.0, 0.5], [2.0, -1.0, -0.3], [0.0, 1.0, -1.0]])
def test_the_products_of_a_clipped_face_follow_its_corners(gap):
    """Renumbering the corners renumbers the products, and area and moments are those sampled."""
    gap = np.array(gap)
    product = products(gap)
    for order in ([1, 2, 0], [2, 0, 1], [1, 0, 2]):
        assert_allclose(products(gap[order]), product[np.ix_(order, order)], rtol=0, atol=1e-15)
    _, depth, area = sampled(gap)
    assert_allclose(-product @ gap, depth, rtol=0, atol=10.0 / MIDPOINTS**2)
    # The edge of the pressed part runs through some 2 n of the n^2 cells.
    assert_allclose(product.sum(axis=1), area, rtol=0, atol=1.0 / MIDPOINTS)


def loads(gap, given, weight, area):
    """Return per face overlap, corner forces, pressed areas of the corners and what teeth gave.

    The corners' places and directions are the unit vectors, so that sums of them are told apart.
    """
    n = len(gap)
    faces = np.arange(3 * n, dtype=np.int32).reshape(n, 3)
    units = np.tile(np.eye(3), (n, 1))
    pressed_mm2, overlap, yielded = np.empty(n), np.empty(n), np.empty(n)
    force, centroid, centre = np.empty((n, 3)), np.empty((n, 3)), np.empty((n, 3))
    face_loads(
        faces, units, gap, given, units, weight, area,
        pressed_mm2, overlap, force, centroid, centre, yielded,
    )  # fmt: skip
    held = pressed_mm2 > 0.0
    assert np.isnan(centre[~held]).all()
    assert_allclose(
        (centre * force.sum(axis=1)[:, None])[held], force[held], rtol=1e-12, atol=1e-15
    )
    return overlap, force, centroid * pressed_mm2[:, None], yielded


def test_loads_of_faces_sum_to_the_volume_of_support(rng):
    gap = rng.uniform(-0.02, 0.02, (N_FACES, 3))
    gap = gap[gap.min(axis=1) < 0.0]
    n = len(gap)
    area, given = rng.uniform(0.001, 0.01, n), rng.uniform(-1.0, 1.0, (n, 3))
    weight = 300.0 * area
    overlap, load, pressed_area, yielded = loads(gap, given, weight, area)
    assert_allclose(load.sum(axis=1), 300.0 * overlap, rtol=1e-12, atol=0)
    assert_allclose(yielded, (pressed_area * given).sum(axis=1), rtol=1e-12, atol=1e-15)
    faces = np.arange(3 * n, dtype=np.int32).reshape(-1, 3)
    volume = support_volume(faces, gap.ravel(), np.zeros(3 * n), 0.0, area)
    assert_allclose(overlap.sum(), volume, rtol=1e-12, atol=0)
    for f in range(12):
        depth, of_corner, wet = sampled(gap[f])
        assert_allclose(overlap[f], area[f] * depth, rtol=0, atol=0.4 / MIDPOINTS**2 * area[f])
        assert_allclose(load[f], weight[f] * of_corner, rtol=0, atol=0.4 / MIDPOINTS**2 * weight[f])
        assert_allclose(pressed_area[f], area[f] * wet, rtol=0, atol=area[f] / MIDPOINTS)


def test_a_face_that_is_clear_carries_nothing():
    overlap, load, _, yielded = loads(
        np.full((1, 3), 1e-9), np.ones((1, 3)), np.ones(1), np.ones(1)
    )
    assert overlap[0] == yielded[0] == 0.0
    assert (load == 0.0).all()


def test_press_and_loads_of_faces_agree(elements, rng):
    """The energy is half of force times depth, in both kernels."""
    state = a_state(rng)
    gap = corner_gaps(elements, state)
    _, load, _, _ = loads(gap, np.zeros_like(gap), elements[6], np.ones(N_FACES))
    assert_allclose(pressed(elements, state)[0], -0.5 * (load * gap).sum(), rtol=1e-12, atol=0)
