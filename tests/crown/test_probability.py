"""The probability of being high: the normal law of a plane, symmetry, and how draws converge."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import norm

from occlusim.crown.probability import DrawnPlaces, high_chance
from occlusim.errors import InputError
from occlusim.motion.reclosing import largest_changes

SIGMA_MM = 0.01
UP = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 1.0])


def heaves(n, sigma_mm=SIGMA_MM, seed=3):
    """Return n motions up and down alone, half of them the others' mirror images."""
    half = sigma_mm * np.random.default_rng(seed).standard_normal(n // 2)
    return np.outer(np.concatenate([half, -half]), UP)


def under_a_plane(clearance_mm, twist, wanted_mm=0.0, datum_share=0.0):
    """Return places under a level plane: the lower jaw's rise takes all of it off their gap."""
    k = len(clearance_mm)
    return DrawnPlaces(
        np.arange(k),
        clearance_mm,
        np.tile(-UP, (k, 1)),
        twist,
        np.broadcast_to(wanted_mm, len(twist)),
        np.full(k, datum_share),
    )


def test_a_level_plane_follows_the_normal_law():
    """P = Phi((limit - clearance) / sigma); n draws know it to sqrt(p (1 - p) / n)."""
    clearance_mm = SIGMA_MM * np.linspace(-4.0, 4.0, 33)
    for n in (1_000, 40_000):
        for limit_mm in (0.0, -0.01):
            place = under_a_plane(clearance_mm, heaves(n))
            found = high_chance(33, [place], limit_mm).probability
            law = norm.cdf((limit_mm - clearance_mm) / SIGMA_MM)
            assert np.all(np.abs(found - law) < 4.5 * np.sqrt(law * (1 - law) / n) + 1.0 / n)
            assert np.all(np.diff(found) <= 0)
            assert 0 < found[16] < 1


def test_mirrored_draws_make_the_map_symmetric():
    clearance_mm = SIGMA_MM * np.linspace(-2.0, 2.0, 21)
    place = under_a_plane(clearance_mm, heaves(2000))
    found = high_chance(21, [place], 0.0).probability
    off = np.delete(np.arange(21), 10)  # at 0 itself a draw of 0 would count for neither
    assert_allclose(found[off] + found[::-1][off], 1.0, rtol=0, atol=1e-12)


def test_a_record_that_is_sure_says_yes_or_no():
    place = under_a_plane(np.array([-0.02, -0.0101, -0.0099, 0.0, 0.05]), np.zeros((50, 6)))
    found = high_chance(7, [place], -0.01)
    assert_array_equal(found.probability, [1, 1, 0, 0, 0, 0, 0])
    assert (found.anywhere, found.n) == (1.0, 50)


def test_the_wanted_gap_follows_the_datum():
    """A datum that rises with the jaw takes nothing off: crown and natural teeth go alike."""
    twist = heaves(400)
    rising = -twist[:, 5]  # the gap of the natural teeth, smaller as the jaw rises
    place = under_a_plane(np.array([0.001, -0.001]), twist, wanted_mm=rising, datum_share=1.0)
    assert_array_equal(high_chance(2, [place], 0.0).probability, [0, 1])
    half = under_a_plane(np.array([0.0]), twist, wanted_mm=rising, datum_share=0.5)
    assert_allclose(high_chance(1, [half], 0.0).probability, 0.5, rtol=0, atol=0.01)


def test_two_movements_count_once_and_one_movement_after_another():
    """High in either: of two that err alike the worse one, of two that err apart the union."""
    n = 40_000
    both = np.column_stack([heaves(n, seed=1)[:, 5], heaves(n, seed=2)[:, 5]])
    twist = np.zeros((n, 6))
    twist[:, 4:] = both
    here = np.array([0.0])

    def place(axis):
        way = np.zeros((1, 6))
        way[0, axis] = -1.0
        return DrawnPlaces(np.zeros(1), here, way, twist, np.zeros(n), np.zeros(1))

    one = high_chance(1, [place(5)], 0.0).probability
    same = high_chance(1, [place(5), place(5)], 0.0).probability
    apart = high_chance(1, [place(5), place(4)], 0.0).probability
    assert_array_equal(one, same)
    assert_allclose(apart, 0.75, rtol=0, atol=4.5 * np.sqrt(0.75 * 0.25 / n))


def test_anywhere_is_no_less_than_the_highest_and_counts_every_draw():
    twist = heaves(400)
    ways = np.array([-UP, UP])  # what the one gains the other loses
    place = DrawnPlaces(np.arange(2), np.zeros(2), ways, twist, np.zeros(400), np.zeros(2))
    found = high_chance(2, [place], 0.0)
    assert found.anywhere == 1.0
    assert_allclose(found.probability, 0.5, rtol=0, atol=1e-12)


def test_what_is_passed_over_would_be_0():
    """The bound that spares places holds for every draw, and is met by one."""
    rng = np.random.default_rng(8)
    twist = rng.standard_normal((60, 6)) @ np.diag([1e-3] * 3 + [0.02, 0.01, 0.0])
    way = rng.standard_normal((500, 6))
    most = np.abs(way @ twist.T).max(axis=1)
    bound = largest_changes(way, twist)
    assert np.all(bound >= most)
    assert (bound < 3.0 * most).mean() > 0.9
    assert not largest_changes(way, np.zeros((5, 6))).any()


def test_draws_of_different_numbers_are_refused():
    places = [under_a_plane(np.zeros(1), heaves(n)) for n in (10, 20)]
    with pytest.raises(InputError, match=r"numbers of draws \[10, 20\]"):
        high_chance(1, places, 0.0)
    with pytest.raises(InputError, match="numbers of draws"):
        high_chance(1, [], 0.0)
