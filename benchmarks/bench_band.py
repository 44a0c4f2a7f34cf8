"""Filling the band: ours beside general libraries on the very same nodes, and how it grows.

Usage: python benchmarks/bench_band.py [--arch upper_a] [--voxel MM] [--band MM] [--part NAME ...]
       [--fillers NAME ...] [--quick]

Parts: `peers` (Open3D in both modes and libigl fill the known nodes of our field, in the order of
its blocks), `errors` (every node against the exact tree and, where libigl is installed, against its
float64 distance), `threads`, `triangles` (10 thousand to 2 million on one area), `area`, `voxels`.
Growth is linear where time leaves a line a + b x, fitted in shares, by little: that is printed.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from benchmarks.layout import blocks_mb, index_mb, known_nodes, n_known
from benchmarks.measure import errors, header, peak_mb, straight_line, timed
from benchmarks.peers import PEERS, ask, values_of, write_scene
from benchmarks.scenes import arch, toothed_sheet
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.sdf import SdfSettings, SparseSdf, build_sdf

PARTS = ("peers", "errors", "threads", "triangles", "area", "voxels")
FILLERS = ("open3d-closest", "open3d-signed", "open3d-unsigned", "igl")
TRIANGLES = (10_000, 30_000, 100_000, 300_000, 1_000_000, 2_000_000)
LENGTHS = (1.0, 2.0, 4.0, 8.0)
VOXELS_MM = (0.2, 0.1, 0.05)


def build_mb(mesh: TriangleMesh, settings: SdfSettings) -> float:
    """Return the peak memory, MB, of filling the band in a fresh process, the surface not counted.

    Negative where the process failed.
    """
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "mesh.npz"
        np.savez(path, vertices=mesh.vertices, faces=mesh.faces)
        command = [sys.executable, __file__, "--memory-of", str(path),
                   str(settings.voxel_mm), str(settings.band_mm)]  # fmt: skip
        run = subprocess.run(command, capture_output=True, text=True, check=False)
    return json.loads(run.stdout.strip().splitlines()[-1]) if run.returncode == 0 else -1.0


def print_memory(path: str, voxel_mm: float, band_mm: float) -> None:
    """Print the peak memory, MB, of filling the band of a mesh file: the fresh process's part."""
    kept = np.load(path)
    small = toothed_sheet(200)
    build_sdf(Surface.build(small), SdfSettings(1.0, 2.0))
    surface = Surface.build(TriangleMesh(kept["vertices"], kept["faces"]))
    _, mb = peak_mb(lambda: build_sdf(surface, SdfSettings(voxel_mm, band_mm)))
    print(json.dumps(mb))


def rows_of(cases: list[tuple[TriangleMesh, SdfSettings]], repeats: int) -> list[dict[str, float]]:
    """Return seconds and memory of some bands and their surfaces.

    Every case is run once before any is run again, so that a busy minute of the machine does not
    fall on one of them.
    """
    surfaces = [Surface.build(mesh) for mesh, _ in cases]
    surface_s = np.full((repeats, len(cases)), np.inf)
    band_s = np.full((repeats, len(cases)), np.inf)
    bands = [build_sdf(s, settings) for s, (_, settings) in zip(surfaces, cases, strict=True)]
    for i in range(repeats):
        for k, (mesh, settings) in enumerate(cases):
            surface_s[i, k] = once(lambda mesh=mesh: Surface.build(mesh))
            band_s[i, k] = once(lambda k=k, settings=settings: build_sdf(surfaces[k], settings))
    return [
        {
            "faces": len(mesh.faces),
            "area_mm2": float(mesh.face_areas().sum()),
            "surface_s": float(surface_s[:, k].min()),
            "band_s": float(band_s[:, k].min()),
            "median_s": float(np.median(band_s[:, k])),
            "blocks_mb": blocks_mb(bands[k]),
            "index_mb": index_mb(bands[k]),
            "nodes": n_known(bands[k]),
            "peak_mb": build_mb(mesh, settings),
        }
        for k, (mesh, settings) in enumerate(cases)
    ]


