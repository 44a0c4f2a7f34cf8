"""The start on the demo arches: found from anywhere, refused where nothing fits."""

from functools import cache

import numpy as np
import pytest

from benchmarks.records import (
    Record,
    bad_records,
    deep,
    demo_record,
    scattered,
    with_cheek,
)
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.orientation import orient_arches
from occlusim.registration.bite import BiteRegistration, register_bite
from occlusim.registration.coarse import StartSettings, find_start
from occlusim.registration.matches import Poses
from occlusim.registration.quality import judge_bite

NEAR_UM = 1000.0
"""A start: the joint fit comes home from 2 mm."""

SCAN_UM = 25.0
"""What the demo's scan noise (5 um arches, 8 um bite scans) does to the lower arch's farthest
point with a record of one side, three standard deviations of the stated 16 um rounded down."""


@cache
def _record() -> Record:
    return demo_record("a")


def _register(record: Record) -> BiteRegistration:
    return register_bite(*record.surfaces())


@pytest.mark.slow
@pytest.mark.parametrize("pair", ["a", "b"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_start_is_found_from_any_frames(pair, seed):
    record = scattered(demo_record(pair), np.random.default_rng(seed))
    start = find_start(*record.surfaces())
    assert start.is_found
    assert record.error_um(start.poses.T_upper_lower) < NEAR_UM
    assert (start.share > 0.9).all()
    assert start.rival < 0.6


@pytest.mark.slow
def test_the_joint_fit_ends_at_the_same_pose_from_any_frames():
    upper, lower, bites = _record().surfaces()
    true = _record().T_upper_lower
    here = register_bite(
        upper, lower, bites, T_upper_lower=true, T_upper_bites=_record().T_upper_bites
    )
    assert not here.start.is_found
    assert np.isnan(here.start.rival)
    there = scattered(_record(), np.random.default_rng(3))
    found = _register(there)
    assert found.start.is_found
    assert abs(there.error_um(found.T_upper_lower) - _record().error_um(here.T_upper_lower)) < 0.1


@pytest.mark.slow
@pytest.mark.parametrize("side", [0, 1])
def test_one_side_is_enough_for_a_start_whatever_it_is_called(side):
    record = scattered(_record().only(side), np.random.default_rng(4 + side))
    found = _register(record)
    assert record.error_um(found.T_upper_lower) < 3 * SCAN_UM


@pytest.mark.slow
@pytest.mark.parametrize("height_mm", [4.0, 2.0])
def test_a_deep_bite_that_shows_little_of_the_lower_teeth_is_found(height_mm):
    record = scattered(deep(_record(), height_mm), np.random.default_rng(7))
    found = _register(record)
    assert (found.start.share_lower < 0.3).all()
    assert record.error_um(found.T_upper_lower) < SCAN_UM


@pytest.mark.slow
def test_cheek_as_large_as_the_teeth_does_not_hide_them():
    record = scattered(with_cheek(_record(), np.random.default_rng(8)), np.random.default_rng(9))
    found = _register(record)
    assert (found.start.share < 0.6).all()
    assert record.error_um(found.T_upper_lower) < SCAN_UM


@pytest.mark.slow
def test_bad_records_never_give_a_confident_pose():
    rng = np.random.default_rng(10)
    records = bad_records(_record(), rng)
    states = {}
    for name, record in records.items():
        somewhere = scattered(record, rng)
        found = _register(somewhere)
        states[name] = judge_bite(found, somewhere.upper.vertices[::20_000]).state
    assert states == dict.fromkeys(records, "refused")
    assert len(states) == 8


@pytest.mark.slow
def test_exchanged_arches_are_refused_by_their_shape():
    record = _record()
    exchanged = Record(record.lower, record.upper, record.bites, record.T_upper_lower.inverse(), ())
    found = _register(exchanged)
    with pytest.raises(InputError, match="exchanged"):
        orient_arches(exchanged.upper, exchanged.lower, found.T_upper_lower)


@pytest.mark.slow
def test_near_poses_are_taken_and_wrong_ones_are_not():
    upper, lower, bites = _record().surfaces()
    off = RigidTransform.exp([0.01, -0.01, 0.01, 0.4, -0.5, 0.3])
    near = Poses(off @ _record().T_upper_lower, tuple(off @ T for T in _record().T_upper_bites))
    start = find_start(upper, lower, bites, near)
    assert not start.is_found
    assert _record().error_um(start.poses.T_upper_lower) < NEAR_UM
    one_tooth_on = RigidTransform.exp([0.0, 0.0, 0.0, 8.0, 4.0, 0.0])
    wrong = Poses(_record().T_upper_lower, tuple(one_tooth_on @ T for T in near.T_upper_bites))
    start = find_start(upper, lower, bites, wrong)
    assert start.is_found
    assert _record().error_um(start.poses.T_upper_lower) < NEAR_UM
    never = StartSettings(taken_share=1.01)
    assert find_start(upper, lower, bites, near, never).is_found
