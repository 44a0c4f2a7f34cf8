"""What the page draws of a file: a thinned mesh and the borders of the whole one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.app.store import StoredCase
from occlusim.arrays import Float64Array, Int32Array
from occlusim.errors import MeshError
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import PaintedMesh
from occlusim.geometry.scan_parts import scan_parts
from occlusim.report.meshes import thinned

MAX_DRAWN_FACES = 50_000


@dataclass(frozen=True, slots=True)
class Preview:
    """A mesh for drawing, mm; its vertices are vertices of the full mesh.

    `borders` (n, 3) are the ends of the open edges, a row of NaN after each pair, as a line drawn
    through them wants it.
    """

    vertices: Float64Array
    faces: Int32Array
    borders: Float64Array


def write_preview(case: StoredCase, place: str, unit: str) -> None:
    """Write what is drawn of a file of the case."""
    entry = case.draft()["files"][place]
    mesh = read_mesh(case.folder / entry["file"], unit).mesh
    try:
        edges = scan_parts(mesh).open_edges
    except MeshError:
        edges = np.zeros((0, 2), dtype=np.int64)
    borders = np.full((len(edges), 3, 3), np.nan)
    borders[:, :2] = mesh.vertices[edges]
    drawn = thinned(PaintedMesh(mesh), MAX_DRAWN_FACES).mesh
    path = case.preview(place)
    path.parent.mkdir(exist_ok=True)
    beside = path.with_name(f".{path.name}.part.npz")
    np.savez_compressed(
        beside, vertices=drawn.vertices, faces=drawn.faces, borders=borders.reshape(-1, 3)
    )
    beside.replace(path)


def read_preview(case: StoredCase, place: str) -> Preview | None:
    """Return what is drawn of a file, None where there is nothing."""
    try:
        with np.load(case.preview(place)) as saved:
            return Preview(saved["vertices"], saved["faces"], saved["borders"])
    except (OSError, ValueError, KeyError):
        return None
