import numpy as np
import pytest
from jaw.arch_shapes import make_arch, mirrored
from numpy.testing import assert_allclose

from occlusim.errors import DegenerateProblem, InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.landmarks import Landmarks, find_landmarks
from occlusim.jaw.orientation import ArchOrientation

AXES = ArchOrientation(
    np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]), np.array([0, 18.0, 0])
)


def test_landmarks_lie_on_the_cusps(rng: np.random.Generator) -> None:
    arch = make_arch(upper=False, rng=rng)
    found = find_landmarks(arch.mesh, AXES)
    assert found.method == "found"
    assert found.confidence > 0.6
    for point, tooth in ((found.right_molar, 47), (found.left_molar, 37)):
        assert_allclose(point[:2], arch.cusp(tooth, 0.25, 0.28), rtol=0, atol=0.6)
        assert_allclose(point[2], 0.0, rtol=0, atol=0.5)
    middle = 0.5 * (arch.centres[41] + arch.centres[31])
    assert_allclose(found.incisal[:2], middle[:2], rtol=0, atol=0.8)
    assert_allclose(found.incisal[2], 0.0, rtol=0, atol=0.6)


def test_a_tilted_start_moves_the_landmarks_little() -> None:
    mesh = make_arch(upper=False).mesh
    straight = find_landmarks(mesh, AXES)
    tilt = RigidTransform.rotation_about([0, 18, 0], [1, 0.5, 0], np.deg2rad(5.0))
    tilted = find_landmarks(mesh, AXES.transformed(tilt))
    for name in ("incisal", "right_molar", "left_molar"):
        assert_allclose(getattr(tilted, name), getattr(straight, name), rtol=0, atol=0.7)


@pytest.mark.slow
def test_landmarks_move_with_the_scan_and_mirror(rng: np.random.Generator) -> None:
    mesh = make_arch(upper=False, missing=(36,)).mesh
    found = find_landmarks(mesh, AXES, missing=(36,))
    shift = RigidTransform.exp(rng.normal(size=6) * [2, 2, 2, 60, 60, 60])
    moved = find_landmarks(mesh.transformed(shift), AXES.transformed(shift), missing=(36,))
    wanted = found.transformed(shift)
    for name in ("incisal", "right_molar", "left_molar"):
        assert_allclose(getattr(moved, name), getattr(wanted, name), rtol=0, atol=1e-6)
    mirror = find_landmarks(mirrored(mesh), AXES, missing=(46,))
    flip = np.array([-1.0, 1.0, 1.0])
    assert_allclose(mirror.right_molar, flip * found.left_molar, rtol=0, atol=0.3)
    assert_allclose(mirror.left_molar, flip * found.right_molar, rtol=0, atol=0.3)


def test_a_crowns_place_is_not_a_landmark() -> None:
    arch = make_arch(upper=False)
    found = find_landmarks(arch.mesh, AXES, known={47: arch.centres[47]})
    assert_allclose(found.right_molar[:2], arch.cusp(46, 0.25, 0.28), rtol=0, atol=0.6)


def test_a_short_row_is_refused() -> None:
    lost = (34, 35, 36, 37)
    mesh = make_arch(upper=False, missing=lost).mesh
    with pytest.raises(DegenerateProblem, match="left side of the lower arch ends"):
        find_landmarks(mesh, AXES, missing=lost)


def test_points_must_be_points() -> None:
    with pytest.raises(InputError, match="incisal"):
        Landmarks([0.0, np.nan, 0.0], [1.0, 0, 0], [0.0, 0, 0])
