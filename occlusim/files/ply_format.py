"""PLY, text and binary of either byte order, read and written with named vertex numbers.

Layout of the format: Turk, The PLY Polygon File Format, 1994 (from memory): a text header names
elements and their properties in order, the rows of all elements follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from occlusim.arrays import AnyArray, Float64Array, Int64Array
from occlusim.errors import InputError
from occlusim.files.ply_rows import TYPES, Columns, Element, Property, read_binary, read_text
from occlusim.files.polygons import check_corners, remark_polygons, triangulate
from occlusim.files.raw_mesh import RawMesh, broken, remark_unfinished

_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_NAMES = {
    "ascii": "PLY text",
    "binary_little_endian": "PLY binary little endian",
    "binary_big_endian": "PLY binary big endian",
}
_CORNER_LISTS = ("vertex_indices", "vertex_index")
_RESERVED = ("x", "y", "z", "red", "green", "blue")


def read_ply(data: bytes, path: Path) -> RawMesh:
    """Return the mesh of a PLY file's bytes; `MeshError` where the file is not whole."""
    style, elements, body = _read_header(data, path)
    if style == "ascii":
        columns = read_text(data[body:], elements, path)
    else:
        columns = read_binary(data, body, elements, _ORDERS[style], path)
    vertex, face = columns.get("vertex"), columns.get("face")
    if vertex is None or any(axis not in vertex.numbers for axis in "xyz"):
        raise broken(path, "the header names no vertices with x, y and z")
    coordinates = [vertex.numbers[axis] for axis in "xyz"]
    vertices = np.stack(coordinates, axis=1).astype(np.float64)
    remarks: list[tuple[str, str, str, int]] = []
    if style == "ascii":
        remark_unfinished(data, remarks)
    faces = np.empty((0, 3), dtype=np.int64)
    if face is not None:
        faces = _triangles(face, vertices, remarks, path)
    elif len(columns) > 1:
        others = ", ".join(name for name in columns if name != "vertex")
        message = f"the file holds no element 'face', but {others}, which are not read"
        remarks.append(("info", "elements_not_read", message, len(columns) - 1))
    fields = {
        name: values.astype(np.float64)
        for name, values in vertex.numbers.items()
        if name not in ("x", "y", "z")
    }
    is_double = any(values.dtype.itemsize == 8 for values in coordinates)
    return RawMesh(vertices, faces, _NAMES[style], is_double, fields, remarks)


def _triangles(
    face: Columns, vertices: Float64Array, remarks: list[tuple[str, str, str, int]], path: Path
) -> Int64Array:
    name = next((name for name in _CORNER_LISTS if name in face.lists), None)
    if name is None:
        raise broken(path, "the faces have no list 'vertex_indices' or 'vertex_index'")
    corners, n_corners = face.lists[name]
    is_whole = np.abs(corners) < 2.0**53
    if corners.dtype.kind == "f" and not (is_whole & (corners == np.floor(corners))).all():
        raise broken(path, f"the list {name} holds numbers that are no whole numbers")
    corners = corners.astype(np.int64)
    check_corners(corners, n_corners, len(vertices), path)
    dropped = sorted((set(face.numbers) | set(face.lists)) - {name})
    if dropped:
        message = f"numbers of faces are not kept: {', '.join(dropped)}"
        remarks.append(("info", "face_numbers_dropped", message, len(dropped)))
    faces, n_left_out = triangulate(vertices, corners, n_corners)
    remark_polygons(n_corners, n_left_out, remarks)
    return faces


