"""A guided path against a closed form: a sphere led along a ramp by an axis that moves forward."""

import numpy as np
import pytest
from motion.test_closure import LEVER_MM, RADIUS_MM, SUPERIOR, cap, hinge, opposition, plate
from numpy.testing import assert_allclose
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from occlusim.contact.foundation import FoundationSettings
from occlusim.errors import DegenerateProblem
from occlusim.geometry.transform import RigidTransform
from occlusim.motion import excursion
from occlusim.motion.closure import ClosureSettings
from occlusim.motion.excursion import ExcursionSettings, follow, left_out_error
from occlusim.motion.hinge import Hinge
from occlusim.motion.joints import JointSettings, Muscle
from occlusim.motion.linear_jaw import Statics
from occlusim.motion.mobility import MobilitySettings
from occlusim.motion.suspension import Suspension

TILT_RAD = np.deg2rad(20.0)


def ramp():
    """Return a plate that faces down, tilted so that it falls forward, through the sphere's top."""
    top = [0.0, LEVER_MM, 1.0 + RADIUS_MM]
    return plate(top[2], size_mm=5.0).transformed(
        RigidTransform.rotation_about(top, [1.0, 0.0, 0.0], -TILT_RAD)
    )


def sliding(s):
    """Return the jaw whose axis has moved forward by s."""
    move = RigidTransform(np.eye(3), np.array([0.0, s, 0.0]))
    return Suspension(
        Hinge(np.array([0.0, s, 0.0]), np.array([1.0, 0.0, 0.0]), move), SUPERIOR, 50.0
    )


def rigid():
    """Return the statics of teeth and condyles that do not give way."""
    return Statics(
        FoundationSettings(),
        MobilitySettings(pace="quick"),
        JointSettings(),
        Muscle([0.0, 35.0, 0.0], SUPERIOR),
    )


def opening_of(s):
    """Return the opening at which the sphere, its centre on the circle, touches the ramp."""
    normal = np.array([-np.sin(TILT_RAD), -np.cos(TILT_RAD)])  # out of the ramp, in (y, z)
    top = np.array([LEVER_MM, 1.0 + RADIUS_MM])
    centre = np.array([LEVER_MM, 1.0])

    def gap(opening):
        c, q = np.cos(-opening), np.sin(-opening)
        turned = np.array([c * centre[0] - q * centre[1], q * centre[0] + c * centre[1]])
        return (turned + np.array([s, 0.0]) - top) @ normal - RADIUS_MM

    return brentq(gap, -0.05, 0.2, xtol=1e-14)


def test_the_path_is_the_closed_form_at_a_vanishing_load():
    field = opposition(ramp(), cap(np.array([0.0, LEVER_MM, 1.0])), field_is_upper=True)
    settings = ExcursionSettings(step_mm=0.1, length_mm=1.0)
    path = follow(
        "protrusion", sliding, [field], 1e-4, rigid(), ClosureSettings(), settings,
         start_rad=opening_of(0.0),
    )  # fmt: skip
    fine = np.linspace(0.0, 1.0, 41)
    expected = np.array([opening_of(s) for s in fine])
    assert_allclose(path.freedom_at(fine)[:, 0] * LEVER_MM, expected * LEVER_MM, rtol=0, atol=2e-3)
    assert_allclose(path.step_mm, np.linspace(0, 1, 11), rtol=0, atol=1e-12)
    assert np.diff(expected).min() > 0


def test_a_finer_step_gives_the_same_path():
    field = opposition(ramp(), cap(np.array([0.0, LEVER_MM, 1.0])), field_is_upper=True)
    fine = np.linspace(0.0, 0.6, 25)
    openings = [
        follow(
            "protrusion", sliding, [field], 10.0, rigid(), ClosureSettings(),
             ExcursionSettings(step_mm=step, length_mm=0.6),
            start_rad=hinge_start(field),
        ).freedom_at(fine)[:, 0]
        for step in (0.1, 0.025)
    ]  # fmt: skip
    assert_allclose(openings[0] * LEVER_MM, openings[1] * LEVER_MM, rtol=0, atol=5e-4)


def test_a_last_step_taken_unasked_changes_nothing(monkeypatch):
    field = opposition(ramp(), cap(np.array([0.0, LEVER_MM, 1.0])), field_is_upper=True)
    openings, residuals = [], []
    for trusted_mm in (excursion.TRUSTED_STEP_MM, 0.0):
        monkeypatch.setattr(excursion, "TRUSTED_STEP_MM", trusted_mm)
        path = follow(
            "protrusion", sliding, [field], 10.0, rigid(), ClosureSettings(),
             ExcursionSettings(step_mm=0.1, length_mm=0.6),
            start_rad=hinge_start(field),
        )  # fmt: skip
        openings.append(path.freedom_at(np.linspace(0.0, 0.6, 25))[:, 0])
        residuals.append(path.worst_residual_N)
    assert_allclose(openings[0] * LEVER_MM, openings[1] * LEVER_MM, rtol=0, atol=2e-5)
    assert max(residuals) < 0.05


def hinge_start(field):
    assert field.field_is_upper
    assert_allclose(hinge().point, 0.0, rtol=0, atol=0)
    return opening_of(0.0)


@pytest.mark.parametrize("bend", np.linspace(0.31, 0.69, 9))
def test_a_bend_between_two_steps_is_seen_by_leaving_one_of_them_out(bend):
    """The interpolation between two steps errs less than twice the larger left-out error."""
    knots = np.linspace(0.0, 1.0, 11)
    path = np.maximum(0.0, knots - bend)[:, None]
    seen = left_out_error(knots, path)
    fine = np.linspace(0.1, 0.9, 801)
    off = np.abs(PchipInterpolator(knots, path[:, 0])(fine) - np.maximum(0.0, fine - bend))
    for k in range(1, 9):
        between = (fine >= knots[k]) & (fine <= knots[k + 1])
        assert off[between].max() <= 2.0 * max(seen[k], seen[k + 1]) + 1e-12


def test_the_ends_of_a_path_are_never_trusted_unseen():
    error = left_out_error(np.linspace(0, 1, 5), np.zeros((5, 3)))
    assert np.isinf(error[[0, -1]]).all()
    assert_allclose(error[1:-1], 0.0, rtol=0, atol=0)


def test_a_path_may_end_where_there_is_nothing_to_rest_on():
    """The ramp reaches some way: beyond it the jaw meets nothing."""
    settings = ExcursionSettings(step_mm=0.25, length_mm=8.0)
    field = opposition(ramp(), cap(np.array([0.0, LEVER_MM, 1.0])), field_is_upper=True)
    arguments = ("protrusion", sliding, [field], 10.0, rigid())
    with pytest.raises(DegenerateProblem):
        follow(*arguments, ClosureSettings(), settings, start_rad=opening_of(0.0))
    path = follow(*arguments, ClosureSettings(), settings, start_rad=opening_of(0.0), may_end=True)
    assert path.ended_by
    assert 1.0 < path.step_mm[-1] < 8.0
    assert len(path.rest) == len(path.step_mm)
    short = ExcursionSettings(step_mm=0.25, length_mm=float(path.step_mm[-1]))
    whole = follow(*arguments, ClosureSettings(), short, start_rad=opening_of(0.0))
    assert whole.ended_by is None
    assert_allclose(path.step_mm, whole.step_mm, rtol=0, atol=1e-12)
    assert_allclose(
        path.freedom_at(path.step_mm), whole.freedom_at(path.step_mm), rtol=0, atol=2e-6
    )
