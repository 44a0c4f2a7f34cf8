"""A spherical crown over flat teeth: its gap and its opening at first contact in closed form."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference import shapes

from occlusim.contact.field import GapField
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import frame_from_condyles
from occlusim.jaw.landmarks import Landmarks
from occlusim.jaw.pose import incisal_opening
from occlusim.motion.excursion import GuidedPath
from occlusim.motion.hinge import Hinge
from occlusim.motion.suspension import Suspension
from occlusim.pipeline.crown_run import CrownAgainst, opening_at_touch, paths_gaps
from occlusim.sdf import SdfSettings

RADIUS = 3.0
BAND = SdfSettings(voxel_mm=0.15, band_mm=0.7)
AXIS = np.array([0.0, -45.0, 25.0])
RIGHT = np.array([1.0, 0.0, 0.0])
INCISAL = np.array([0.0, 40.0, 0.0])
RECORDED = RigidTransform.identity()


def crown_over_flat_teeth(overlap_mm):
    """An upper crown, a ball that overlaps the plane z = 0 of the lower teeth."""
    ball = shapes.sphere(RADIUS, 60)
    up = np.array([0.0, 0.0, RADIUS - overlap_mm])
    crown = GapField.build(TriangleMesh(ball.vertices + up, ball.faces), BAND)
    teeth = GapField.build(shapes.plate(4.0, 24), BAND)
    return CrownAgainst(crown, teeth, np.ones(len(teeth.surface.mesh.faces), bool), True)


def opening_rad(overlap_mm):
    """Return the opening at which the ball leaves the plane that turns about the axis.

    The plane's distance from the ball's middle is l sin(o) + h cos(o) + z, with the axis z above
    the plane, and the middle l in front of the axis and h above it; at contact it is the radius.
    """
    length, height = -AXIS[1], RADIUS - overlap_mm - AXIS[2]
    reach = np.hypot(length, height)
    return np.arcsin((RADIUS - AXIS[2]) / reach) - np.arctan2(height, length)


@pytest.mark.parametrize("overlap_mm", [0.02, 0.1, 0.25])
def test_opening_at_first_contact_is_that_of_the_hinge(overlap_mm):
    pair = crown_over_flat_teeth(overlap_mm)
    assert_allclose(pair.least_gap(RECORDED).gap_mm, -overlap_mm, rtol=0, atol=5e-4)
    hinge = Hinge(AXIS, RIGHT, RECORDED)
    touch = opening_at_touch(pair, hinge, 80.0)
    marks = Landmarks(INCISAL, np.array([25.0, 0.0, 0.0]), np.array([-25.0, 0.0, 0.0]))
    frame = frame_from_condyles(AXIS + 52.0 * RIGHT, AXIS - 52.0 * RIGHT, marks)
    moved = incisal_opening(frame, hinge.pose(touch), RECORDED)
    arm = np.hypot(INCISAL[1] - AXIS[1], INCISAL[2] - AXIS[2])
    wanted = 2 * arm * np.sin(opening_rad(overlap_mm) / 2)
    assert_allclose(moved, wanted, rtol=0, atol=1e-3)


def test_movements_that_are_least_at_their_start_share_the_closures_answer():
    pair = crown_over_flat_teeth(0.1)

    def jaw_at(s):
        down = RigidTransform(np.eye(3), np.array([0.0, 0.0, -0.5 * s]))
        return Suspension(Hinge(AXIS, RIGHT, down), np.array([0.0, 0.0, 1.0]), 52.0)

    steps = np.linspace(0.0, 0.4, 5)
    paths = [
        GuidedPath("centric", steps[:1], steps[:1], np.zeros((1, 3)), jaw_at, (), 0.0),
        GuidedPath("protrusion", steps, steps, np.zeros((5, 3)), jaw_at, (), 0.0),
    ]
    wanted = [np.zeros(1), np.zeros(5)]
    (centric, forward), (beside,) = paths_gaps(pair, paths, wanted, beside=[lambda: "done"])
    assert beside == "done"
    assert centric.least_mm == forward.least_mm
    assert centric.supported_mm == forward.supported_mm
    assert_allclose(forward.gap_mm, -0.1 + 0.5 * steps, rtol=0, atol=1e-3)
    assert forward.at_mm == 0.0
