"""Signed distances on an open arch: ours beside general libraries, same points, one run.

Usage: python benchmarks/bench_distance.py [N_POINTS]

Points lie within 1 mm of the arch, in random order. The error is against libigl's float64 distance
with pseudonormals (its default sign mode spoils distances on open surfaces). Points whose nearest
feature is the trimmed border are left out: their side is not known.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import igl
import numpy as np
import open3d as o3d

from occlusim.demo import demo_folder
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.surface import Surface
from occlusim.sdf import build_sdf


def timed(call, *arguments):
    """Return the best of three times and the result; the first call is not counted."""
    call(*arguments)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        result = call(*arguments)
        times.append(time.perf_counter() - start)
    return min(times), result


def main() -> None:
    """Print a row a method."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    mesh = read_mesh(demo_folder() / "upper_a.ply").mesh
    surface = Surface.build(mesh)
    rng = np.random.default_rng(7)
    base = surface.mesh.vertices[rng.integers(0, len(mesh.vertices), n)]
    points = base + rng.uniform(-0.5, 0.5, (n, 3))
    found = surface.closest(points)
    points = points[~found.is_boundary]
    few = points[: min(len(points), 50_000)]
    igl_seconds, reference = timed(
        lambda p: igl.signed_distance(
            p, mesh.vertices, mesh.faces, sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
        )[0],
        few,
    )
    rows = [("libigl, pseudonormal", igl_seconds, len(few), reference)]
    seconds, ours = timed(lambda p: surface.closest(p).distance_mm, points)
    rows.append(("occlusim, exact", seconds, len(points), ours[: len(few)]))
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32))
    as_tensor = points.astype(np.float32)
    seconds, theirs = timed(lambda p: scene.compute_distance(p).numpy(), as_tensor)
    rows.append(("Open3D, unsigned", seconds, len(points), theirs[: len(few)]))
    seconds, sdf = timed(build_sdf, surface)
    print(f"band: {seconds:.2f} s, {sdf.n_blocks} blocks, {sdf.memory_bytes / 1e6:.0f} MB")
    seconds, band = timed(sdf.sample, points)
    rows.append(("occlusim, band", seconds, len(points), band[: len(few)]))
    for name, seconds, count, values in rows:
        truth = np.abs(reference) if "unsigned" in name else reference
        error = np.abs(values - truth)
        wrong = np.mean(np.sign(values) != np.sign(truth)) if "unsigned" not in name else np.nan
        print(
            f"{name:22s} {count / seconds / 1e3:9.0f} thousand/s  "
            f"{rows[0][1] / rows[0][2] * count / seconds:6.1f} x libigl  largest error "
            f"{1e3 * np.nanmax(error):9.5f} um  wrong signs {100 * wrong:.3f} %  "
            f"unknown {np.isnan(values).mean() * 100:.1f} %"
        )


if __name__ == "__main__":
    main()
