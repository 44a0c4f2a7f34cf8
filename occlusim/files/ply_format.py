"""PLY, text and binary of either byte order, read and written with named vertex numbers.

Layout of the format: Turk, The PLY Polygon File Format, 1994 (from memory): a text header names
elements and their properties in order, the rows of all elements follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import AnyArray, Float64Array, Int64Array
from occlusim.errors import InputError
from occlusim.files.polygons import triangulate
from occlusim.files.raw_mesh import RawMesh, broken, numbers_from_words, remark_unfinished

_TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_NAMES = {
    "ascii": "PLY text",
    "binary_little_endian": "PLY binary little endian",
    "binary_big_endian": "PLY binary big endian",
}
_CORNER_LISTS = ("vertex_indices", "vertex_index")
MOST_CORNERS = 256
_RESERVED = ("x", "y", "z", "red", "green", "blue")


@dataclass(frozen=True, slots=True)
class _Property:
    """One column of an element; a list where `count_type` is given."""

    name: str
    type: str
    count_type: str = ""


@dataclass(frozen=True, slots=True)
class _Element:
    name: str
    count: int
    properties: list[_Property]


@dataclass(frozen=True, slots=True)
class _Columns:
    """The rows of one element: numbers (n,) by name, lists as (flat values, lengths (n,))."""

    numbers: dict[str, AnyArray]
    lists: dict[str, tuple[AnyArray, Int64Array]]


def read_ply(data: bytes, path: Path) -> RawMesh:
    """Return the mesh of a PLY file's bytes; `MeshError` where the file is not whole."""
    style, elements, body = _read_header(data, path)
    if style == "ascii":
        columns = _read_text(data[body:], elements, path)
    else:
        columns = _read_binary(data, body, elements, _ORDERS[style], path)
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
    face: _Columns, vertices: Float64Array, remarks: list[tuple[str, str, str, int]], path: Path
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


def check_corners(corners: Int64Array, n_corners: Int64Array, n_vertices: int, path: Path) -> None:
    """Raise `MeshError` where a face names a missing vertex or has absurdly many corners."""
    if len(n_corners) and n_corners.max() > MOST_CORNERS:
        raise broken(path, f"a face of {n_corners.max()} corners is absurd")
    bad = np.flatnonzero((corners < 0) | (corners >= n_vertices))
    if len(bad):
        raise broken(
            path,
            f"{len(bad)} corners of faces name a vertex that is not there, the first is "
            f"{corners[bad[0]]}; the file holds vertices 0 to {n_vertices - 1}",
        )


def remark_polygons(
    n_corners: Int64Array, n_left_out: int, remarks: list[tuple[str, str, str, int]]
) -> None:
    """Add what was cut into triangles and what was left out."""
    n_polygons = int((n_corners > 3).sum())
    if n_polygons:
        message = f"{n_polygons} faces of more than three corners were cut into triangles"
        remarks.append(("info", "polygons_cut", message, n_polygons))
    if n_left_out:
        message = f"{n_left_out} faces of fewer than three corners were left out"
        remarks.append(("warning", "faces_without_area", message, n_left_out))


def _read_header(data: bytes, path: Path) -> tuple[str, list[_Element], int]:
    """Return the style, the elements and where the body starts."""
    position = 0
    style = ""
    elements: list[_Element] = []
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


def _read_declaration(words: list[str], elements: list[_Element], place: str, path: Path) -> None:
    """Add an element or a property to `elements`."""
    known: list[str] = []
    if words[0] == "element" and len(words) == 3 and _is_count(words[2]):
        known = [element.name for element in elements]
        elements.append(_Element(words[1], int(words[2]), []))
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


def _read_property(words: list[str], place: str, path: Path) -> _Property:
    if len(words) == 3 and words[1] in _TYPES:
        return _Property(words[2], _TYPES[words[1]])
    if len(words) == 5 and words[1] == "list" and words[2] in _TYPES and words[3] in _TYPES:
        count_type = _TYPES[words[2]]
        if count_type[0] != "f":
            return _Property(words[4], _TYPES[words[3]], count_type)
    raise broken(path, f"{place}: {' '.join(words)[:60]!r} is no property")


def _short(path: Path, element: _Element, held: int) -> Exception:
    return broken(
        path,
        f"truncated: the header promises {element.count} rows of '{element.name}', "
        f"the file holds {held}",
    )


def _read_text(body: bytes, elements: list[_Element], path: Path) -> dict[str, _Columns]:
    words = body.split()
    position = 0
    columns: dict[str, _Columns] = {}
    for element in elements:
        if any(p.count_type for p in element.properties):
            rows, position = _text_lists(words, position, element, path)
        else:
            n = len(element.properties)
            held = (len(words) - position) // n if n else element.count
            if held < element.count:
                raise _short(path, element, held)
            end = position + n * element.count
            what = f"rows of '{element.name}'"
            table = numbers_from_words(words[position:end], path, what).reshape(element.count, n)
            position = end
            # A number declared as single precision is one: round as the binary form would.
            rows = _Columns(
                {
                    p.name: table[:, k].astype(np.float32) if p.type == "f4" else table[:, k]
                    for k, p in enumerate(element.properties)
                },
                {},
            )
        columns[element.name] = rows
    if position < len(words):
        raise broken(
            path,
            f"{len(words) - position} numbers follow the last row that the header promises",
        )
    return columns


