"""The datum: which natural contacts count, and when there are too few."""

import numpy as np
from numpy.testing import assert_allclose

from occlusim.contact.patches import PairContact
from occlusim.motion.datum import arch_position, natural_datum


def pair(lower, upper, mean_um, load_N=1.0):
    return PairContact(
        lower,
        upper,
        1.0,
        load_N,
        np.zeros(3),
        2e-3 * mean_um,
        1e-3 * mean_um,
        np.zeros(1, int),
        np.zeros(1, int),
    )


AROUND = [pair(44, 14, -4), pair(45, 15, -6), pair(47, 17, -2), pair(36, 26, -50), pair(33, 23, -9)]


def test_places_run_from_the_last_right_to_the_last_left():
    order = [48, 47, 46, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 36, 37, 38]
    assert [arch_position(t) for t in order] == list(range(1, 17))
    assert arch_position(16) == arch_position(46)


def test_the_median_of_the_pairs_beside_the_crown():
    found = natural_datum(AROUND, 46)
    assert_allclose(found.g_nat_mm, -4e-3, rtol=0, atol=1e-12)
    assert not found.is_recorded
    assert {p.body_tooth for p in found.pairs} == {44, 45, 47}


def test_an_upper_crown_looks_at_upper_teeth():
    contacts = [pair(34, 23, -3), pair(35, 25, -5), pair(36, 26, -7), pair(46, 16, -90)]
    found = natural_datum([*contacts, pair(44, 14, -80)], 24)
    assert {p.field_tooth for p in found.pairs} == {23, 25, 26}
    assert_allclose(found.g_nat_mm, -5e-3, rtol=0, atol=1e-12)


def test_mirrored_contacts_give_the_same():
    mirror = {44: 34, 45: 35, 47: 37, 36: 46, 33: 43, 14: 24, 15: 25, 17: 27, 26: 16, 23: 13}
    mirrored = [
        pair(mirror[p.body_tooth], mirror[p.field_tooth], 1e3 * p.mean_gap_mm) for p in AROUND
    ]
    assert natural_datum(mirrored, 36).g_nat_mm == natural_datum(AROUND, 46).g_nat_mm


def test_too_little_support_falls_back_on_the_recorded_bite():
    one_side = natural_datum([pair(44, 14, -4), pair(47, 17, -4)], 46)
    assert one_side.is_recorded
    assert one_side.g_nat_mm == 0.0
    assert any("left side" in reason for reason in one_side.reasons)
    no_front = natural_datum([pair(47, 17, -4), pair(36, 26, -4)], 46)
    assert any("front" in reason for reason in no_front.reasons)
    last = natural_datum([pair(44, 14, -4), pair(36, 26, -4)], 46)
    assert any("behind the last" in reason for reason in last.reasons)


def test_unplaced_and_unloaded_contacts_do_not_count():
    noise = [pair(0, 16, -99), pair(45, 0, -99), pair(45, 15, -99, load_N=0.0)]
    assert natural_datum([*AROUND, *noise], 46).g_nat_mm == natural_datum(AROUND, 46).g_nat_mm
