"""What is taken off does not hang on how finely a movement is stepped or a field is laid out."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from demo_arches.noise import FOLDER
from occlusim.contact.field import GapField
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_paths import wanted_functions
from occlusim.pipeline.crown_stage import Region, reduce_crown
from occlusim.pipeline.jaw_stage import Fields, run_jaw_stage
from occlusim.pipeline.units import BAND
from occlusim.sdf import SdfSettings

pytestmark = pytest.mark.slow
LIMIT_MM = 0.002
COUNTED_MM = 0.010
"""`targets.least_spot_um`: shallower places do not count as high."""


def plan_of(inputs, placed, jaw, band):
    region = Region.build(inputs, jaw)
    field = GapField.build(inputs.crown, band)
    wanted = wanted_functions(inputs, jaw)
    return reduce_crown(inputs, placed, jaw, region, field, wanted).plan


@pytest.fixture(scope="module")
def usual():
    """Return the demo case as shipped, up to the jaw's paths, and what is to be taken off."""
    stage = jaw_of(FOLDER / "molar-46.toml")
    return stage, plan_of(stage.inputs, stage.placed, stage.jaw, BAND)


@pytest.mark.parametrize(
    ("step_mm", "band"),
    [(0.05, BAND), (0.1, SdfSettings(voxel_mm=0.1, band_mm=0.7))],
    ids=["half the step", "voxels of 0.10 mm for 0.15"],
)
def test_depths_change_by_less_than_two_micrometres(usual, step_mm, band):
    stage, plan = usual
    movements = stage.inputs.case.movements.model_copy(update={"step_mm": step_mm})
    case = stage.inputs.case.model_copy(update={"movements": movements})
    inputs = replace(stage.inputs, case=case)
    fields = Fields(GapField.build(inputs.upper, band), None, (GapField.build(inputs.crown, band),))
    jaw = run_jaw_stage(inputs, stage.placed, fields, Clock(lambda _: None))
    n_steps = [len(one.jaw.run.paths[1].step_mm) for one in (stage, replace(stage, jaw=jaw))]
    assert (n_steps[1] > 1.5 * n_steps[0]) == (step_mm < 0.1)
    finer = plan_of(inputs, stage.placed, jaw, band)
    spots, again = ([s for s in p.spots if s.normal_depth_mm > COUNTED_MM] for p in (plan, finer))
    assert len(spots) == len(again) > 3
    for one in spots:
        other = min(again, key=lambda s: np.linalg.norm(s.centroid - one.centroid))
        assert other.movement == one.movement
        for name in ("normal_depth_mm", "depth_mm"):
            assert_allclose(getattr(other, name), getattr(one, name), rtol=0, atol=LIMIT_MM)
    assert_allclose(finer.depth_mm, plan.depth_mm, rtol=0, atol=LIMIT_MM)
