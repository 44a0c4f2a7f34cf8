"""Drawn records against the slow way: the jaw balanced anew, and the crown's gaps asked again."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from demo_arches.noise import FOLDER
from occlusim.crown.clearance import swept_clearance, tabulate
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.datum import natural_datum
from occlusim.motion.equilibrium import balance
from occlusim.pipeline.crown_paths import crown_path, wanted_functions
from occlusim.pipeline.crown_stage import CLEARANCE_LIMIT_MM, Region
from occlusim.pipeline.probability_stage import _asked, draws, run_probability
from occlusim.pipeline.results import pairs_of

pytestmark = pytest.mark.slow
TURN_RAD = 0.1
"""A gap's direction turns by so much from facet to facet: 0.2 mm long, on cusps of 2 mm radius."""


@pytest.fixture(scope="module", params=["molar-46", "premolar-24"])
def case(request):
    """Return a case's jaw and its crown's clearances in closure and in one movement."""
    stage = jaw_of(FOLDER / f"{request.param}.toml")
    inputs, jaw = stage.inputs, stage.jaw
    region, wanted = Region.build(inputs, jaw), wanted_functions(inputs, jaw)
    asked = [path for path in jaw.run.paths if path.name in ("centric", "laterotrusion_left")]
    is_upper = inputs.crown_spec.is_upper
    paths = [crown_path(path, wanted[path.name], is_upper) for path in asked]
    vertices = inputs.crown.mesh.vertices
    table = tabulate(paths, vertices)
    swept = swept_clearance(vertices, region.field, table, CLEARANCE_LIMIT_MM)
    plan = SimpleNamespace(swept=swept, table=table, spots=())
    crown = SimpleNamespace(plan=plan, reduction=SimpleNamespace(plan=plan))
    return stage, region, crown


def test_drawn_jaws_close_and_gaps_change_as_by_the_slow_way(case):
    """Six records drawn from the covariance, each balanced anew with rigid teeth, gaps exact."""
    stage, region, crown = case
    inputs, jaw, placed = stage.inputs, stage.jaw, stage.placed
    drawn = draws(placed.record.registration.covariance, 6, np.random.default_rng(4))
    start = jaw.run.moving
    closure = next(one for one in _asked(jaw, crown) if one.path.name == "centric")
    closed = closure.closed(placed, jaw, drawn)
    places = closure.places(closed, crown, inputs)
    near = places.clearance_mm < 0.03
    assert near.sum() > 200
    point = inputs.crown.mesh.vertices[places.vertex[near]]
    datum_mm = natural_datum(pairs_of(start, 0, jaw.run.near), inputs.crown_spec.iso).g_nat_mm
    usual = jaw.run.light.T_upper_lower

    def gap_mm(T_upper_lower):
        T = T_upper_lower.inverse() if inputs.crown_spec.is_upper else T_upper_lower
        return region.field.exact(point, T, 1.0)

    for k, twist in enumerate(drawn):
        pose = RigidTransform.exp(twist) @ placed.T_upper_lower
        model = replace(jaw.model, T_upper_lower=pose)
        found = balance(
            model.rest, (jaw.run.side.copy(),), model.light_N, model.moving, model.closure,
            start=start,
        )  # fmt: skip
        moved = found.T_upper_lower @ start.T_upper_lower.inverse()
        expected = gap_mm(moved @ usual) - gap_mm(usual)
        way_mm = places.way[near] @ closed.twist[k]
        assert np.abs(expected).max() > 3e-4
        off = np.abs(way_mm - expected)
        assert np.median(off) < 3e-5
        far_mm = np.linalg.norm(moved.apply(point) - point, axis=1).max()
        assert np.quantile(off, 0.98) < TURN_RAD * far_mm
        tight_mm = (
            natural_datum(pairs_of(found, 0, jaw.run.near), inputs.crown_spec.iso).g_nat_mm
            - datum_mm
        )
        # Corners in place of clipped faces, over some 0.1 mm2 a pair.
        assert_allclose(closed.tightness_mm[k], tight_mm, rtol=0, atol=3e-4)


def test_a_record_that_is_surely_right_gives_yes_or_no_and_a_vague_one_does_not(case):
    stage, _, crown = case
    crown.with_field = lambda name, values: (name, values)

    def of(covariance):
        registration = replace(stage.placed.record.registration, covariance=covariance)
        record = replace(stage.placed.record, registration=registration)
        placed = replace(stage.placed, record=record)
        return run_probability(stage.inputs, placed, stage.jaw, crown)

    value_mm = crown.plan.swept.value_mm.min(axis=1)
    limit_mm = stage.inputs.case.targets.least_spot_um / 1000.0
    sure = of(np.zeros((6, 6)))
    assert sure.shown(crown)[0] == "probability_high"
    assert set(np.unique(sure.chance.probability)) == {0.0, 1.0}
    assert ((sure.chance.probability == 1.0) == (value_mm < -limit_mm)).all()
    assert sure.part()["anywhere"] == 1.0
    between = SimpleNamespace(
        id=1,
        movement="centric",
        worst_point=stage.inputs.crown.mesh.vertices[int(value_mm.argmin())],
        normal_depth_mm=limit_mm + 1e-6,
    )
    clear = SimpleNamespace(**{**vars(between), "id": 2, "normal_depth_mm": limit_mm - 1e-6})
    crown.reduction.plan.spots = (between, clear)
    told = of(np.zeros((6, 6)))
    assert told.chance.probability[-2:].tolist() == [1.0, 0.0]
    assert told.by_spot == {1: 1.0, 2: 0.0}
    assert len(of(np.zeros((6, 6))).shown(crown)[1]) == len(value_mm)
    crown.reduction.plan.spots = ()
    followed = crown.plan.swept
    crown.plan.swept = replace(followed, row=np.full_like(followed.row, np.nan))
    far = of(stage.placed.record.registration.covariance)
    assert not far.chance.probability.any()
    assert far.part()["anywhere"] == 0.0
    crown.plan.swept = followed
    covariance = stage.placed.record.registration.covariance
    vague = of(100.0 * covariance)
    between = (vague.chance.probability > 0.0) & (vague.chance.probability < 1.0)
    usual = of(covariance).chance.probability
    assert between.sum() > 2 * ((usual > 0.0) & (usual < 1.0)).sum() > 0
    assert vague.part()["resolution"] == 1.0 / 400
    assert of(np.full((6, 6), np.nan)).part() is None
    assert of(np.full((6, 6), np.nan)).shown(crown) is crown