def once(call: Callable[[], object]) -> float:
    """Return the seconds of one call."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def growth(title: str, by: str, rows: list[dict[str, float]]) -> None:
    """Print rows of growth and how far the times leave a line in `by`."""
    _, off = straight_line([r[by] for r in rows], [r["band_s"] for r in rows])
    _, whole = straight_line([r[by] for r in rows], [r["band_s"] + r["surface_s"] for r in rows])
    print(f"\n{title}")
    print("     faces   area mm2  surface s  band s  median   nodes  ns/node  blocks MB  index MB"
          f"  peak MB  off a line in {by} %: band, both")  # fmt: skip
    for r, a, b in zip(rows, off, whole, strict=True):
        ns = 1e9 * r["band_s"] / r["nodes"]
        print(f"  {r['faces']:8d} {r['area_mm2']:9.0f} {r['surface_s']:9.3f} {r['band_s']:8.3f} "
              f"{r['median_s']:7.3f} {r['nodes'] / 1e6:6.2f}M {ns:8.1f} "
              f"{r['blocks_mb']:9.1f} {r['index_mb']:9.2f} {r['peak_mb']:8.0f} "
              f"   {a:+6.1f} {b:+6.1f}", flush=True)  # fmt: skip


def print_peers(mesh: TriangleMesh, points: np.ndarray, exact: np.ndarray, ours_s: float,
                fillers: Sequence[str], limit_s: float) -> np.ndarray | None:  # fmt: skip
    """Print what other libraries take for the same nodes; return libigl's distances (n,)."""
    print(f"\nthe same {len(points)} nodes, in the order of the blocks")
    print("                                     seconds  x ours    MB  largest um  99.9 % um"
          "  wrong sign %")  # fmt: skip
    truth = None
    with tempfile.TemporaryDirectory() as name:
        write_scene(Path(name), mesh.vertices, mesh.faces, {"blocks": points})
        for peer in fillers:
            said = ask(peer, Path(name), 2, limit_s)
            if isinstance(said, str):
                print(f"  {PEERS[peer].label}: {said}")
                continue
            row = said[0]
            values = values_of(row)
            e = errors(values, exact, signed=PEERS[peer].signed)
            wrong = f"{e.wrong_percent:.5f}" if PEERS[peer].signed else "no sign"
            print(f"  {PEERS[peer].label:34s}{row.best_s:8.2f} {row.best_s / ours_s:8.1f} "
                  f"{row.peak_mb:5.0f} {e.largest_um:11.5f} {e.most_um:10.5f} {wrong:>13s}",
                  flush=True)  # fmt: skip
            truth = values if peer == "igl" else truth
    return truth


def print_errors(values: np.ndarray, exact: np.ndarray, igl: np.ndarray | None) -> None:
    """Print the errors of our nodes against the exact tree and against libigl."""
    print("\nerrors of all known nodes")
    for name, truth in (("exact tree, float64", exact), ("libigl, float64", igl)):
        if truth is None:
            print(f"  against {name}: not asked")
            continue
        known = np.isfinite(truth)
        e = errors(values[known], truth[known])
        print(f"  against {name:22s} {known.sum()} nodes: largest {e.largest_um:.5f} um, 99.9 % "
              f"{e.most_um:.5f} um, wrong signs {e.wrong_percent:.6f} %, of no known truth "
              f"{(~known).sum()}", flush=True)  # fmt: skip


def exact_of(surface: Surface, points: np.ndarray, most: int = 500_000) -> np.ndarray:
    """Return the exact signed distances (n,), mm, of many points, part by part."""
    parts = [surface.closest(points[i : i + most]).distance_mm
             for i in range(0, len(points), most)]  # fmt: skip
    return np.concatenate(parts)


