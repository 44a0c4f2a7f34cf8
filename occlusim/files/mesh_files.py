"""Mesh files read and written: STL, PLY and OBJ, by readers of our own.

General mesh libraries are not used for reading, because they hide what matters here: a file that
was cut off is often returned as the part that is there, a count that does not fit is passed over,
vertex numbers that the library does not know (the label of a tooth, say) are dropped, and
vertices are merged or sorted silently. These readers return all of a file or say what is wrong
with it, and nothing they do (corners welded, polygons cut) goes unmentioned.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np

from occlusim.arrays import AnyArray, Float64Array
from occlusim.errors import InputError, OutputError
from occlusim.files.obj_format import read_obj
from occlusim.files.ply_format import ply_bytes, read_ply
from occlusim.files.raw_mesh import AGAIN, RawMesh, broken
from occlusim.files.stl_format import read_stl, stl_bytes
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.scan_check import Finding, Severity

MM_PER_UNIT: Mapping[str, float] = {
    "um": 1e-3,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "inch": 25.4,
}
LARGEST_COORDINATE_MM = 1e7

_READERS: Mapping[str, Callable[[bytes, Path], RawMesh]] = {
    ".stl": read_stl,
    ".ply": read_ply,
    ".obj": read_obj,
}


@dataclass(frozen=True, slots=True)
class MeshFile:
    """A mesh as read from a file.

    `mesh` is in mm whatever the file's `unit`; `fields` are further numbers of its vertices, (V,)
    each, by their names in the file; `format` is the kind of file in words; `is_double` says
    whether the coordinates carry more than single precision, so that writing them as such
    would change them; `remarks` tell what the reader did or left out.
    """

    path: Path
    mesh: TriangleMesh
    fields: Mapping[str, Float64Array]
    format: str
    unit: str
    is_double: bool
    sha256: str
    remarks: tuple[Finding, ...]

    @property
    def mm_per_unit(self) -> float:
        """Millimetres in one unit of the file."""
        return MM_PER_UNIT[self.unit]


def read_mesh(path: Path | str, units: str = "mm", role: str = "") -> MeshFile:
    """Return the triangles of an STL, PLY or OBJ file, in mm.

    Parameters
    ----------
    path : Path or str
        The kind of file is told by the ending: .stl, .ply or .obj, in capitals or not.
    units : str
        The unit of the file's coordinates: one of `MM_PER_UNIT`.
    role : str
        What the mesh is for; it is put into the remarks.

    Returns
    -------
    MeshFile
        STL corners are welded where their coordinates are equal; vertices of PLY and OBJ are
        kept as they are, in their order, used by a face or not.

    Raises
    ------
    MeshError
        If the file is missing, empty, cut off, of another kind, promises more than it holds, has
        no faces, a face that names a missing vertex, or a coordinate that is not a number.
    InputError
        If the unit is not known.
    """
    path = Path(path)
    if units not in MM_PER_UNIT:
        raise InputError(f"units: {units!r} given, one of {', '.join(MM_PER_UNIT)} wanted")
    reader = _READERS.get(path.suffix.lower())
    data = _read_bytes(path)
    if reader is None:
        raise broken(
            path,
            f"unknown kind of mesh file {path.suffix!r}",
            "export the mesh as .stl, .ply or .obj",
        )
    with np.errstate(all="ignore"):  # numbers that are none are found and named below
        raw = reader(data, path)
    if len(raw.faces) == 0:
        held = f"{len(raw.vertices)} points" if len(raw.vertices) else "nothing"
        raise broken(path, f"no faces: the file holds {held}", "export a surface of triangles")
    _check_coordinates(raw, MM_PER_UNIT[units], path)
    mesh = TriangleMesh(raw.vertices * MM_PER_UNIT[units], raw.faces.astype(np.int32))
    remarks = tuple(
        Finding(cast(Severity, severity), code, message, role, count)
        for severity, code, message, count in raw.remarks
    )
    digest = hashlib.sha256(data).hexdigest()
    return MeshFile(path, mesh, raw.fields, raw.format, units, raw.is_double, digest, remarks)


def _read_bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise broken(path, "there is no such file", "check the name and the folder") from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise broken(path, f"cannot be read ({reason})", "check the path and the rights") from None
    if not data.strip():
        raise broken(path, f"empty: the file holds {len(data)} bytes", AGAIN)
    return data


def _check_coordinates(raw: RawMesh, mm_per_unit: float, path: Path) -> None:
    finite = np.isfinite(raw.vertices).all(axis=1)
    if not finite.all():
        first = int(np.flatnonzero(~finite)[0])
        raise broken(
            path,
            f"{int((~finite).sum())} vertices have a coordinate that is not a number (NaN or "
            f"infinite), the first is vertex {first}",
            "repair the mesh where it was made, or export it again",
        )
    largest = float(np.abs(raw.vertices).max()) * mm_per_unit
    if largest > LARGEST_COORDINATE_MM:
        raise broken(
            path,
            f"a coordinate of {largest:.3g} mm is absurd",
            "check the unit and the export",
        )
    if len(raw.vertices) > 2**31 - 1:
        raise broken(path, f"{len(raw.vertices)} vertices are too many", "reduce the mesh")


def write_ply(
    path: Path | str,
    painted: PaintedMesh,
    colours: AnyArray | None = None,
    float64: bool = False,
    units: str = "mm",
) -> None:
    """Write a binary PLY with named vertex numbers and, where given, colours.

    Parameters
    ----------
    path : Path or str
    painted : PaintedMesh
        Coordinates in mm; its fields become single-precision vertex properties of their names.
    colours : (V, 3) of whole numbers 0 to 255, or None
    float64 : bool
        Keep double precision: set where the input was double (`MeshFile.is_double`). A coordinate
        that was read from single precision is written back to the bit either way.
    units : str
        Unit of the written coordinates: one of `MM_PER_UNIT`.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    vertices = _in_units(painted.mesh, units)
    data = ply_bytes(vertices, painted.mesh.faces, painted.fields, colours, float64, units)
    _write_bytes(Path(path), data)


def write_stl(path: Path | str, mesh: TriangleMesh, units: str = "mm") -> None:
    """Write a binary STL; the format holds single precision only.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    _write_bytes(Path(path), stl_bytes(_in_units(mesh, units), mesh.faces, units))


def _in_units(mesh: TriangleMesh, units: str) -> Float64Array:
    if units not in MM_PER_UNIT:
        raise InputError(f"units: {units!r} given, one of {', '.join(MM_PER_UNIT)} wanted")
    return mesh.vertices / MM_PER_UNIT[units]


def _write_bytes(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(f"{path}: cannot be written ({reason}); check rights and space") from None


__all__ = ["MM_PER_UNIT", "MeshFile", "read_mesh", "write_ply", "write_stl"]
