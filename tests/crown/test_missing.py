"""Low crowns: what is missing, by closed form."""

import numpy as np
import pytest
from crown.block_shapes import along, ball, block, path
from numpy.testing import assert_allclose

from occlusim.crown.missing import missing_contact
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface

UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture(scope="module")
def high_ball() -> Surface:
    """A ball of radius 2 mm, 0.15 mm above z = 0."""
    return Surface.build(ball(2.0, (0.0, 0.0, 2.15), 4))


def test_missing_contact_and_raise_are_the_distance_less_the_wanted_gap(high_ball):
    found = missing_contact(block(41, 4.0, 2.0), high_ball, path("centric", [0.0], None, 0.02), UP)
    assert found is not None
    assert_allclose(found.missing_mm, 0.13, rtol=0, atol=1e-6)
    assert_allclose(found.raise_mm, 0.13, rtol=0, atol=2e-5)
    assert_allclose(found.place, [0, 0, 0], rtol=0, atol=1e-9)


def test_raise_aslant_is_longer(high_ball):
    aslant = np.array([0.0, np.sin(0.5), np.cos(0.5)])
    found = missing_contact(block(201, 4.0, 2.0), high_ball, path("centric", [0.0]), aslant)
    assert found is not None
    assert_allclose(found.raise_mm, 0.15 / np.cos(0.5), rtol=0, atol=1e-3)


def test_crown_in_contact_misses_nothing(high_ball):
    touching = path("centric", [0.0], lambda s: np.tile([0.0, 0.0, 0.145], (len(s), 1)))
    assert missing_contact(block(21, 4.0, 2.0), high_ball, touching, UP) is None


def test_crown_far_away_is_refused(high_ball):
    away = path("centric", [0.0], lambda s: np.tile([0.0, 0.0, -5.0], (len(s), 1)))
    with pytest.raises(InputError, match="more than"):
        missing_contact(block(11, 4.0, 2.0), high_ball, away, UP)
    slide = path("protrusion", [0.0, 1.0], along((0, 1, 0)))
    with pytest.raises(InputError, match="one knot"):
        missing_contact(block(11, 4.0, 2.0), high_ball, slide, UP)
