"""Springs of teeth: the published curve, continuity, convexity, and what does not yield."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.errors import InputError
from occlusim.motion.mobility import MobilitySettings, Sockets, bilinear

UM = 1e-3
AXIS = np.array([2.0, -1.0, 2.0]) / 3.0
ACROSS = np.array([1.0, 2.0, 0.0]) / np.sqrt(5.0)


def law(u_mm, softer=1.0):
    s = MobilitySettings()
    soft = np.full(len(u_mm), s.soft_N_per_mm / softer)
    stiff = np.full(len(u_mm), s.stiff_N_per_mm / softer)
    return bilinear(u_mm, soft, stiff, s.knee_N)


def way_of(force_N, direction, settings=None):
    """Return how far a tooth yields along a direction: where its spring pulls with the force."""
    sockets = Sockets.of((36,), AXIS, settings or MobilitySettings())
    low, high = 0.0, 5.0
    while high - low > 1e-14:
        middle = 0.5 * (low + high)
        gradient = np.zeros(3)
        sockets.add(middle * direction[None], gradient, np.zeros((3, 3)))
        low, high = (middle, high) if gradient @ direction < force_N else (low, middle)
    return 0.5 * (low + high)


@pytest.mark.parametrize(("force_N", "u_um"), [(3.5, 17.5), (20.0, 25.75), (100.0, 65.75)])
def test_the_axial_law_is_the_one_derived_from_published_curves(force_N, u_um):
    # Derived: F0 = 3.5 N, 0.20 and 2 N/um; 25.8 and 65.8 um rounded.
    assert_allclose(law(np.array([u_um * UM]))[1], force_N, rtol=1e-12, atol=0)
    assert_allclose(way_of(force_N, AXIS), u_um * UM, rtol=1e-9, atol=0)
    assert_allclose(way_of(force_N, -AXIS), u_um * UM, rtol=1e-9, atol=0)


def test_the_knee_lies_where_picton_saw_it():
    # 300 to 400 g, stiffer above: Picton 1963, 40 teeth of 10 people (READ).
    u = np.linspace(0.0, 0.1, 100001)
    _, force, _ = law(u)
    slope = np.diff(force) / np.diff(u)
    knee_N = force[np.argmax(slope > 1.5 * slope[0])]
    assert 2.9 < knee_N < 3.9
    assert slope[-1] / slope[0] > 1.0
    # Axial movement of 28 um under 3 to 5 lb, 13 to 22 N (Parfitt 1960, from memory): as near as
    # a law with two slopes can be asked to be, a factor of 1.5.
    assert 28 / 1.5 < way_of(17.0, AXIS) / UM < 28 * 1.5
    # 25 to 100 um (Schulte 1995, from memory) under loads of a held bite, 20 to 150 N a tooth.
    assert way_of(20.0, AXIS) / UM > 25
    assert way_of(150.0, AXIS) / UM < 100


def test_force_is_continuous_and_the_energy_convex():
    u = np.linspace(0.0, 0.06, 6001)
    energy, force, tangent = law(u)
    h = u[1] - u[0]
    assert np.diff(force).max() <= 2000.0 * h * (1 + 1e-9)
    assert np.diff(force).min() >= 200.0 * h * (1 - 1e-9)
    # Trapezoids are exact but in the interval of the knee, 1800 N/mm h^2 / 8 at most.
    work = np.concatenate([[0.0], np.cumsum(0.5 * (force[1:] + force[:-1]) * h)])
    assert_allclose(energy, work, rtol=0, atol=1800.0 * h**2 / 8 + 1e-15)
    assert (np.diff(energy, 2) > 0).all()
    assert set(np.unique(tangent)) == {200.0, 2000.0}


@pytest.mark.parametrize("force_N", [0.1, 3.5, 30.0])
def test_a_tooth_is_ten_times_softer_across_its_axis(force_N):
    # Boldt et al. 2012 (READ): lateral about ten times axial.
    assert_allclose(way_of(force_N, ACROSS), 10 * way_of(force_N, AXIS), rtol=1e-9, atol=0)


@pytest.mark.parametrize("direction", [AXIS, ACROSS])
def test_a_factor_multiplies_every_yielding(direction):
    loose = MobilitySettings(factor={36: 2.5, 46: 7.0})
    ways = [way_of(20.0, direction, s) for s in (loose, MobilitySettings())]
    assert_allclose(ways[0], 2.5 * ways[1], rtol=1e-9, atol=0)


def test_implants_and_quick_bites_do_not_yield():
    held = MobilitySettings(rigid=frozenset({46}))
    assert Sockets.of((0, 36, 46), AXIS, held).tooth == (36,)
    # At the speed of chewing implants and teeth deflect alike (Boldt et al. 2012, READ).
    quick = MobilitySettings(pace="quick", rigid=frozenset({46}))
    assert Sockets.of((36, 46), AXIS, quick).tooth == ()


@pytest.mark.parametrize("has_lateral", [True, False])
def test_gradient_and_hessian_are_the_differences_of_the_energy(has_lateral, rng):
    settings = MobilitySettings(has_lateral=has_lateral, factor={25: 1.7})
    sockets = Sockets.of((24, 25, 26), AXIS, settings)
    # Within both slopes of both laws, and no nearer to a knee (17.5 and 175 um) than the step.
    along, aside = np.array([0.005, -0.06, 0.03]), np.array([0.02, 0.08, 0.4])
    shift = along[:, None] * AXIS + (aside * has_lateral)[:, None] * ACROSS

    def at(state):
        gradient, hessian = np.zeros(9), np.zeros((9, 9))
        energy = sockets.add(state.reshape(3, 3), gradient, hessian)
        return energy, gradient, hessian

    _, gradient, hessian = at(shift.ravel())
    h = 1e-6
    steps = h * sockets.basis()
    energy = [(at(shift.ravel() + s)[0] - at(shift.ravel() - s)[0]) / (2 * h) for s in steps]
    slope = [(at(shift.ravel() + s)[1] - at(shift.ravel() - s)[1]) / (2 * h) for s in steps]
    # Quadratic along the axis; across it the length of a way bends over 20 um: (h / 20 um)^2.
    basis = sockets.basis()
    assert_allclose(energy, basis @ gradient, rtol=0, atol=1e-7 * np.abs(gradient).max())
    assert_allclose(slope, basis @ hessian, rtol=0, atol=1e-7 * np.abs(hessian).max())


def test_a_tooth_at_rest_has_the_soft_springs():
    hessian, gradient = np.zeros((3, 3)), np.zeros(3)
    energy = Sockets.of((36,), AXIS, MobilitySettings()).add(np.zeros((1, 3)), gradient, hessian)
    ahead = np.outer(AXIS, AXIS)
    assert energy == 0.0
    assert not gradient.any()
    assert_allclose(hessian, 200.0 * ahead + 20.0 * (np.eye(3) - ahead), rtol=0, atol=1e-10)


@pytest.mark.parametrize(
    "wrong",
    [
        {"pace": "slow"},
        {"soft_N_per_mm": 3000.0},
        {"soft_N_per_mm": 0.0},
        {"knee_N": 0.0},
        {"lateral_softness": 0.0},
        {"factor": {36: 0.0}},
    ],
)
def test_springs_that_are_none_are_refused(wrong):
    with pytest.raises(InputError):
        MobilitySettings(**wrong)
