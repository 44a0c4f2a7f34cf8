import numpy as np
import pytest
from jaw.arch_shapes import make_arch, mirrored
from numpy.testing import assert_allclose

from occlusim.errors import DegenerateProblem, InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.orientation import ArchOrientation, orient_arches

UPPER, LOWER = make_arch(upper=True).mesh, make_arch(upper=False).mesh
TOGETHER = RigidTransform(np.eye(3), [0.0, 0.0, -0.3])


def angle_deg(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.rad2deg(np.arccos(np.clip(a @ b, -1.0, 1.0))))


@pytest.mark.slow
def test_patient_axes_are_found_in_any_frame(rng: np.random.Generator) -> None:
    straight = orient_arches(UPPER, LOWER, TOGETHER)
    assert angle_deg(straight.superior, np.array([0, 0, 1.0])) < 4.0
    assert angle_deg(straight.anterior, np.array([0, 1.0, 0])) < 4.0
    for _ in range(4):
        up, low = (RigidTransform.exp(rng.normal(size=6) * [2, 2, 2, 80, 80, 80]) for _ in "ab")
        found = orient_arches(
            UPPER.transformed(up), LOWER.transformed(low), up @ TOGETHER @ low.inverse()
        )
        wanted = straight.transformed(up)
        assert_allclose(found.axes, wanted.axes, rtol=0, atol=1e-7)
        assert_allclose(found.origin, wanted.origin, rtol=0, atol=1e-7)


def test_mirroring_exchanges_right_and_left() -> None:
    a = orient_arches(UPPER, LOWER, TOGETHER)
    b = orient_arches(mirrored(UPPER), mirrored(LOWER), TOGETHER)
    m = np.array([-1.0, 1.0, 1.0])
    assert_allclose(b.anterior, m * a.anterior, rtol=0, atol=1e-9)
    assert_allclose(b.superior, m * a.superior, rtol=0, atol=1e-9)
    assert_allclose(b.right, -m * a.right, rtol=0, atol=1e-9)


def test_a_lost_molar_does_not_turn_the_axes_far() -> None:
    gap = make_arch(upper=False, missing=(46, 47)).mesh
    found = orient_arches(UPPER, gap, TOGETHER)
    assert angle_deg(found.superior, np.array([0, 0, 1.0])) < 6.0
    assert angle_deg(found.anterior, np.array([0, 1.0, 0])) < 12.0


def test_exchanged_files_are_refused() -> None:
    with pytest.raises(InputError, match="exchanged"):
        orient_arches(LOWER, UPPER, TOGETHER.inverse())


def test_exchanged_crown_rows_without_gums_are_refused() -> None:
    # Closed bodies have no net area vector, so only overjet and buccal overlap can tell.
    upper, lower = closed(UPPER, 4.0), closed(LOWER, -4.0)
    orient_arches(upper, lower, TOGETHER)
    with pytest.raises(InputError, match="lies inside the lower by"):
        orient_arches(lower, upper, TOGETHER.inverse())
    assert orient_arches(lower, upper, TOGETHER.inverse(), check_swap=False).superior[2] < -0.9


def closed(mesh: TriangleMesh, cut: float) -> TriangleMesh:
    """Return the crowns beyond a level as a body: the surface and its copy turned over behind."""
    v = mesh.vertices
    keep = (v[:, 2] * np.sign(cut) < abs(cut))[mesh.faces].all(axis=1)
    front, used = mesh.submesh(np.flatnonzero(keep).astype(np.int32))
    back = v[used] * [1, 1, 0] + [0, 0, cut]
    n = len(used)
    faces = np.vstack([front.faces, front.faces[:, ::-1] + n])
    return TriangleMesh(np.vstack([front.vertices, back]), faces)


def test_faces_inside_out_are_refused() -> None:
    turned = TriangleMesh(LOWER.vertices, LOWER.faces[:, ::-1])
    with pytest.raises(InputError, match="inside out"):
        orient_arches(UPPER, turned, TOGETHER)


def test_one_side_alone_is_refused() -> None:
    def right_side(mesh: TriangleMesh) -> TriangleMesh:
        keep = (mesh.vertices[mesh.faces][:, :, 0] > 14.0).all(axis=1)
        return mesh.submesh(np.flatnonzero(keep).astype(np.int32))[0]

    with pytest.raises(DegenerateProblem, match=r"one side|horseshoe"):
        orient_arches(right_side(UPPER), right_side(LOWER), TOGETHER)


def test_arches_far_apart_or_in_one_place_are_refused() -> None:
    far = RigidTransform(np.eye(3), [0.0, 0.0, -40.0])
    with pytest.raises(DegenerateProblem, match="too far"):
        orient_arches(UPPER, LOWER, far)
    with pytest.raises(DegenerateProblem, match="within one another"):
        orient_arches(UPPER, UPPER)


def test_axes_must_be_right_handed() -> None:
    with pytest.raises(InputError, match="right-handed"):
        ArchOrientation(np.array([-1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]))


def test_a_natural_reverse_bite_is_told_from_exchanged_files() -> None:
    # The upper row lies inside the lower all around, but its incisors have upper widths.
    upper, lower = make_arch(upper=True, scale=0.9).mesh, make_arch(upper=False, scale=1.07).mesh
    forward = RigidTransform(np.eye(3), [0.0, 1.0, -0.3])
    found = orient_arches(upper, lower, forward)
    assert angle_deg(found.superior, np.array([0, 0, 1.0])) < 6.0
    with pytest.raises(InputError, match="lies inside the lower by"):
        orient_arches(make_arch(upper=False).mesh.transformed(FLIP), flipped_upper(), FLIP_BITE)


FLIP = RigidTransform.rotation_about([0, 0, 0], [0, 1, 0], np.pi)
FLIP_BITE = RigidTransform(np.eye(3), [0.0, 0.0, -0.3])


def flipped_upper() -> TriangleMesh:
    return make_arch(upper=True).mesh.transformed(FLIP)
