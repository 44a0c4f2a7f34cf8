"""A jaw of one freedom between two openings: laws of the bracket, a path of the demo."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from demo_arches.noise import FOLDER
from occlusim.motion.bracket import EDGE_RAD, Bracket
from occlusim.motion.excursion import ExcursionSettings
from occlusim.pipeline.jaw_run import follow_movement


def test_a_step_inside_is_left_as_it_is():
    bracket = Bracket()
    assert bracket.step(0.0, 0.3) == 0.3
    assert bracket.step(1.0, -0.4) == -0.4
    assert bracket.step(0.6, 0.1) == 0.1


def test_a_step_past_a_known_side_goes_to_the_middle():
    bracket = Bracket()
    bracket.step(0.0, 1.5)
    assert bracket.step(1.0, -3.0) == -0.5
    assert bracket.step(0.5, 2.0) == 0.25


@pytest.mark.parametrize("jump", [0.1, 0.3712, 0.9])
def test_both_sides_close_up_on_a_jump(jump):
    """A force that jumps from too little to far too much has no root; its place is found."""
    bracket, opening = Bracket(), 1.0
    for _ in range(60):
        opening += bracket.step(opening, 5.0 if opening < jump else -0.4)
        if bracket.is_edge:
            break
    assert bracket.is_edge
    assert_allclose(0.5 * (bracket.too_closed + bracket.too_open), jump, rtol=0, atol=EDGE_RAD)


@pytest.mark.slow
def test_the_demo_jaw_is_followed_past_its_incisors_edges():
    """Over 5 mm of protrusion contacts come and go abruptly: linear steps went in circles."""
    stage = jaw_of(FOLDER / "molar-46.toml")
    jaw = stage.jaw
    path, held = follow_movement(
        jaw.model, jaw.natural, "protrusion", ExcursionSettings(0.1, 5.0), jaw.run.moving
    )
    assert held is None
    assert path.ended_by is None
    assert_allclose(path.step_mm[-1], 5.0, rtol=0, atol=1e-12)
    for rest in path.rest:
        assert rest.is_on_edge or np.abs(rest.residual).max() < 1e-6 * rest.load_N
