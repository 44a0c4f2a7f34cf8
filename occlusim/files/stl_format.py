"""STL, binary and text, read and written.

The format knows no shared vertices: corners with equal coordinates are welded, exactly and
without a tolerance. Layout of the format: 3D Systems, StereoLithography Interface Specification,
1989 (from memory): 80 bytes of text, a 32-bit count, then 50 bytes a triangle, little endian.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from occlusim.arrays import AnyArray, Float64Array, Int64Array
from occlusim.files.raw_mesh import AGAIN, RawMesh, broken, numbers_from_words

_FACET = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 80
_START = 84


def read_stl(data: bytes, path: Path) -> RawMesh:
    """Return the mesh of an STL file's bytes; `MeshError` where the file is not whole."""
    count = int.from_bytes(data[_HEADER:_START], "little") if len(data) >= _START else -1
    if count >= 0 and len(data) == _START + _FACET.itemsize * count:
        return _read_binary(data, count, path)
    if data.lstrip()[:5].lower() == b"solid" and b"\0" not in data[:1024]:
        return _read_text(data, path)
    if count < 0:
        raise broken(path, f"truncated: {len(data)} bytes, a binary STL has at least {_START}")
    return _read_binary(data, count, path)


def _read_binary(data: bytes, count: int, path: Path) -> RawMesh:
    held, rest = divmod(len(data) - _START, _FACET.itemsize)
    if held < count:
        raise broken(
            path,
            f"truncated: the header promises {count} triangles, the file holds {held}",
        )
    if held > count:
        raise broken(
            path,
            f"the header counts {count} triangles, but the file has room for {held}",
            f"which of them is right cannot be known; {AGAIN}",
        )
    facets = np.frombuffer(data, dtype=_FACET, count=count, offset=_START)
    corners = np.ascontiguousarray(facets["corner"]).reshape(-1, 3)
    vertices, faces = weld(corners)
    remarks = []
    if rest:
        message = f"{rest} bytes follow the last triangle and were not read"
        remarks.append(("info", "trailing_bytes", message, rest))
    return RawMesh(vertices.astype(np.float64), faces, "STL binary", False, remarks=remarks)


def _read_text(data: bytes, path: Path) -> RawMesh:
    """Read the text form line by line; every facet and every solid must be closed again."""
    words: list[bytes] = []
    n_facets = n_corners = 0
    in_solid = in_facet = False
    for number, line in enumerate(data.splitlines(), start=1):
        parts = line.split()
        if not parts:
            continue
        key = parts[0].lower()
        if key == b"vertex" and in_facet and len(parts) == 4:
            words += parts[1:]
            n_corners += 1
        elif key == b"facet" and in_solid and not in_facet:
            in_facet, n_corners = True, 0
        elif key == b"endfacet" and in_facet and n_corners == 3:
            in_facet, n_facets = False, n_facets + 1
        elif key in (b"outer", b"endloop") and in_facet:
            continue
        elif key == b"solid" and not in_solid:
            in_solid = True
        elif key == b"endsolid" and in_solid and not in_facet:
            in_solid = False
        else:
            shown = line.strip()[:60].decode("ascii", "replace")
            raise broken(path, f"line {number} of a text STL is out of place or cut: {shown!r}")
    if in_solid:
        raise broken(path, f"truncated: the text ends after {n_facets} facets without 'endsolid'")
    corners = numbers_from_words(words, path, "vertex of a text STL").reshape(-1, 3)
    vertices, faces = weld(corners)
    return RawMesh(vertices, faces, "STL text", True)


def weld(corners: AnyArray) -> tuple[AnyArray, Int64Array]:
    """Return distinct points, in order of first appearance, and the triangles over them.

    Parameters
    ----------
    corners : (3 F, 3)
        Corner points, three for each triangle.

    Returns
    -------
    vertices : (V, 3)
        Same type as `corners`; no two are equal (0.0 and -0.0 are; NaN equals nothing).
    faces : (F, 3)
    """
    if len(corners) == 0:
        return corners, np.empty((0, 3), dtype=np.int64)
    order = np.lexsort(corners.T)
    ordered = corners[order]
    starts = np.empty(len(corners), dtype=np.bool_)
    starts[0] = True
    starts[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    group = np.empty(len(corners), dtype=np.int64)
    group[order] = np.cumsum(starts) - 1
    first = order[starts]
    by_appearance = np.argsort(first)
    rank = np.empty(len(first), dtype=np.int64)
    rank[by_appearance] = np.arange(len(first))
    return corners[first[by_appearance]], rank[group].reshape(-1, 3)


def stl_bytes(vertices: Float64Array, faces: AnyArray, unit: str) -> bytes:
    """Return a binary STL of vertices (V, 3) and triangles (F, 3), rounded to single precision.

    Parameters
    ----------
    vertices : (V, 3)
        In the unit named `unit`, which goes into the text of the header.
    faces : (F, 3)
    unit : str
    """
    corners = vertices.astype(np.float32)[faces]
    exact = corners.astype(np.float64)
    normal = np.cross(exact[:, 1] - exact[:, 0], exact[:, 2] - exact[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    facets = np.zeros(len(faces), dtype=_FACET)
    facets["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    facets["corner"] = corners
    header = f"binary STL written by occlusim, unit {unit}".encode("ascii").ljust(_HEADER)
    return header + len(faces).to_bytes(4, "little") + facets.tobytes()
