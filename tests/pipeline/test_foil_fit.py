"""Foil that constrains a record: a record led astray is led back, a right one is left alone."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from demo_arches.noise import FOLDER
from occlusim.case import Foil
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline.foil import PairGaps, foil_part
from occlusim.pipeline.foil_fit import SCATTER_MM, fit_to_foil
from occlusim.pipeline.jaw_run import close_near

pytestmark = pytest.mark.slow
PAIRS = [(upper, lower) for upper in range(11, 28) for lower in range(31, 48) if lower != 46]


@pytest.fixture(scope="module")
def demo():
    """Return the demo jaw, and what an 8 um foil shows at its light closure."""
    stage = jaw_of(FOLDER / "molar-46.toml")
    light = stage.jaw.run.light
    gaps = PairGaps.around(stage.jaw.natural, light)
    seen = {pair: gaps.least(light.T_upper_lower, *pair).gap_mm for pair in PAIRS}
    names = {pair: (str(pair[0]), str(pair[1])) for pair in PAIRS}
    foil = Foil(
        holds=tuple(names[pair] for pair, gap in seen.items() if gap < 0.003),
        slips=tuple(names[pair] for pair, gap in seen.items() if 0.012 < gap < 0.3),
        constrains=True,
    )
    assert len(foil.holds) > 8
    assert len(foil.slips) > 1
    return stage, foil


def astray(stage, twist, covariance):
    """Return the case with its record moved by a twist, and the jaw closed there."""
    registration = stage.placed.record.registration
    pose = RigidTransform.exp(twist) @ stage.placed.T_upper_lower
    moved = replace(registration, T_upper_lower=pose, covariance=covariance)
    record = replace(stage.placed.record, registration=moved)
    jaw = stage.jaw
    model = replace(jaw.model, T_upper_lower=pose)
    side, light = close_near(model, jaw.natural)
    run = replace(jaw.run, near=side.opposition, side=side, light=light)
    placed = replace(stage.placed, T_upper_lower=pose, record=record)
    return placed, replace(jaw, model=model, run=run)


def tilt(stage):
    """Return a roll (6,) that lowers one side by some 60 um and lifts the other, and a covariance.

    Of the covariance's directions roll has 40 um 25 mm beside the middle, the others 1 um.
    """
    T = stage.placed.frame.T_jaw_upper.inverse()
    middle = stage.placed.record.places[0].point
    axis = T.rotate(np.array([0.0, 1.0, 0.0]))
    centre = middle - (T.rotate(np.array([1.0, 0.0, 0.0])) @ (middle - T.translation)) * (
        T.rotate(np.array([1.0, 0.0, 0.0]))
    )
    roll = np.concatenate([axis, np.cross(centre, axis)])
    small = np.diag([4e-5**2] * 3 + [1e-3**2] * 3)
    return 0.0024 * roll, small + 0.0016**2 * np.outer(roll, roll)


def test_a_record_that_foil_confirms_keeps_its_pose_to_the_bit(demo):
    stage, foil = demo
    fit = fit_to_foil(foil, stage.placed, stage.jaw)
    assert (fit.T_upper_lower.matrix == stage.placed.T_upper_lower.matrix).all()
    assert (fit.covariance == stage.placed.record.registration.covariance).all()
    assert fit.chance == 1.0
    assert fit.words() == []


def test_a_tilted_record_is_led_back(demo):
    stage, foil = demo
    twist, covariance = tilt(stage)
    placed, jaw = astray(stage, twist, covariance)
    before = [one for one in foil_part(foil, jaw) if one["agrees"] is False]
    assert len(before) > 2
    fit = fit_to_foil(foil, placed, jaw)
    back, there = astray(stage, (fit.T_upper_lower @ stage.placed.T_upper_lower.inverse()).log(),
                         fit.covariance)  # fmt: skip
    assert_allclose(back.T_upper_lower.matrix, fit.T_upper_lower.matrix, rtol=0, atol=1e-9)
    after = [one for one in foil_part(foil, there) if one["agrees"] is False]
    assert len(after) < len(before) / 2
    # Foil that holds says no more than that a gap is below 6 um: the tilt is led back, not undone.
    left = (fit.T_upper_lower @ stage.placed.T_upper_lower.inverse()).log()
    assert np.linalg.norm(left[:3]) < np.linalg.norm(twist[:3])
    assert (np.linalg.eigvalsh(covariance - fit.covariance) > -1e-15).all()
    assert 0.0 < fit.chance < 1.0


def test_no_pose_beside_it_is_likelier(demo):
    """Slow twin: the same sum, of closures and gaps anew, at poses beside the answer."""
    stage, foil = demo
    twist, covariance = tilt(stage)
    placed, jaw = astray(stage, twist, covariance)
    fit = fit_to_foil(foil, placed, jaw)
    thickness = foil.thickness_um * 1e-3
    precision = np.linalg.inv(covariance)

    def cost(moved):
        whole = (RigidTransform.exp(moved) @ RigidTransform.exp(twist)).log()
        _, closed = astray(stage, whole, covariance)
        light = closed.run.light
        gaps = PairGaps.around(closed.natural, light)
        total = moved @ precision @ moved
        for pairs, is_held in ((foil.holds, True), (foil.slips, False)):
            for upper, lower in pairs:
                gap = gaps.least(light.T_upper_lower, int(upper), int(lower)).gap_mm
                off = gap - 0.75 * thickness if is_held else thickness - gap
                total += (max(off, 0.0) / SCATTER_MM) ** 2 if off == off else 0.0
        return total

    roll = twist / np.linalg.norm(twist[:3])
    found = cost(fit.twist)
    assert found < cost(np.zeros(6))
    for beside in (-2e-4, 2e-4):
        assert cost(fit.twist + beside * roll) > found - 0.02 * found


def test_an_unknown_covariance_is_refused(demo):
    stage, foil = demo
    registration = replace(stage.placed.record.registration, covariance=np.full((6, 6), np.nan))
    record = replace(stage.placed.record, registration=registration)
    with pytest.raises(InputError, match="leave constrains out"):
        fit_to_foil(foil, replace(stage.placed, record=record), stage.jaw)
