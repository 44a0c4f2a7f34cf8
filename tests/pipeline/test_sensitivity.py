"""Jaws drawn and laid out, and a crown's answer to them on a demo case."""

from dataclasses import replace

import numpy as np
import pytest
from motion.test_axis_error import hinge
from numpy.testing import assert_allclose, assert_array_equal
from reference.forward import jaw_of

from demo_arches.noise import FOLDER
from occlusim.contact.field import GapField
from occlusim.errors import InputError
from occlusim.jaw.guidance import GuidanceSettings
from occlusim.jaw.mounting_scatter import AxisScatter, GuidanceScatter
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.pipeline.crown_stage import Region
from occlusim.pipeline.sensitivity import (
    JawVariation,
    crown_sensitivity,
    drawn_variations,
    grid_variations,
    single_variations,
)
from occlusim.pipeline.units import BAND
from occlusim.pipeline.varied_course import nominal_course, varied_leasts

GUIDANCE = GuidanceSettings.from_degrees(inclination_plane="occlusal")
AXIS = AxisScatter(2.0, 3.0, "made up")


def test_jaws_are_drawn_with_the_scatter_asked_for():
    drawn = drawn_variations(GUIDANCE, GuidanceScatter(), AXIS, 4000, np.random.default_rng(7))
    incline = np.rad2deg(
        [
            [getattr(v.guidance, s).sagittal_inclination_rad for s in ("right", "left")]
            for v in drawn
        ]
    )
    # Standard errors of 4000 draws: 0.19 degrees of a mean, 0.14 of a spread, 0.005 of 0.85.
    assert_allclose(incline.mean(axis=0), 33.0, rtol=0, atol=0.6)
    assert_allclose(incline.std(axis=0), 12.0, rtol=0, atol=0.5)
    assert_allclose(np.corrcoef(incline.T)[0, 1], 0.85, rtol=0, atol=0.02)
    shift = np.array([v.guidance.left.immediate_side_shift_mm for v in drawn])
    assert 0.0 <= shift.min() < 0.01
    assert 1.99 < shift.max() <= 2.0
    place = np.array([[v.forward_mm, v.up_mm] for v in drawn])
    assert_allclose(place.std(axis=0), [2.0, 3.0], rtol=0.05, atol=0)
    again = drawn_variations(GUIDANCE, GuidanceScatter(), AXIS, 3, np.random.default_rng(7))
    assert again == drawn[:3]
    with pytest.raises(InputError, match="-1 samples given"):
        drawn_variations(GUIDANCE, GuidanceScatter(), AXIS, -1, np.random.default_rng(7))


def test_a_grid_holds_every_combination_and_singles_one_change_each():
    grid = grid_variations(
        GUIDANCE, inclination_rad=(0.3, 0.6), side_shift_mm=(0.0, 1.0), up_mm=(-2.0, 0.0, 2.0)
    )
    assert len(set(map(repr, grid))) == 12
    assert {v.guidance.right.bennett_angle_rad for v in grid} == {np.deg2rad(7.5)}
    singles = single_variations(GUIDANCE, GuidanceScatter())
    assert len(singles) == 8
    low, high = singles["bennett_left"]
    assert low.guidance.right == high.guidance.right == GUIDANCE.right
    assert_allclose(
        np.rad2deg([low.guidance.left.bennett_angle_rad, high.guidance.left.bennett_angle_rad]),
        [3.9, 11.1],
        rtol=1e-9,
        atol=0,
    )


def test_an_axis_that_lies_elsewhere_turns_the_jaw_about_it():
    model, _ = hinge()
    moved = JawVariation(GUIDANCE, forward_mm=2.0, up_mm=-1.0).model(model)
    assert_allclose(moved.hinge_at("centric")(0.0).point, [0.0, 2.0, -1.0], rtol=0, atol=1e-9)


def test_sensitivity_without_a_closure_is_refused():
    model, _ = hinge()
    with pytest.raises(InputError, match="closure's path must come first"):
        crown_sensitivity(model, None, (), (), None, [], GuidanceScatter(), 0.25)


@pytest.fixture(scope="module")
def demo():
    """Return the demo jaw up to short laterotrusions to the left, and the crown against it."""
    stage = jaw_of(FOLDER / "molar-46.toml")
    pair = Region.build(stage.inputs, stage.jaw).against(GapField.build(stage.inputs.crown, BAND))
    paths = [p for p in stage.jaw.run.paths if p.name in ("centric", "laterotrusion_left")]
    return stage.jaw, pair, paths, [pair.least_gaps(p.poses(p.step_mm), 1e-4) for p in paths]


@pytest.mark.slow
def test_the_same_numbers_on_any_number_of_threads_and_the_closure_hardly_answers(demo):
    jaw, pair, paths, gaps = demo
    model, scatter = jaw.model, GuidanceScatter()
    jaws = drawn_variations(model.guidance, scatter, AXIS, 3, np.random.default_rng(5))
    usual = thread_count()
    found = []
    try:
        for n in (1, usual):
            set_threads(n)
            found.append(
                crown_sensitivity(model, jaw.natural, paths, gaps, pair, jaws, scatter, 0.25)
            )
    finally:
        set_threads(usual)
    for one, other in zip(*found, strict=True):
        assert_array_equal(one.least_mm, other.least_mm)
        assert_array_equal(one.beyond_gap_mm, other.beyond_gap_mm)
        assert one.effect_mm == other.effect_mm
    centric, left = found[0]
    # A shift of the axis moves the teeth by the opening of the closure from the record, no more.
    opening = abs(jaw.run.light.opening_rad)
    assert np.abs(centric.axis_mm_per_mm).max() < 1.5 * opening + 1e-6
    # The right condyle advances: the left one's guidance does not count.
    assert left.effect_mm["inclination_left"] == left.effect_mm["side_shift_left"] == (0.0, 0.0)
    assert left.effect_mm["inclination_right"][1] > 5e-3 > left.effect_mm["inclination_right"][0]
    assert (left.least_mm <= left.beyond_gap_mm).all()
    assert left.corner_beyond_mm < left.nominal_beyond_mm


@pytest.mark.slow
def test_a_jaw_that_moves_alike_costs_nothing(demo):
    jaw, pair, paths, gaps = demo
    course = nominal_course(pair, paths[1], gaps[1], 0.25)
    side = replace(jaw.model.guidance.left, bennett_angle_rad=0.3)
    alike = JawVariation(replace(jaw.model.guidance, left=side)).model(jaw.model)
    found = varied_leasts(course, jaw.model, [alike], jaw.natural, pair)
    assert found.n_solved[0] == 0
    assert_allclose(found.least_mm[0], course.gap_mm[1:].min(), rtol=0, atol=0)
