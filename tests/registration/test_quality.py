"""Refusals: a record that cannot fix the pose never gives a confident one."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from registration.arch_phantom import MOLARS, Phantom, build_phantom, join, noisy
from scipy.spatial import Delaunay

from occlusim.errors import InputError, RegistrationRefused
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import BiteRegistration, RegistrationSettings, register_bite
from occlusim.registration.quality import QualityVerdict, judge_bite, require_accepted
from occlusim.registration.shared_frame import SharedFrameSettings, shared_frame_registration

IDENTITY = RigidTransform.identity()


def _said(verdict: QualityVerdict) -> list[str]:
    return [reason.message for reason in verdict.reasons]


def _judge(p: Phantom) -> tuple[QualityVerdict, BiteRegistration]:
    result = register_bite(
        Surface.build(p.upper), Surface.build(p.lower), [Surface.build(b) for b in p.bites],
        T_upper_lower=IDENTITY, settings=RegistrationSettings(max_rounds=15),
    )  # fmt: skip
    return judge_bite(result, MOLARS, T_jaw_upper=IDENTITY), result


@pytest.fixture(scope="module")
def phantom() -> Phantom:
    return build_phantom(0.5, 5, sigma_mm=0.015)


def test_a_good_record_is_accepted(phantom):
    verdict, _ = _judge(phantom)
    assert verdict.state == "accepted", verdict.reasons
    assert verdict.reasons == ()
    assert verdict.accepted
    assert (verdict.sigma_um > 1).all()
    assert (verdict.sigma_um < 25).all()
    require_accepted(verdict)


def _hills(seed: int) -> TriangleMesh:
    """Return a sheet of smooth hills: no tooth of anybody."""
    sheet = _plane(10, 0.0, 1, 0.0, seed)
    x, y = sheet.vertices[:, 0], sheet.vertices[:, 1]
    height = 1.5 * np.sin(0.9 * x + seed) * np.cos(0.7 * y) + 0.8 * np.sin(0.5 * x - 1.1 * y)
    return sheet.with_vertices(np.column_stack([x, y, height]))


def test_a_scan_of_something_else_is_refused(phantom):
    verdict, _ = _judge(Phantom(phantom.upper, phantom.lower, (_hills(1), _hills(2)), IDENTITY, ()))
    assert verdict.state == "refused"
    with pytest.raises(RegistrationRefused, match="bite scan 1"):
        require_accepted(verdict)


def test_a_scan_of_almost_nothing_is_refused_and_named(phantom):
    speck = TriangleMesh(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]]))
    verdict, result = _judge(Phantom(phantom.upper, phantom.lower, (speck,), IDENTITY, ()))
    assert verdict.state == "refused"
    assert "bite scan 1 and the upper arch show no common surface" in _said(verdict)
    assert np.isnan(result.covariance).all()
    assert np.isnan(verdict.sigma_um).all()


def test_a_record_without_the_lower_teeth_is_refused(phantom):
    bites = []
    for bite, T in zip(phantom.bites, phantom.T_upper_bites, strict=True):
        height = T.apply(bite.vertices[bite.faces].mean(axis=1))[:, 2]
        bites.append(bite.submesh(np.flatnonzero(height > 1.0).astype(np.int32))[0])
    verdict, _ = _judge(Phantom(phantom.upper, phantom.lower, tuple(bites), IDENTITY, ()))
    assert verdict.state == "refused"
    assert any("lower arch" in text for text in _said(verdict))


@pytest.mark.parametrize("axis", [0, 1])
def test_a_mirrored_scan_is_never_trusted(phantom, axis):
    flip = np.ones(3)
    flip[axis] = -1
    bites = []
    for b in phantom.bites:
        middle = b.vertices.mean(axis=0) * (axis == 1)
        bites.append(TriangleMesh((b.vertices - middle) * flip + middle, b.faces[:, ::-1]))
    verdict, result = _judge(Phantom(phantom.upper, phantom.lower, tuple(bites), IDENTITY, ()))
    # The phantom's sides are each other's mirror image but for the phase of their waves: from side
    # to side the scans fit to 60 um, and the pose is said to be known to 80 um.
    assert verdict.state == ("doubtful", "refused")[axis]
    assert min(bite.rms_um for bite in result.bites) > 50.0
    assert np.linalg.norm(verdict.sigma_um, axis=1).max() > 50.0


def test_a_tiny_patch_is_refused(phantom):
    tiny = build_phantom(0.4, 6, sides=((16.0, 17.0),), buccal=(0.8, 1.2), sigma_mm=0.015)
    verdict, _ = _judge(
        Phantom(phantom.upper, phantom.lower, tiny.bites, IDENTITY, ())
    )  # fmt: skip
    assert verdict.state == "refused"
    assert "mm² of the upper arch" in _said(verdict)[0]


def test_one_tooth_is_never_accepted_with_noise(phantom):
    one = build_phantom(0.4, 7, sides=((16.0, 20.0),), sigma_mm=0.015)
    verdict, _ = _judge(Phantom(phantom.upper, phantom.lower, one.bites, IDENTITY, ()))
    assert verdict.state == "refused"
    assert "uncertain by" in _said(verdict)[0]


def test_one_side_is_less_sure_on_the_far_side_than_two(phantom):
    one = Phantom(phantom.upper, phantom.lower, phantom.bites[:1], IDENTITY, ())
    single, result = _judge(one)
    both, _ = _judge(phantom)
    far = np.linalg.norm(single.sigma_um[1])
    assert far > 3 * np.linalg.norm(both.sigma_um[1])
    assert far > np.linalg.norm(single.sigma_um[0])
    assert np.isnan(result.side_disagreement_um(MOLARS)).all()


def _plane(half_mm: float, height_mm: float, up: float, sigma_mm: float, seed: int) -> TriangleMesh:
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(*[np.arange(-half_mm, half_mm, 0.25)] * 2)
    flat = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-0.06, 0.06, (x.size, 2))
    faces = Delaunay(flat).simplices.astype(np.int32)
    a, b, c = (flat[faces[:, k]] for k in range(3))
    turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    faces[turn * up < 0] = faces[turn * up < 0][:, ::-1]
    mesh = TriangleMesh(np.column_stack([flat, np.full(len(flat), height_mm)]), faces)
    return noisy(mesh, sigma_mm, 0.3, rng) if sigma_mm else mesh


@pytest.mark.parametrize("sigma_mm", [0.0, 0.015])
def test_a_flat_record_is_refused_by_the_name_of_the_weak_direction(sigma_mm):
    upper, lower = _plane(12, 0.0, -1, sigma_mm, 1), _plane(12, -1.0, 1, sigma_mm, 2)
    bite = join(_plane(7, 0.0, -1, sigma_mm, 3), _plane(7, -1.0, 1, sigma_mm, 4))
    verdict, _ = _judge(Phantom(upper, lower, (bite,), IDENTITY, (IDENTITY,)))
    assert verdict.state == "refused"
    assert "too flat or too small to fix the lower arch: " in _said(verdict)[0]
    assert "sliding" in verdict.weakest_direction or "vertical" in verdict.weakest_direction


def test_a_side_that_was_not_closed_is_found():
    # the left bite scan was taken with the jaw 0.5 mm open at the left molar, tilted about the
    # right one
    tilt = RigidTransform.rotation_about(MOLARS[0], [0.0, 1.0, 0.0], -0.5 / 48.0)
    assert_allclose(tilt.apply(MOLARS[1])[2], -0.5, rtol=0, atol=0.01)
    verdict, result = _judge(build_phantom(0.4, 8, sigma_mm=0.015, opened=(IDENTITY, tilt)))
    assert verdict.state == "refused"
    assert [r.code for r in verdict.reasons] == ["sides_disagree"]
    allowed = 3 * result.side_disagreement_sigma_um(MOLARS)[1]
    assert_allclose(result.side_disagreement_um(MOLARS)[1], 500.0, rtol=0, atol=allowed)


def test_a_given_frame_takes_its_uncertainty_from_settings():
    centre = np.array([0.0, -20.0, 5.0])
    given = shared_frame_registration(IDENTITY, centre, SharedFrameSettings(69.0, 25.0))
    verdict = judge_bite(given, centre + 25.0 * np.eye(3))
    assert verdict.state == "accepted"
    # at the arm the root mean square displacement is the setting, in every direction
    assert_allclose(np.linalg.norm(verdict.sigma_um, axis=1), 69.0, rtol=1e-9, atol=0)
    with pytest.raises(InputError, match="centre"):
        shared_frame_registration(IDENTITY, [0.0, 1.0])
    with pytest.raises(InputError, match="must be positive"):
        SharedFrameSettings(displacement_sigma_um=-1.0)