def print_band(given: argparse.Namespace, settings: SdfSettings) -> None:
    """Print the parts that look at one arch."""
    mesh = toothed_sheet(given.faces) if given.arch == "sheet" else arch(given.arch).mesh
    surface = Surface.build(mesh)
    band = timed(lambda: build_sdf(surface, settings), given.repeats)
    sdf: SparseSdf = band.result
    print(f"\n{given.arch}: {len(mesh.faces)} faces, voxel {settings.voxel_mm:g} mm, band "
          f"{settings.band_mm:g} mm: {band.best_s:.3f} s (median {band.median_s:.3f}), "
          f"{sdf.n_blocks} blocks {blocks_mb(sdf):.1f} MB, index "
          f"{index_mb(sdf):.2f} MB, peak of the build "
          f"{build_mb(mesh, settings):.0f} MB", flush=True)  # fmt: skip
    if "threads" in given.part:
        most = thread_count()
        print("\nthreads")
        for n in (1, 2):
            if n > most:
                print(f"  {n}: this machine lends {most}")
                continue
            set_threads(n)
            t = timed(lambda: build_sdf(surface, settings), given.repeats)
            print(f"  {n}: {t.best_s:.3f} s (median {t.median_s:.3f})", flush=True)
        set_threads(most)
    if not {"peers", "errors"} & set(given.part):
        return
    points, values = known_nodes(sdf)
    # Peers of single precision get float32 places; the errors are against these very places.
    points = points.astype(np.float32).astype(np.float64)
    exact = exact_of(surface, points)
    igl = None
    if "peers" in given.part:
        igl = print_peers(mesh, points, exact, band.best_s, given.fillers, given.limit)
    if "errors" in given.part:
        print_errors(values, exact, igl)


def print_growth(given: argparse.Namespace, settings: SdfSettings) -> None:
    """Print the parts that let one thing grow."""
    some = given.repeats
    if "triangles" in given.part:
        cases = [(toothed_sheet(n), settings) for n in given.triangles]
        growth("growth with triangles, one area", "faces", rows_of(cases, some))
    if "area" in given.part:
        cases = [(toothed_sheet(round(given.faces * x), x), settings) for x in LENGTHS]
        growth("growth with area, one size of triangles", "area_mm2", rows_of(cases, some))
    if "voxels" in given.part:
        mesh = toothed_sheet(given.faces)
        cases = [(mesh, SdfSettings(h, settings.band_mm)) for h in given.voxels]
        growth(f"growth with fineness, voxels of {', '.join(map(str, given.voxels))} mm", "nodes",
               rows_of(cases, some))  # fmt: skip


def main() -> None:
    """Run the parts asked for."""
    if sys.argv[1:2] == ["--memory-of"]:
        print_memory(sys.argv[2], float(sys.argv[3]), float(sys.argv[4]))
        return
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--arch", default="upper_a", help="upper_a, lower_a, or sheet")
    parser.add_argument("--faces", type=int, default=200_000, help="of the sheet")
    parser.add_argument("--voxel", type=float, default=0.1, help="mm")
    parser.add_argument("--band", type=float, default=1.0, help="mm")
    parser.add_argument("--part", nargs="*", default=list(PARTS), choices=PARTS)
    parser.add_argument("--triangles", nargs="*", type=int, default=list(TRIANGLES))
    parser.add_argument("--voxels", nargs="*", type=float, default=list(VOXELS_MM))
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--limit", type=float, default=120.0, help="seconds a library")
    parser.add_argument("--fillers", nargs="*", default=list(FILLERS), choices=FILLERS)
    parser.add_argument("--quick", action="store_true", help="a coarse sheet, all but growth")
    given = parser.parse_args()
    if given.quick:
        given.arch, given.faces, given.voxel, given.repeats = "sheet", 2000, 0.5, 1
        given.part, given.fillers = ["peers", "errors", "threads"], ["open3d-closest", "igl"]
    header("Filling the band of signed distances", ["open3d-cpu", "libigl"])
    settings = SdfSettings(given.voxel, given.band)
    if {"peers", "errors", "threads"} & set(given.part):
        print_band(given, settings)
    print_growth(given, settings)


if __name__ == "__main__":
    main()
