import numpy as np
import pytest

from occlusim.pipeline.crown_run import MovementGaps
from occlusim.pipeline.report_meshes import worst_step_mm


def movement(step_mm, gap_mm, wanted_mm):
    return MovementGaps(
        "protrusion", np.array(step_mm), np.array(gap_mm), np.array(wanted_mm), 0.0, 0.0, 0.0
    )


@pytest.mark.parametrize(
    ("step_mm", "gap_mm", "worst_mm"),
    [
        (
            [0.0, 0.2, 0.4, 0.6],
            [-0.30, -0.20, 0.01, 0.04],
            0.4,
        ),  # half the ramp is left out
        ([0.0, 0.2, 0.4, 0.6], [0.0, 0.0, 0.10, 0.05], 0.6),
        ([0.0, -0.3, -0.6], [-0.3, 0.05, 0.01], -0.6),  # the retrusive slide runs backwards
        ([0.0, 0.1], [0.05, 0.02], 0.1),  # all of a path shorter than that
        ([0.0, 0.3, 0.6], [-0.1, np.nan, 0.2], 0.6),
        ([0.0, 0.3, 0.6], [-0.1, np.nan, np.nan], 0.6),
    ],
)
def test_the_worst_step_falls_most_short_of_the_wanted_gap(step_mm, gap_mm, worst_mm):
    wanted_mm = np.full(len(step_mm), 0.05)
    assert worst_step_mm(movement(step_mm, gap_mm, wanted_mm), 0.25) == worst_mm
