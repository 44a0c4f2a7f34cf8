"""A mesh of a result, and its way into other libraries.

The libraries are imported when a conversion is asked for; none of them is needed otherwise.
"""

from __future__ import annotations

import importlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.errors import InputError
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import PaintedMesh
from occlusim.report.colour import paint, quantity_of

if TYPE_CHECKING:
    import open3d
    import pyvista
    import trimesh

HEADER_BYTES = 4096
_UNIT = re.compile(rb"comment written by occlusim, unit (\w+)")


@dataclass(frozen=True, slots=True)
class OutcomeMesh:
    """A mesh of a result in mm, with its numbers in um, one a vertex; NaN is not known."""

    painted: PaintedMesh

    @property
    def vertices(self) -> Float64Array:
        """Vertices (V, 3), mm, read-only."""
        return self.painted.mesh.vertices

    @property
    def faces(self) -> Int32Array:
        """Faces (F, 3), counter-clockwise seen from outside, read-only."""
        return self.painted.mesh.faces

    @property
    def fields(self) -> dict[str, Float64Array]:
        """Numbers by name, (V,) each, such as ``gap_um``."""
        return dict(self.painted.fields)

    def colours(self, field: str) -> np.ndarray:
        """Return the report's colours (V, 3), sRGB bytes, of a field.

        Raises
        ------
        InputError
            If the mesh has no such field.
        """
        if field not in self.painted.fields:
            known = ", ".join(self.painted.fields) or "none"
            raise InputError(f"field: {field!r} given; this mesh has {known}")
        return paint(self.painted.fields[field], quantity_of(field))

    def to_trimesh(self) -> trimesh.Trimesh:
        """Return a `trimesh.Trimesh` with the fields as vertex attributes; nothing is merged."""
        library = _library("trimesh", "trimesh")
        mesh = library.Trimesh(self.vertices.copy(), self.faces.copy(), process=False)
        for name, values in self.painted.fields.items():
            mesh.vertex_attributes[name] = values.copy()
        return mesh

    def to_pyvista(self) -> pyvista.PolyData:
        """Return a `pyvista.PolyData` with the fields as point data."""
        library = _library("pyvista", "pyvista")
        mesh = library.PolyData.from_regular_faces(self.vertices.copy(), self.faces.copy())
        for name, values in self.painted.fields.items():
            mesh.point_data[name] = values.copy()
        return mesh

    def to_open3d(self) -> open3d.t.geometry.TriangleMesh:
        """Return an Open3D tensor mesh with the fields as vertex attributes, (V, 1) each."""
        library = _library("open3d", "open3d-cpu")
        mesh = library.t.geometry.TriangleMesh(
            library.core.Tensor(self.vertices.copy()), library.core.Tensor(self.faces.copy())
        )
        for name, values in self.painted.fields.items():
            mesh.vertex[name] = library.core.Tensor(values.reshape(-1, 1).copy())
        return mesh


def read_outcome_mesh(path: Path) -> OutcomeMesh:
    """Return a mesh that a run wrote, in mm whatever the unit it was written in.

    Raises
    ------
    MeshError
        If the file is missing or cannot be read.
    InputError
        If its header does not name a unit, as that of every PLY by a run does.
    """
    try:
        with path.open("rb") as file:
            header = file.read(HEADER_BYTES)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); run the check again"
        ) from None
    unit = _UNIT.search(header.partition(b"end_header")[0])
    if unit is None:
        raise InputError(f"{path}: its header names no unit; run the check again")
    file = read_mesh(path, units=unit.group(1).decode("ascii"))
    return OutcomeMesh(PaintedMesh(file.mesh, file.fields))


def _library(module: str, package: str) -> Any:
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise InputError(
            f"{module} cannot be imported ({error}); install it with: pip install {package}"
        ) from error
