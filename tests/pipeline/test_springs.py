"""Springs, settling and foil beside the answer: laws on a demo jaw, run once."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from demo_arches.noise import FOLDER
from occlusim.case import Foil
from occlusim.contact.field import GapField
from occlusim.contact.foundation import FoundationSettings
from occlusim.motion.equilibrium import balance
from occlusim.motion.joints import Muscle
from occlusim.pipeline.crown_run import paths_gaps
from occlusim.pipeline.crown_stage import Region, crown_opposition
from occlusim.pipeline.foil import foil_part, foil_words
from occlusim.pipeline.guided import HARD_MPA_PER_MM, guide_with_crown, unloaded_words
from occlusim.pipeline.jaw_run import close_jaw
from occlusim.pipeline.results import order_part
from occlusim.pipeline.settling import middle_of_teeth, settle_freely, tether
from occlusim.pipeline.springs import variants
from occlusim.pipeline.units import BAND

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo():
    """Return the demo jaw as shipped, and its crown against its antagonist."""
    stage = jaw_of(FOLDER / "molar-46.toml")
    region = Region.build(stage.inputs, stage.jaw)
    return stage, region, region.against(GapField.build(stage.inputs.crown, BAND))


def test_forces_of_every_closure_balance(demo):
    run = demo[0].jaw.run
    for closure in (run.light, run.heavy, run.moving, *run.order):
        assert np.abs(closure.residual).max() < 1e-6 * closure.load_N
        assert closure.tooth_residual_N < 1e-6 * closure.load_N
        assert_allclose(closure.support_N, closure.load_N, rtol=1e-9, atol=0)
        assert_allclose(sum(closure.pair_N.values()), closure.load_N, rtol=1e-6, atol=0)
        # Vertically: what the muscles pull, teeth and joints bear.
        borne = closure.support_N + closure.joint_N.sum()
        assert_allclose(closure.muscle_N, borne, rtol=1e-6, atol=0)
        assert not closure.is_joint_unloaded


def test_contacts_come_one_after_the_other_from_the_first_touch_on(demo):
    """The least load is carried where rigid teeth touch first on the hinge: found by bisection."""
    jaw = demo[0].jaw
    near, order = jaw.run.near, order_part(jaw.run.order, jaw.run.near)
    hinge, body = jaw.model.hinge_at("centric")(0.0), near.body
    apart, pressed = jaw.run.light.opening_rad + 0.002, jaw.run.light.opening_rad

    def gaps(opening_rad):
        return near.field.exact(body.points, near.T_field_body(hinge.pose(opening_rad)))

    for _ in range(20):
        middle = 0.5 * (apart + pressed)
        apart, pressed = (middle, pressed) if np.nanmin(gaps(middle)) > 0 else (apart, middle)
    place = int(np.nanargmin(gaps(apart)))
    lower = {int(t) for t in body.tooth[(body.faces == place).any(axis=1)]}
    T = near.T_field_body(hinge.pose(apart))
    closest = near.field.surface.closest(body.points[[place]], T_surface_points=T)
    upper = int(near.field_tooth[closest.faces[0]])
    first = [part for part in order if part["not_at_load_N"] is None]
    assert (str(upper), lower) in [(f["upper_tooth"], {int(f["lower_tooth"])}) for f in first]
    loads = [closure.load_N for closure in jaw.run.order]
    assert_allclose(np.diff(np.log2(loads)), 1.0, rtol=0, atol=1e-9)
    assert len(first) < len(order) / 3
    for part in order:
        assert part["by_load_N"] in loads
        assert part["not_at_load_N"] in (None, part["by_load_N"] / 2)


def test_every_step_of_every_movement_balances(demo):
    for path in demo[0].jaw.run.paths[1:]:
        for rest in path.rest:
            assert np.abs(rest.residual).max() < 1e-6 * rest.load_N
            assert_allclose(sum(rest.pair_N.values()), rest.load_N, rtol=1e-6, atol=0)


def test_a_tether_is_the_inverse_covariance_at_the_scale_of_the_load(demo):
    stage = demo[0]
    model, light = stage.jaw.model, stage.jaw.run.light
    covariance = np.diag([1e-8, 1e-8, 1e-8, 1e-4, 1e-4, 4e-4])
    turn = np.kron(np.eye(2), model.frame.T_jaw_upper.rotation)
    in_upper = turn.T @ covariance @ turn
    found = tether(stage.placed, stage.jaw, in_upper)
    assert_allclose(found, found.T, rtol=1e-9, atol=1e-9)
    assert np.linalg.eigvalsh(found).min() > 0
    # A heave of both condyles alone turns nothing; the force that it wakes is felt at both alike,
    # but for the teeth's middle lying off the mid-line.
    middle = light.T_upper_lower.apply(middle_of_teeth(light))
    place = model.frame.T_jaw_upper.apply(middle)
    assert abs(place[0]) < 15.0
    assert 40.0 < place[1] < 80.0


def test_free_settling_of_a_good_record_changes_little(demo):
    stage, _, pair = demo
    settled = settle_freely(stage.placed, stage.jaw, pair, (46,))
    assert settled.problem is None
    assert abs(settled.disagreement_mm) < 0.03


def test_a_record_of_unknown_covariance_is_not_settled(demo):
    stage, _, pair = demo
    registration = replace(stage.placed.record.registration, covariance=np.full((6, 6), np.nan))
    placed = replace(stage.placed, record=replace(stage.placed.record, registration=registration))
    settled = settle_freely(placed, stage.jaw, pair, (46,))
    assert settled.disagreement_mm is None
    assert "covariance" in settled.problem


def test_foil_that_agrees_and_foil_that_does_not(demo):
    jaw = demo[0].jaw
    loaded = max(jaw.run.light.pair_N, key=lambda pair: jaw.run.light.pair_N[pair])
    pair = (str(loaded[0]), str(loaded[1]))
    agrees = foil_part(Foil(holds=(pair,)), jaw)
    assert agrees[0]["predicted"] == "holds"
    assert foil_words(agrees) == []
    against = foil_part(Foil(slips=(pair,), holds=(("18", "31"),)), jaw)
    assert [one["agrees"] for one in against] == [False, False]
    # Teeth that are nowhere near each other let any foil slip.
    assert against[0]["gap_um"] is None
    assert len(foil_words(against)) == 2
    assert pair[0] in foil_words(against)[1]
    assert foil_part(None, jaw) == []


def test_other_springs_are_named_and_differ_from_the_cases_own(demo):
    statics = demo[0].jaw.model.statics
    codes = [code for code, _, _ in variants(statics)]
    assert codes == ["stiffness_effect", "stiffness_effect", "pace_effect", "lateral_effect"]
    quick = replace(statics, mobility=replace(statics.mobility, pace="quick"))
    assert "lateral_effect" not in [code for code, _, _ in variants(quick)]
    assert [v.foundation.stiffness_MPa_per_mm for _, _, v in variants(statics)[:2]] == [30, 3000]


def test_a_high_crown_lifts_the_jaw_by_the_lever_and_a_crown_that_is_free_by_nothing(demo):
    stage, region, pair = demo
    path = next(p for p in stage.jaw.run.paths if p.name == "protrusion")
    gaps = paths_gaps(pair, [path], [np.zeros(len(path.step_mm))])[0][0]
    own = crown_opposition(stage.inputs, region, stage.inputs.crown.mesh)
    found = guide_with_crown(stage.jaw.model, stage.jaw.natural, own, path, gaps.gap_mm)
    first = found.steps[0]
    assert first.parameter_mm == 0.0
    assert first.share == pytest.approx(1.0)
    # The jaw turns about its axis: the crown's contacts lie some 50 mm before it, within 5 mm, and
    # the incisors 84 mm.
    model = stage.jaw.model
    hard = replace(model.moving, foundation=FoundationSettings(HARD_MPA_PER_MM))
    alone, both = (
        balance(
            path.suspension_at(0.0), teeth, model.light_N, hard, model.closure,
            start=stage.jaw.run.moving,
        )
        for teeth in ((stage.jaw.run.near,), (stage.jaw.run.near, own))
    )  # fmt: skip
    risen = [pair.least_gap(closed.T_upper_lower).gap_mm for closed in (alone, both)]
    assert risen[0] < -0.03
    assert_allclose(first.lift_mm, (risen[1] - risen[0]) * 84.0 / 50.0, rtol=0.15, atol=0)
    assert len(first.lost) >= 2
    clear = guide_with_crown(
        stage.jaw.model, stage.jaw.natural, own, path, np.full(len(path.step_mm), 0.1)
    )
    assert clear.steps == ()


def test_a_muscle_in_front_of_the_teeths_load_unloads_the_condyles(demo):
    jaw = demo[0].jaw
    model = jaw.model
    front = model.frame.T_jaw_upper.inverse().apply([0.0, 72.0, 0.0])
    muscle = Muscle(model.T_upper_lower.inverse().apply(front), model.superior)
    moved = replace(model, statics=replace(model.statics, muscle=muscle))
    found = close_jaw(moved, (jaw.run.near,), model.light_N, jaw.run.light)
    assert found.is_joint_unloaded
    assert unloaded_words({"light closure": found}, ())[0].startswith("light closure: ")
    assert unloaded_words({"light closure": jaw.run.light}, jaw.run.paths) == []