def _text_lists(
    words: list[bytes], position: int, element: _Element, path: Path
) -> tuple[_Columns, int]:
    """Read rows with lists one by one."""
    values: dict[str, list[bytes]] = {p.name: [] for p in element.properties}
    lengths: dict[str, list[int]] = {p.name: [] for p in element.properties if p.count_type}
    for row in range(element.count):
        for p in element.properties:
            n = 1
            if p.count_type:
                if position >= len(words):
                    raise _short(path, element, row)
                word = words[position]
                if not word.isdigit() or len(word) > 15:
                    shown = word[:20].decode("ascii", "replace")
                    raise broken(path, f"row {row} of '{element.name}': list length {shown!r}")
                n = int(word)
                position += 1
                lengths[p.name].append(n)
            if position + n > len(words):
                raise _short(path, element, row)
            values[p.name] += words[position : position + n]
            position += n
    what = f"rows of '{element.name}'"
    arrays = {name: numbers_from_words(held, path, what) for name, held in values.items()}
    return _sorted_columns(element, arrays, lengths), position


def _sorted_columns(
    element: _Element, arrays: Mapping[str, AnyArray], lengths: Mapping[str, list[int]]
) -> _Columns:
    return _Columns(
        {p.name: arrays[p.name] for p in element.properties if not p.count_type},
        {
            p.name: (arrays[p.name], np.array(lengths[p.name], dtype=np.int64))
            for p in element.properties
            if p.count_type
        },
    )


def _read_binary(
    data: bytes, position: int, elements: list[_Element], order: str, path: Path
) -> dict[str, _Columns]:
    columns: dict[str, _Columns] = {}
    for element in elements:
        if any(p.count_type for p in element.properties):
            rows, position = _binary_lists(data, position, element, order, path)
        else:
            row = np.dtype([(f"{k}", order + p.type) for k, p in enumerate(element.properties)])
            held = (len(data) - position) // row.itemsize if row.itemsize else element.count
            if held < element.count:
                raise _short(path, element, held)
            numbers: dict[str, AnyArray] = {}
            if row.itemsize:
                table = np.frombuffer(data, row, element.count, position)
                numbers = {p.name: table[f"{k}"] for k, p in enumerate(element.properties)}
            rows = _Columns(numbers, {})
            position += row.itemsize * element.count
        columns[element.name] = rows
    if position < len(data.rstrip(b"\r\n")):
        raise broken(
            path, f"{len(data) - position} bytes follow the last row that the header promises"
        )
    return columns


def _binary_lists(
    data: bytes, position: int, element: _Element, order: str, path: Path
) -> tuple[_Columns, int]:
    """Read rows with lists: at once where all rows are alike, else one by one."""
    at_once = _alike_rows(data, position, element, order)
    if at_once is not None:
        return at_once
    items: dict[str, list[AnyArray]] = {p.name: [] for p in element.properties}
    lengths: dict[str, list[int]] = {p.name: [] for p in element.properties if p.count_type}
    types = {p.name: np.dtype(order + p.type) for p in element.properties}
    for row in range(element.count):
        for p in element.properties:
            n = 1
            if p.count_type:
                size = int(p.count_type[1])
                if position + size > len(data):
                    raise _short(path, element, row)
                n = int(np.frombuffer(data, order + p.count_type, 1, position)[0])
                position += size
                if n < 0:
                    raise broken(path, f"row {row} of '{element.name}': list length {n}")
                lengths[p.name].append(n)
            size = n * types[p.name].itemsize
            if position + size > len(data):
                raise _short(path, element, row)
            items[p.name].append(np.frombuffer(data, types[p.name], n, position))
            position += size
    arrays = {
        name: np.concatenate(parts) if parts else np.empty(0, types[name])
        for name, parts in items.items()
    }
    return _sorted_columns(element, arrays, lengths), position


def _alike_rows(
    data: bytes, position: int, element: _Element, order: str
) -> tuple[_Columns, int] | None:
    """Read rows whose lists all have the lengths of the first row's; None where they do not."""
    if element.count == 0:
        return None
    columns: list[Any] = []
    end = position
    first: dict[str, int] = {}
    for k, p in enumerate(element.properties):
        n = 1
        if p.count_type:
            size = int(p.count_type[1])
            if end + size > len(data):
                return None
            n = int(np.frombuffer(data, order + p.count_type, 1, end)[0])
            if not 0 <= n <= 64:
                return None
            first[p.name] = n
            columns.append((f"n{k}", order + p.count_type))
            end += size
            columns.append((f"{k}", order + p.type, (n,)))
        else:
            columns.append((f"{k}", order + p.type))
        end += n * int(p.type[1])
    row = np.dtype(columns)
    if position + row.itemsize * element.count > len(data):
        return None
    table = np.frombuffer(data, row, element.count, position)
    for k, p in enumerate(element.properties):
        if p.count_type and (table[f"n{k}"] != first[p.name]).any():
            return None
    arrays = {p.name: table[f"{k}"].reshape(-1) for k, p in enumerate(element.properties)}
    lengths = {name: [n] * element.count for name, n in first.items()}
    return _sorted_columns(element, arrays, lengths), position + row.itemsize * element.count


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
