"""The methods that signed distances are compared with, and ours, each in a process of its own.

A process of its own: libraries bring thread pools that disturb one another, and memory can be told
apart. ``ask`` starts one for a method; it runs this file as a script, which reads meshes and points
from files, so that all methods are asked for the same places, and writes what it found.
"""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchmarks.measure import peak_mb, timed

Query = Callable[[np.ndarray], Any]


@dataclass(frozen=True)
class Peer:
    """A method: build(vertices, faces) returns the query, read(answer, points) its distances.

    Of points beyond `most` only the first are asked. Reading the answer is not timed.
    """

    label: str
    module: str
    build: Callable[[np.ndarray, np.ndarray], Query]
    dtype: type = np.float32
    signed: bool = True
    most: int = 10**9
    read: Callable[[Any, np.ndarray], np.ndarray] = lambda answer, _points: np.asarray(answer)


@dataclass(frozen=True)
class Row:
    """What a method gave on one set of points, in one order."""

    peer: str
    order: str
    n: int
    best_s: float
    median_s: float
    repeats: int
    build_s: float
    peak_mb: float
    values: str


def _surface(vertices: np.ndarray, faces: np.ndarray) -> Any:
    from occlusim.geometry.mesh import TriangleMesh
    from occlusim.geometry.surface import Surface

    return Surface.build(TriangleMesh(vertices, faces))


def _listed(vertices: np.ndarray, faces: np.ndarray) -> Any:
    from occlusim.geometry.near_lists import with_near_lists

    return with_near_lists(_surface(vertices, faces))


def _ours_closest(vertices, faces) -> Query:
    surface = _surface(vertices, faces)
    return lambda p: surface.closest(p)


def _ours_signed(vertices, faces) -> Query:
    return _surface(vertices, faces).signed_distance


def _listed_closest(vertices, faces) -> Query:
    surface = _listed(vertices, faces)
    return lambda p: surface.closest(p)


def _listed_signed(vertices, faces) -> Query:
    return _listed(vertices, faces).signed_distance


def _open3d_scene(vertices, faces) -> Any:
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(vertices.astype(np.float32), faces.astype(np.uint32))
    scene.compute_distance(np.zeros((1, 3), np.float32))
    return scene


def _open3d_unsigned(vertices, faces) -> Query:
    scene = _open3d_scene(vertices, faces)
    return lambda p: scene.compute_distance(p).numpy()


def _open3d_signed(vertices, faces) -> Query:
    scene = _open3d_scene(vertices, faces)
    return lambda p: scene.compute_signed_distance(p).numpy()


def _open3d_closest(vertices, faces) -> Query:
    scene = _open3d_scene(vertices, faces)

    def query(p):
        hit = scene.compute_closest_points(p)
        return signed_from_face(p, hit["points"].numpy(), hit["primitive_normals"].numpy())

    return query


def signed_from_face(p: np.ndarray, closest: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Return distances (n,) with the side of the nearest face's plane that a point lies on."""
    away = p - closest
    size = np.sqrt(np.einsum("ij,ij->i", away, away))
    return np.copysign(size, np.einsum("ij,ij->i", away, normal))


def _igl_pseudonormal(vertices, faces) -> Query:
    import igl

    wide = faces.astype(np.int64)
    mode = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    return lambda p: igl.signed_distance(p, vertices, wide, mode)[0]


def _igl_kept_tree(vertices, faces) -> Query:
    import igl

    wide = faces.astype(np.int64)
    tree = igl.AABB()
    tree.init(vertices, wide)
    corner = vertices[wide]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])

    def query(p):
        _squared, face, closest = tree.squared_distance(vertices, wide, p)
        return signed_from_face(p, closest, normal[face])

    return query


def _fcpw_closest(vertices, faces) -> Query:
    import fcpw

    scene = fcpw.scene_3D()
    scene.set_object_count(1)
    scene.set_object_vertices(np.asfortranarray(vertices, np.float32), 0)
    scene.set_object_triangles(np.asfortranarray(faces, np.int32), 0)
    scene.build(fcpw.aggregate_type.bvh_surface_area, True, False, False)

    def query(p):
        found = fcpw.interaction_3D_list()
        scene.find_closest_points(p, np.full(len(p), np.inf, np.float32), found, True)
        return found

    return query


def _read_fcpw(found, points) -> np.ndarray:
    return np.array([found[i].signed_distance(p) for i, p in enumerate(points)])


def _pcu_winding(vertices, faces) -> Query:
    import point_cloud_utils as pcu

    v, f = vertices.astype(np.float32), faces.astype(np.int32)
    return lambda p: pcu.signed_distance_to_mesh(p, v, f)[0]


def _vtk_implicit(vertices, faces) -> Query:
    from vtkmodules.util.numpy_support import (
        numpy_to_vtk,
        numpy_to_vtkIdTypeArray,
        vtk_to_numpy,
    )
    from vtkmodules.vtkCommonCore import vtkDoubleArray, vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance

    points, cells, mesh = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(vertices), deep=True))
    cells.SetData(3, numpy_to_vtkIdTypeArray(faces.ravel().astype(np.int64), deep=True))
    mesh.SetPoints(points)
    mesh.SetPolys(cells)
    function = vtkImplicitPolyDataDistance()
    function.SetInput(mesh)

    def query(p):
        out = vtkDoubleArray()
        out.SetNumberOfTuples(len(p))
        function.FunctionValue(numpy_to_vtk(p), out)
        return vtk_to_numpy(out).copy()

    return query


