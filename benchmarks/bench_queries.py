"""Interpolated queries of the band beside what the machine allows, measured in the same run.

Usage: python benchmarks/bench_queries.py [--points N] [--voxel MM] [--within MM] [--quick]

The bound is a bare loop that reads the same eight numbers of the same blocks, their places worked
out before, and adds them up; the memory's own speed, copying, stands above it. Points are asked in
Morton order and in random order. The lower arch's vertices are asked in the order of the file, at
the demo's bite. Errors are of interpolated against exact distances near the surface.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numba
import numpy as np

from benchmarks.layout import blocks_mb, cell_starts, numbers
from benchmarks.measure import Timed, errors, header, timed
from benchmarks.scenes import arch, demo_pose, morton_order, points_near, toothed_sheet
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.sdf import SdfSettings, SparseSdf, build_sdf

COPY_MB = 256
NEAR_MM = 0.3


@numba.njit(parallel=True, error_model="numpy")
def gather(values, start, out):
    """Write the sums (n,) of eight numbers each: the corners of the cells that begin at `start`."""
    for i in numba.prange(len(start)):
        o = start[i]
        if o < 0:
            out[i] = np.nan
            continue
        out[i] = (
            values[o] + values[o + 1] + values[o + 9] + values[o + 10]
            + values[o + 81] + values[o + 82] + values[o + 90] + values[o + 91]
        )  # fmt: skip


@numba.njit(parallel=True)
def copy(source, out):
    """Copy numbers (n,) on all threads."""
    for i in numba.prange(len(source)):
        out[i] = source[i]


def copy_gb_per_s() -> float:
    """Return the memory's speed, GB read and written a second, on all threads."""
    source = np.ones(COPY_MB * 125_000)
    out = np.empty_like(source)
    return 2 * source.nbytes / timed(lambda: copy(source, out)).best_s / 1e9


def queries(sdf: SparseSdf, points: np.ndarray, repeats: int) -> tuple[Timed, Timed]:
    """Return the times of interpolating at points and of the bare gather of the same numbers."""
    out = np.empty(len(points))
    start, flat = cell_starts(sdf, points), numbers(sdf)
    here = RigidTransform.identity()
    bare = timed(lambda: gather(flat, start, out), repeats)
    return timed(lambda: sdf.sample_into(out, points, here), repeats), bare


def print_orders(sdf: SparseSdf, points: np.ndarray, repeats: int) -> None:
    """Print rates and shares of the bound, for both orders."""
    print("\n                threads  million/s  median  bare gather million/s  share of it %"
          "  GB/s of points and answers")  # fmt: skip
    most = thread_count()
    for order, at in (("Morton", morton_order(points)), ("random", np.arange(len(points)))):
        asked = np.ascontiguousarray(points[at])
        for n in range(1, most + 1) if most <= 2 else (1, 2, most):
            set_threads(n)
            ours, bare = queries(sdf, asked, repeats)
            rate = len(asked) / 1e6
            print(f"  {order} order {n:7d} {rate / ours.best_s:10.1f} {rate / ours.median_s:7.1f} "
                  f"{rate / bare.best_s:22.1f} {100 * bare.best_s / ours.best_s:14.1f} "
                  f"{32e-9 * len(asked) / ours.best_s:12.2f}", flush=True)  # fmt: skip
        set_threads(most)


def print_opposing(sdf: SparseSdf, vertices: np.ndarray, T: RigidTransform, repeats: int) -> None:
    """Print the milliseconds of the opposing arch's vertices in mesh order, float64 and float32."""
    out = np.empty(len(vertices))
    most = thread_count()
    for kind in (np.float64, np.float32):
        points = np.ascontiguousarray(vertices, dtype=kind)
        for n in sorted({1, most}):
            set_threads(n)
            t = timed(lambda p=points: sdf.sample_into(out, p, T), 20 * repeats)
            known = np.isfinite(out).sum()
            print(f"  {len(points)} opposing vertices, {np.dtype(kind).name}, {n} threads: "
                  f"{1e3 * t.best_s:.3f} ms (median {1e3 * t.median_s:.3f}), "
                  f"{1e8 * t.best_s / len(points):.3f} ms per 100 thousand, {known} in the band",
                  flush=True)  # fmt: skip
    set_threads(most)


def print_errors(sdf: SparseSdf, surface: Surface, rng: np.random.Generator, n: int) -> None:
    """Print the errors of interpolation near the surface."""
    points = points_near(surface.mesh, n, NEAR_MM, rng)
    exact = surface.closest(points).distance_mm
    near = np.abs(exact) <= NEAR_MM
    e = errors(sdf.sample(points[near]), exact[near])
    print(f"\ninterpolated against exact distances, {near.sum()} points within {NEAR_MM} mm: "
          f"largest {e.largest_um:.2f} um, 99.9 % {e.most_um:.2f} um, median {e.median_um:.3f} um, "
          f"wrong signs {e.wrong_percent:.3f} %, unknown {e.unknown_percent:.3f} %")  # fmt: skip


def main() -> None:
    """Measure the queries of one field."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--points", type=int, default=2_000_000)
    parser.add_argument("--voxel", type=float, default=0.1, help="mm")
    parser.add_argument("--within", type=float, default=0.8, help="mm off the surface")
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--quick", action="store_true", help="a coarse sheet, few points")
    given = parser.parse_args()
    if given.quick:
        given.points, given.voxel, given.repeats = 20_000, 0.25, 2
        mesh = toothed_sheet(5000)
        opposing, T = mesh.vertices[::2].copy(), RigidTransform.exp([0, 0, 0, 0, 0, 0.2])
    else:
        mesh = arch("upper_a").mesh
        opposing, T = arch("lower_a").mesh.vertices, demo_pose()
    header("Interpolated queries")
    surface = Surface.build(mesh)
    sdf = build_sdf(surface, SdfSettings(voxel_mm=given.voxel))
    print(f"{len(mesh.faces)} faces, voxel {sdf.voxel_mm:g} mm, {blocks_mb(sdf):.1f} MB "
          f"of {numbers(sdf).dtype} blocks; copying {copy_gb_per_s():.1f} GB/s")  # fmt: skip
    rng = np.random.default_rng(3)
    print_orders(sdf, points_near(mesh, given.points, given.within, rng), given.repeats)
    print()
    print_opposing(sdf, opposing, T, given.repeats)
    print_errors(sdf, surface, rng, min(given.points, 500_000))


if __name__ == "__main__":
    main()
