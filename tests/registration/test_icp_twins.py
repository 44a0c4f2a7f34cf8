"""The fine step beside two libraries' point-to-plane registration of the same pair.

They measure every vertex to the plane of the arch's nearest vertex, all with one weight. So the
vertices of the bite scan are vertices of the arch. Without noise the whole fine step must then find
the pose that they find; a bite scan's pose follows from the upper arch alone where it is the only
record, for the lower jaw goes along. With noise far smaller than the vertices' spacing the nearest
vertex is still known, and our matches and steps, each of weight one, must end where Open3D's do,
away from the truth. small_gicp 1.0 squares the residual's components times the normal's one by one
in place of their sum (its factor, asked for one point, says so): no distance from a plane, but with
the same answer where nothing is left.
"""

from functools import cache

import numpy as np
import pytest
from registration.arch_phantom import LOWER, TRUE_BITES, UPPER, join, noisy, patch
from scipy.spatial import KDTree

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import register_bite
from occlusim.registration.correspondence import CurvedSurface
from occlusim.registration.point_to_plane import assemble, jacobian_rows, move_about

MATCH_MM = 0.2
TOLERANCE_UM = 1.0
TRUE = TRUE_BITES[0]
START = RigidTransform.exp([0.0004, -0.0003, 0.0005, 0.01, -0.012, 0.008]) @ TRUE


@cache
def _arch(row_is_upper: bool) -> TriangleMesh:
    row = UPPER if row_is_upper else LOWER
    return patch(row, (12.0, 25.0), (0.2, 1.75), 0.15, np.random.default_rng(7))


def _seen(mesh: TriangleMesh) -> TriangleMesh:
    """Return what a bite scan sees of an arch: faces away from its rim, vertices to the bit."""
    rim = mesh.vertices[Surface.build(mesh).is_boundary_vertex]
    away = KDTree(rim).query(mesh.vertices)[0] > 0.5
    return mesh.submesh(np.flatnonzero(away[mesh.faces].all(axis=1)).astype(np.int32))[0]


@cache
def _bite_vertices(sigma_mm: float) -> np.ndarray:
    """Return the bite scan's vertices on the upper arch, in the bite scan's frame."""
    seen = _seen(_arch(True))
    if sigma_mm > 0:
        seen = noisy(seen, sigma_mm, 0.3, np.random.default_rng(8))
    return TRUE.inverse().apply(seen.vertices)


@cache
def _whole_fine_step() -> RigidTransform:
    bite = join(_seen(_arch(True)), _seen(_arch(False))).transformed(TRUE.inverse())
    found = register_bite(
        Surface.build(_arch(True)), Surface.build(_arch(False)), [Surface.build(bite)],
        T_upper_lower=RigidTransform.identity(), T_upper_bites=[START],
    )  # fmt: skip
    assert found.converged
    return found.bites[0].T_upper_bite


def _noisy_steps() -> RigidTransform:
    """Return the noisy vertices' pose by our matches and steps, every vertex of weight one."""
    arch = CurvedSurface(Surface.build(_arch(True)))
    vertices, pose = _bite_vertices(0.015), START
    one, none = np.ones(len(vertices)), np.zeros(len(vertices), dtype=bool)
    for _ in range(20):
        points = pose.apply(vertices)
        found = arch.match(points, MATCH_MM)
        assert found.is_usable.all()
        rows = jacobian_rows(points, found.normals, points.mean(axis=0))
        equations = assemble(rows, found.residual_mm, one, none, (0, 1))
        twist = -np.linalg.solve(equations.matrix[6:, 6:], equations.gradient[6:])
        pose = move_about(twist, points.mean(axis=0), pose)
    assert np.abs(twist).max() < 1e-9
    return pose


def _apart_um(a: RigidTransform, b: RigidTransform) -> float:
    """Return the largest displacement between two poses over the bite scan."""
    points = _bite_vertices(0.0)
    return 1000.0 * float(np.linalg.norm(a.apply(points) - b.apply(points), axis=1).max())


def _open3d(sigma_mm: float) -> RigidTransform:
    import open3d as o3d

    def cloud(points: np.ndarray) -> object:
        return o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points.copy()))

    arch = cloud(_arch(True).vertices)
    normals = CurvedSurface(Surface.build(_arch(True))).normals
    arch.normals = o3d.utility.Vector3dVector(normals)
    reg = o3d.pipelines.registration
    found = reg.registration_icp(
        cloud(_bite_vertices(sigma_mm)), arch, MATCH_MM, START.matrix,
        reg.TransformationEstimationPointToPlane(), reg.ICPConvergenceCriteria(1e-14, 1e-14, 200),
    )  # fmt: skip
    return RigidTransform.from_matrix(np.array(found.transformation))


def _small_gicp() -> RigidTransform:
    import small_gicp

    clouds = [small_gicp.PointCloud(v) for v in (_arch(True).vertices, _bite_vertices(0.0))]
    for each in clouds:
        small_gicp.estimate_normals(each, num_neighbors=10)
    found = small_gicp.align(
        *clouds, small_gicp.KdTree(clouds[0]), START.matrix, registration_type="PLANE_ICP",
        max_correspondence_distance=MATCH_MM, max_iterations=200,
        rotation_epsilon=1e-10, translation_epsilon=1e-9,
    )  # fmt: skip
    assert found.converged
    return RigidTransform.from_matrix(np.array(found.T_target_source))


@pytest.mark.slow
@pytest.mark.needs_open3d
def test_the_fine_step_agrees_with_open3d():
    ours = _whole_fine_step()  # first: Open3D, imported before, disturbs numba's threads
    assert _apart_um(START, TRUE) > 10 * TOLERANCE_UM
    assert _apart_um(ours, _open3d(0.0)) < TOLERANCE_UM


@pytest.mark.slow
@pytest.mark.needs_open3d
def test_noisy_steps_agree_with_open3d():
    ours = _noisy_steps()
    assert _apart_um(ours, TRUE) > 3 * TOLERANCE_UM
    assert _apart_um(ours, _open3d(0.015)) < TOLERANCE_UM


@pytest.mark.slow
@pytest.mark.needs_small_gicp
def test_the_fine_step_agrees_with_small_gicp():
    assert _apart_um(_whole_fine_step(), _small_gicp()) < TOLERANCE_UM