def _trimesh_signed(vertices, faces) -> Query:
    import rtree  # noqa: F401  trimesh's search needs it
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    query = trimesh.proximity.ProximityQuery(mesh)
    return lambda p: -query.signed_distance(p)


def _read_closest(found, _points) -> np.ndarray:
    return found.distance_mm


PEERS: dict[str, Peer] = {
    "ours": Peer("occlusim, closest", "occlusim", _ours_closest, np.float64, read=_read_closest),
    "ours-signed": Peer("occlusim, signed_distance", "occlusim", _ours_signed, np.float64),
    "listed": Peer("occlusim, near lists, closest", "occlusim", _listed_closest, np.float64,
                   read=_read_closest),
    "listed-signed": Peer("occlusim, near lists, signed_distance", "occlusim", _listed_signed,
                          np.float64),
    "open3d-unsigned": Peer("Open3D, compute_distance", "open3d", _open3d_unsigned, signed=False),
    "open3d-signed": Peer("Open3D, compute_signed_distance", "open3d", _open3d_signed),
    "open3d-closest": Peer("Open3D, closest points, own sign", "open3d", _open3d_closest),
    "igl": Peer("libigl, pseudonormals", "igl", _igl_pseudonormal, np.float64),
    "igl-tree": Peer("libigl, kept tree, own sign", "igl", _igl_kept_tree, np.float64),
    "fcpw": Peer("fcpw, closest points", "fcpw", _fcpw_closest, read=_read_fcpw),
    "pcu": Peer("point-cloud-utils, winding", "point_cloud_utils", _pcu_winding, most=50_000),
    "vtk": Peer("VTK, implicit distance", "vtkmodules", _vtk_implicit, np.float64, most=50_000),
    "trimesh": Peer("trimesh, signed_distance", "trimesh", _trimesh_signed, np.float64,
                    most=2_000),
}  # fmt: skip


def write_scene(
    folder: Path, vertices: np.ndarray, faces: np.ndarray, orders: dict[str, np.ndarray]
) -> None:
    """Write a mesh, and points (n, 3) by the name of their order, for `ask`."""
    folder.mkdir(parents=True, exist_ok=True)
    np.savez(folder / "mesh.npz", vertices=vertices, faces=faces)
    for order, points in orders.items():
        np.save(folder / f"points-{order}.npy", points)


def ask(peer: str, folder: Path, repeats: int, limit_s: float) -> list[Row] | str:
    """Return what a method gives for every order in a folder; words where it cannot be run."""
    command = [sys.executable, __file__, peer, str(folder), str(repeats), str(limit_s)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    if run.returncode:
        last = (run.stderr.strip().splitlines() or [f"exit code {run.returncode}"])[-1]
        return last if run.returncode == MISSING else f"failed: {last}"
    return [Row(**row) for row in json.loads(run.stdout.strip().splitlines()[-1])]


def values_of(row: Row) -> np.ndarray:
    """Return the distances (n,) of a row."""
    return np.load(row.values)


MISSING = 3
"""The exit code of a process whose library is not there; the reason is its last line."""


def _answer(name: str, folder: Path, repeats: int, limit_s: float) -> list[Row]:
    peer = PEERS[name]
    mesh = np.load(folder / "mesh.npz")
    asked = {path.stem.removeprefix("points-"): np.load(path)[: peer.most].astype(peer.dtype)
             for path in sorted(folder.glob("points-*.npy"))}  # fmt: skip
    if name == "fcpw":
        asked = {order: np.asfortranarray(points) for order, points in asked.items()}
    few = next(iter(asked.values()))[:1000]
    # A small mesh first: loading and compiling is neither building nor memory of the mesh.
    used, small = np.unique(mesh["faces"][:64], return_inverse=True)
    peer.build(mesh["vertices"][used], small.reshape(-1, 3).astype(np.int32))(few[:100])

    def built() -> tuple[Query, float]:
        start = time.perf_counter()
        query = peer.build(mesh["vertices"], mesh["faces"])
        query(few)
        return query, time.perf_counter() - start

    (query, build_s), memory_mb = peak_mb(built)
    rows = []
    for order, points in asked.items():
        ran = timed(lambda points=points: query(points), repeats, limit_s)
        out = folder / f"{name}-{order}.values"
        with out.open("wb") as file:
            np.save(file, np.asarray(peer.read(ran.result, points), np.float64).reshape(-1))
        rows.append(Row(name, order, len(points), ran.best_s, ran.median_s, ran.repeats,
                        build_s, memory_mb, str(out)))  # fmt: skip
    return rows


def _missing(name: str) -> str | None:
    """Return in words what a method lacks here; None where nothing does."""
    try:
        importlib.import_module(PEERS[name].module)
    except (ImportError, OSError) as error:
        return f"not installed ({error})"
    return None


def main(arguments: Sequence[str]) -> None:
    """Answer for one method: NAME FOLDER REPEATS LIMIT_S."""
    name, folder, repeats, limit_s = arguments
    lack = _missing(name)
    if lack is None:
        try:
            rows = _answer(name, Path(folder), int(repeats), float(limit_s))
        except ModuleNotFoundError as error:
            lack = f"not installed ({error})"
    if lack is not None:
        print(lack, file=sys.stderr)
        raise SystemExit(MISSING)
    print(json.dumps([asdict(row) for row in rows]))


if __name__ == "__main__":
    main(sys.argv[1:])
