"""Exact signed distances: ours beside general libraries, on the same points in one run.

Usage: python benchmarks/bench_peers.py [--points N] [--faces N] [--within MM] [--scenes NAME ...]
       [--quick]

Points lie evenly over the surface and up to `within` mm off it. Every method is asked for the very
same points twice, in random order and in Morton order, in a process of its own. The truth is the
closed form on closed shapes, whose facets leave the shape by what is printed, so no error can be
less there but on the box; on the arches it is libigl's float64 distance with pseudonormals, and
points whose nearest place is the trimmed edge enter neither errors nor signs. Rates are of the best
repeat; ratios are to the fastest exact method of other libraries in the same order, whatever its
signs. MB is what building and a first small query need at their peak. Signs do not count nearer to
the surface than the facets leave the shape.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from benchmarks.measure import errors, header
from benchmarks.peers import PEERS, Row, ask, values_of, write_scene
from benchmarks.scenes import ARCHES, Scene, arch, closed_shapes, faceting_um, morton_order
from benchmarks.scenes import points_near as near

ORDERS = ("random", "morton")
EXACT_UM = 0.1
"""A method counts as exact where its largest error exceeds that of the facets by less."""
QUICK = ("ours", "ours-signed", "open3d-closest", "igl", "fcpw", "pcu", "vtk", "trimesh")


def truth_of(scene: Scene, points: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Return distances (n,), mm, and which points count (n,); None where nothing tells them."""
    if scene.distance is not None:
        return scene.distance(points), np.ones(len(points), dtype=bool)
    try:
        import igl  # noqa: PLC0415
    except ImportError:
        return None
    vertices, faces = scene.mesh.vertices, scene.mesh.faces.astype(np.int64)
    distance, face, closest, _normal = igl.signed_distance(
        points, vertices, faces, igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    )
    return distance, ~at_open_edge(scene, closest, face)


def at_open_edge(scene: Scene, closest: np.ndarray, face: np.ndarray) -> np.ndarray:
    """Return which nearest places (n, 3), each on a face (n,), lie on an edge of one face only."""
    vertices, faces = scene.mesh.vertices, scene.mesh.faces
    edge = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], -1), axis=-1)
    _, which, count = np.unique(
        edge.reshape(-1, 2), axis=0, return_inverse=True, return_counts=True
    )
    is_open = (count[which.reshape(-1)] == 1).reshape(-1, 3)
    is_rim = np.zeros(len(vertices), dtype=bool)
    is_rim[edge[is_open]] = True
    out = np.zeros(len(closest), dtype=bool)
    for k in range(3):
        a, b = vertices[faces[face, k]], vertices[faces[face, (k + 1) % 3]]
        along = np.einsum("ij,ij->i", closest - a, b - a) / np.einsum("ij,ij->i", b - a, b - a)
        off = closest - a - np.clip(along, 0, 1)[:, None] * (b - a)
        out |= is_open[face, k] & (np.linalg.norm(off, axis=1) < 1e-7)
        out |= is_rim[faces[face, k]] & (np.linalg.norm(closest - a, axis=1) < 1e-7)
    return out


def scenes_of(names: list[str] | None, n_faces: int) -> list[Scene]:
    """Return the scenes of some names, all if none are given."""
    made = {scene.name: scene for scene in closed_shapes(n_faces)}
    wanted = names or [*made, *ARCHES]
    return [made[name] if name in made else arch(name) for name in wanted]


def table(rows: list[Row], truth: tuple[np.ndarray, np.ndarray], places, side_mm: float) -> None:
    """Print the methods' rows, one order after the other."""
    for order in ORDERS:
        print(f"  {order + ' order':37s}  points   kilo/s   median  ratio  build s    MB "
              "largest um  99.9 % um wrong sign % unknown %")  # fmt: skip
        found = []
        for row in (row for row in rows if row.order == order):
            at = places[order][: row.n]
            counts = truth[1][at]
            found.append((row, errors(values_of(row)[counts], truth[0][at][counts],
                                      signed=PEERS[row.peer].signed, side_mm=side_mm)))  # fmt: skip
        exact_um = EXACT_UM + 1000 * side_mm
        rates = [row.n / row.best_s for row, e in found
                 if PEERS[row.peer].module != "occlusim" and e.largest_um < exact_um]  # fmt: skip
        for row, e in found:
            peer, rate = PEERS[row.peer], row.n / row.best_s
            ratio = rate / max(rates, default=np.nan)
            wrong = f"{e.wrong_percent:12.4f}" if peer.signed else f"{'no sign':>12s}"
            print(f"  {peer.label:37s}{row.n:8d} {rate / 1e3:8.0f} "
                  f"{row.n / row.median_s / 1e3:8.0f} {ratio:6.2f} {row.build_s:8.2f} "
                  f"{row.peak_mb:5.0f} {e.largest_um:10.5f} {e.most_um:10.5f} {wrong} "
                  f"{e.unknown_percent:9.3f}", flush=True)  # fmt: skip


def run(scene: Scene, names: tuple[str, ...], given: argparse.Namespace) -> None:
    """Ask all methods about one scene and print the table."""
    rng = np.random.default_rng(7)
    points = near(scene.mesh, given.points, given.within, rng)
    truth = truth_of(scene, points)
    print(f"\n{scene.name}: {len(scene.mesh.faces)} faces, points within {given.within:g} mm")
    if truth is None:
        print("  left out: libigl, the truth on open surfaces, is not installed")
        return
    if scene.distance is not None:
        print(f"  its facets leave the shape by up to {faceting_um(scene):.3f} um")
    else:
        share = 100 * (1 - truth[1].mean())
        print(f"  {share:.2f} % of the points are nearest to the trimmed edge")
    places = {"random": np.arange(len(points)), "morton": morton_order(points)}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_scene(folder, scene.mesh.vertices, scene.mesh.faces,
                    {order: points[at] for order, at in places.items()})  # fmt: skip
        rows: list[Row] = []
        for peer in names:
            said = ask(peer, folder, given.repeats, given.limit)
            if isinstance(said, str):
                print(f"  {PEERS[peer].label}: {said}")
            else:
                rows += said
        side_mm = 1e-5 if scene.distance is None else 1e-5 + faceting_um(scene) / 1000
        table(rows, truth, places, side_mm)


def main() -> None:
    """Run the scenes."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--points", type=int, default=200_000)
    parser.add_argument("--faces", type=int, default=200_000, help="of the closed shapes")
    parser.add_argument("--within", type=float, default=1.0, help="mm")
    parser.add_argument("--scenes", nargs="*", help="sphere torus capsule box upper_a lower_a")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--limit", type=float, default=10.0, help="seconds a method and order")
    parser.add_argument("--quick", action="store_true", help="a small box, one try a library")
    given = parser.parse_args()
    names = tuple(PEERS)
    if given.quick:
        given.points, given.faces, given.scenes, given.repeats = 2000, 2000, ["box"], 1
        names = QUICK
    libraries = ["open3d-cpu", "libigl", "fcpw", "point-cloud-utils", "vtk", "trimesh"]
    header("Exact signed distances, the methods side by side", libraries)
    for scene in scenes_of(given.scenes, given.faces):
        run(scene, names, given)


if __name__ == "__main__":
    main()
