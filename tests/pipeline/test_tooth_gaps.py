"""A crown's gap with every tooth where the load has pushed it: only teeth that matter are asked."""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference import shapes

from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline import tooth_gaps
from occlusim.pipeline.units import BAND

RADIUS = 0.4
HEIGHT = {16: 0.0, 15: -0.02, 14: 0.03}
"""How far each opposing tooth has been pushed up, mm."""


@pytest.fixture(scope="module")
def scene():
    """A plate that is three teeth, and a ball over the border of the first two."""
    plate, ball = shapes.plate(6.0, 60), shapes.sphere(RADIUS, 40)
    ball = ball.with_vertices(ball.vertices + np.array([-0.7, 0.0, RADIUS + 0.05]))
    x = plate.vertices[plate.faces].mean(axis=1)[:, 0]
    tooth = np.where(x < -1.0, 16, np.where(x < 1.0, 15, 14)).astype(np.int32)
    pair = SimpleNamespace(
        antagonist=GapField.build(plate, BAND), crown=GapField.build(ball, BAND),
        crown_is_upper=False, T_antagonist_crown=lambda T: T,
    )  # fmt: skip
    pushed = {t: np.array([0.0, 0.0, h]) for t, h in HEIGHT.items()}
    closed = SimpleNamespace(T_upper_lower=RigidTransform.identity(), yielded=pushed)
    return pair, tooth, closed


def test_it_is_the_least_over_every_tooth_by_itself(scene):
    pair, tooth, closed = scene
    each = []
    for other in HEIGHT:
        T = RigidTransform.trusted(np.eye(3), -closed.yielded[other])
        each.append(least_gap(pair.antagonist, pair.crown, T, faces_a=tooth == other).gap_mm)
    found = tooth_gaps.crown_gap_mm(pair, tooth, 46, closed)
    assert_allclose(found, np.nanmin(each), rtol=0, atol=0)
    # Below the ball is the middle tooth, which has sunk by 20 um.
    assert_allclose(found, 0.05 + 0.02, rtol=0, atol=0.003)


def test_teeth_that_lie_farther_off_than_the_gap_are_not_asked(scene, monkeypatch):
    pair, tooth, closed = scene
    asked = []

    def counted(a, b, T, *, faces_a):
        asked.append(int(tooth[faces_a][0]))
        return least_gap(a, b, T, faces_a=faces_a)

    monkeypatch.setattr(tooth_gaps, "least_gap", counted)
    tooth_gaps.crown_gap_mm(pair, tooth, 46, closed)
    assert sorted(asked) == [15, 16]