def _read_header(data: bytes, path: Path) -> tuple[str, list[Element], int]:
    """Return the style, the elements and where the body starts."""
    position = 0
    style = ""
    elements: list[Element] = []
    for number in range(1, 10_000):
        end = data.find(b"\n", position)
        if end < 0:
            break
        words = data[position:end].decode("latin-1").split()
        position = end + 1
        if number == 1 and words != ["ply"]:
            raise broken(path, "does not start with the line 'ply'")
        if not words or words[0] in ("ply", "comment", "obj_info"):
            continue
        if words[0] == "end_header":
            if not style:
                raise broken(path, "the header names no format")
            return style, elements, position
        if words[0] == "format" and len(words) == 3 and words[1] in _ORDERS:
            style = words[1]
        elif words[0] in ("format", "element", "property"):
            _read_declaration(words, elements, f"line {number} of the header", path)
        # Any other line is a comment that an exporter has broken in two.
    raise broken(path, "truncated: the header does not end with 'end_header'")


def _read_declaration(words: list[str], elements: list[Element], place: str, path: Path) -> None:
    """Add an element or a property to `elements`."""
    known: list[str] = []
    if words[0] == "element" and len(words) == 3 and _is_count(words[2]):
        known = [element.name for element in elements]
        elements.append(Element(words[1], int(words[2]), []))
        name = words[1]
    elif words[0] == "property" and elements:
        known = [p.name for p in elements[-1].properties]
        new = _read_property(words, place, path)
        elements[-1].properties.append(new)
        name = new.name
    else:
        raise broken(path, f"{place}: {' '.join(words)[:60]!r} is not understood")
    if name in known:
        raise broken(path, f"{place} names {name!r} again")


def _is_count(word: str) -> bool:
    return word.isascii() and word.isdigit() and len(word) < 16


def _read_property(words: list[str], place: str, path: Path) -> Property:
    if len(words) == 3 and words[1] in TYPES:
        return Property(words[2], TYPES[words[1]])
    if len(words) == 5 and words[1] == "list" and words[2] in TYPES and words[3] in TYPES:
        count_type = TYPES[words[2]]
        if count_type[0] != "f":
            return Property(words[4], TYPES[words[3]], count_type)
    raise broken(path, f"{place}: {' '.join(words)[:60]!r} is no property")


def ply_bytes(
    vertices: Float64Array,
    faces: AnyArray,
    fields: Mapping[str, Float64Array],
    colours: AnyArray | None,
    float64: bool,
    unit: str,
) -> bytes:
    """Return a binary little-endian PLY.

    Parameters
    ----------
    vertices : (V, 3)
        In the unit named `unit`, which goes into a comment of the header.
    faces : (F, 3)
    fields : mapping of name to (V,)
        Written as single precision; a name is one word, and not one of a coordinate or colour.
    colours : (V, 3) of whole numbers 0 to 255, or None
    float64 : bool
        Whether coordinates keep double precision.
    unit : str
    """
    coordinate = "f8" if float64 else "f4"
    columns = [(axis, f"<{coordinate}") for axis in "xyz"]
    for name in fields:
        if not name.isascii() or len(name.split()) != 1 or name in _RESERVED:
            raise InputError(f"PLY: {name!r} cannot name a vertex number; one plain word is wanted")
        columns.append((name, "<f4"))
    if colours is not None:
        if colours.shape != (len(vertices), 3):
            raise InputError(f"PLY: colours of shape {colours.shape}, ({len(vertices)}, 3) wanted")
        columns += [(name, "u1") for name in ("red", "green", "blue")]
    table = np.empty(len(vertices), dtype=columns)
    for k, axis in enumerate("xyz"):
        table[axis] = vertices[:, k]
    for name, values in fields.items():
        table[name] = values
    if colours is not None:
        for k, name in enumerate(("red", "green", "blue")):
            table[name] = colours[:, k]
    rows = np.empty(len(faces), dtype=[("n", "u1"), ("corner", "<i4", 3)])
    rows["n"] = 3
    rows["corner"] = faces
    words = {"f4": "float", "f8": "double", "u1": "uchar"}
    header = ["ply", "format binary_little_endian 1.0", f"comment written by occlusim, unit {unit}"]
    header.append(f"element vertex {len(vertices)}")
    header += [f"property {words[kind.strip('<')]} {name}" for name, kind in columns]
    header += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header"]
    return "\n".join(header).encode("ascii") + b"\n" + table.tobytes() + rows.tobytes()
