"""The least gap of two whole arches at new poses: time beside the error, and Open3D beside it.

Usage: python benchmarks/bench_poses.py [--poses N] [--proved N] [--voxel MM] [--quick]

Poses are the demo's bite moved at random, by up to `--turn` degrees about the arch's middle and
`--shift` mm. Every pose is new: nothing is kept from one to the next. The value is compared with
one asked at a thousandth of the tolerance, and at `--proved` poses with a brute search by another
library: faces are cut in four until the distance at the middle of a piece, less its radius, lies
above the least found, so nothing is lost. Open3D is asked for all vertices of both arches, the side
told by the nearest face; places nearest to a face of the trimmed edge are left out.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from benchmarks.measure import UM, header, timed
from benchmarks.peers import signed_from_face
from benchmarks.scenes import arch, demo_pose, toothed_sheet
from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings

TOLERANCE_MM = 1e-4
NEAR_MM = 2.0
CUTS = 14


def some_poses(n: int, turn_deg: float, shift_mm: float, T: RigidTransform,
               middle: np.ndarray) -> list[RigidTransform]:  # fmt: skip
    """Return poses near T, turned about a middle point in its own frame."""
    rng = np.random.default_rng(11)
    poses = []
    for _ in range(n):
        axis = rng.standard_normal(3)
        turn = RigidTransform.rotation_about(
            middle, axis / np.linalg.norm(axis), np.deg2rad(rng.uniform(-turn_deg, turn_deg))
        )
        shift = RigidTransform(np.eye(3), rng.uniform(-shift_mm, shift_mm, 3))
        poses.append(shift @ turn @ T)
    return poses


def brute_gap_mm(moving: TriangleMesh, field: TriangleMesh, T: RigidTransform) -> float:
    """Return the least of one surface's whole faces in the other's distance, by libigl."""
    import igl  # noqa: PLC0415

    corners = T.apply(moving.vertices)[moving.faces]
    low, high = field.vertices.min(axis=0) - NEAR_MM, field.vertices.max(axis=0) + NEAR_MM
    corners = corners[((corners > low) & (corners < high)).all(axis=(1, 2))]
    faces, is_rim = field.faces.astype(np.int64), rim_faces(field)
    best = np.inf
    for _ in range(CUTS):
        middle = corners.mean(axis=1)
        radius = np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1)
        value, nearest, _place, _normal = igl.signed_distance(
            middle, field.vertices, faces, igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
        )
        # At the trimmed edge the side is not known, and our gap counts nothing there.
        at_rim = is_rim[nearest]
        value[at_rim] = np.abs(value[at_rim])
        best = min(best, float(value.min()))
        corners = corners[value - radius < best - 0.1 * TOLERANCE_MM]
        if len(corners) == 0:
            break
        a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
        x, y, z = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
        parts = ((a, x, z), (x, b, y), (z, y, c), (x, y, z))
        corners = np.concatenate([np.stack(part, 1) for part in parts])
    return best


def rim_faces(mesh: TriangleMesh) -> np.ndarray:
    """Return which faces (F,) have a corner on an edge of one face only."""
    edge = np.sort(np.stack([mesh.faces, np.roll(mesh.faces, -1, axis=1)], -1), axis=-1)
    unique, count = np.unique(edge.reshape(-1, 2), axis=0, return_counts=True)
    is_rim = np.zeros(len(mesh.vertices), dtype=bool)
    is_rim[unique[count == 1]] = True
    return is_rim[mesh.faces].any(axis=1)


class PlainPair:
    """Two arches as Open3D scenes: the least gap of all vertices of each in the other."""

    def __init__(self, a: TriangleMesh, b: TriangleMesh) -> None:
        import open3d as o3d  # noqa: PLC0415

        self._parts = []
        for mesh in (a, b):
            scene = o3d.t.geometry.RaycastingScene()
            scene.add_triangles(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32))
            self._parts.append((scene, mesh.vertices, rim_faces(mesh)))

    def least_mm(self, T_a_b: RigidTransform) -> float:
        """Return the least gap, mm, at a pose."""
        a, b = self._parts
        gaps = []
        for field, moving, T in ((a, b, T_a_b), (b, a, T_a_b.inverse())):
            points = T.apply(moving[1]).astype(np.float32)
            hit = field[0].compute_closest_points(points)
            normal = hit["primitive_normals"].numpy()
            gap = signed_from_face(points, hit["points"].numpy(), normal)
            gaps.append(float(gap[~field[2][hit["primitive_ids"].numpy()]].min()))
        return min(gaps)


def print_ours(a: GapField, b: GapField, poses: list[RigidTransform]) -> tuple[float, list[float]]:
    """Print milliseconds and errors of the least gap; return the median seconds and the gaps."""
    for pose in poses[:3]:
        least_gap(a, b, pose, tolerance_mm=TOLERANCE_MM)
    runs = [timed_once(lambda p=p: least_gap(a, b, p, tolerance_mm=TOLERANCE_MM)) for p in poses]
    seconds = np.array([s for s, _ in runs])
    gaps = np.array([least.gap_mm for _, least in runs])
    bounds = np.array([least.bound_mm for _, least in runs])
    closer = np.array([least_gap(a, b, p, tolerance_mm=1e-3 * TOLERANCE_MM).gap_mm for p in poses])
    overlap = int((gaps < 0).sum())
    print(f"occlusim, least_gap: {1e3 * np.median(seconds):.2f} ms a pose (least "
          f"{1e3 * seconds.min():.2f}, most {1e3 * seconds.max():.2f}); {overlap} of {len(poses)} "
          f"poses overlap, gaps {UM * gaps.min():.1f} to {UM * gaps.max():.1f} um; largest "
          f"difference from a thousandth of the tolerance {UM * np.abs(gaps - closer).max():.4f} "
          f"um; proved to {UM * (gaps - bounds).max():.4f} um")  # fmt: skip
    return float(np.median(seconds)), gaps.tolist()


def timed_once(call):
    """Return the seconds of one call and its answer: a pose is new only once."""
    found = timed(call, 1, 0.0)
    return found.best_s, found.result


def print_proved(a: TriangleMesh, b: TriangleMesh, poses: list[RigidTransform],
                 gaps: list[float]) -> None:  # fmt: skip
    """Print the largest difference from the brute search."""
    try:
        brute = [min(brute_gap_mm(b, a, T), brute_gap_mm(a, b, T.inverse())) for T in poses]
    except ImportError:
        print("libigl: not installed, no brute search")
        return
    worst = UM * max(abs(x - y) for x, y in zip(gaps, brute, strict=False))
    print(f"brute search by libigl at {len(poses)} poses: largest difference {worst:.4f} um")


def print_plain(a: TriangleMesh, b: TriangleMesh, poses: list[RigidTransform],
                gaps: list[float], ours_s: float) -> None:  # fmt: skip
    """Print what Open3D takes for all vertices at the same poses."""
    try:
        plain = PlainPair(a, b)
    except (ImportError, OSError) as error:
        print(f"Open3D: not installed ({error})")
        return
    plain.least_mm(poses[0])
    runs = [timed_once(lambda p=p: plain.least_mm(p)) for p in poses]
    seconds = float(np.median([s for s, _ in runs]))
    over = UM * np.array([g - ours for (_, g), ours in zip(runs, gaps, strict=False)])
    print(f"Open3D, all {len(a.vertices) + len(b.vertices)} vertices, {len(poses)} poses: "
          f"{1e3 * seconds:.1f} ms a pose, {seconds / ours_s:.0f} x ours; above our gap by "
          f"{over.min():.3f} to {over.max():.3f} um (it looks at vertices only)")  # fmt: skip


def main() -> None:
    """Measure the poses."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--poses", type=int, default=50)
    parser.add_argument("--proved", type=int, default=5, help="poses searched by brute force")
    parser.add_argument("--plain", type=int, default=10, help="poses asked of Open3D")
    parser.add_argument("--turn", type=float, default=0.1, help="degrees at most")
    parser.add_argument("--shift", type=float, default=0.05, help="mm at most, on each axis")
    parser.add_argument("--voxel", type=float, default=0.1, help="mm")
    parser.add_argument("--quick", action="store_true", help="two coarse sheets, few poses")
    given = parser.parse_args()
    if given.quick:
        given.poses, given.proved, given.plain, given.voxel = 4, 1, 2, 0.25
        a = toothed_sheet(5000)
        b = TriangleMesh(a.vertices * [1.0, 1.0, -1.0], a.faces[:, ::-1].copy())
        T = RigidTransform(np.eye(3), np.array([0.0, 0.0, 2 * a.vertices[:, 2].max() - 0.02]))
    else:
        a, b, T = arch("upper_a").mesh, arch("lower_a").mesh, demo_pose()
    header("The least gap of two whole surfaces at new poses", ["open3d-cpu", "libigl"])
    middle = 0.5 * (a.vertices.min(axis=0) + a.vertices.max(axis=0))
    poses = some_poses(given.poses, given.turn, given.shift, T, middle)
    fields = [GapField.build(mesh, SdfSettings(voxel_mm=given.voxel)) for mesh in (a, b)]
    print(f"{len(a.faces)} and {len(b.faces)} faces, tolerance {UM * TOLERANCE_MM:g} um, both ways")
    seconds, gaps = print_ours(fields[0], fields[1], poses)
    print_proved(a, b, poses[: given.proved], gaps)
    print_plain(a, b, poses[: given.plain], gaps, seconds)


if __name__ == "__main__":
    main()
