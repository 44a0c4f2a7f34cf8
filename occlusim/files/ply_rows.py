"""The rows of a PLY file: numbers and lists of every element, text or binary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import AnyArray, Int64Array
from occlusim.files.raw_mesh import broken, numbers_from_words

TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}


@dataclass(frozen=True, slots=True)
class Property:
    """One column of an element; a list where `count_type` is given."""

    name: str
    type: str
    count_type: str = ""


@dataclass(frozen=True, slots=True)
class Element:
    """The rows of one kind that the header promises."""

    name: str
    count: int
    properties: list[Property]


@dataclass(frozen=True, slots=True)
class Columns:
    """The rows of one element: numbers (n,) by name, lists as (flat values, lengths (n,))."""

    numbers: dict[str, AnyArray]
    lists: dict[str, tuple[AnyArray, Int64Array]]


def _short(path: Path, element: Element, held: int) -> Exception:
    return broken(
        path,
        f"truncated: the header promises {element.count} rows of '{element.name}', "
        f"the file holds {held}",
    )


def read_text(body: bytes, elements: list[Element], path: Path) -> dict[str, Columns]:
    """Return the columns of every element of a text body, or raise `MeshError`."""
    words = body.split()
    position = 0
    columns: dict[str, Columns] = {}
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
            rows = Columns(
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
    words: list[bytes], position: int, element: Element, path: Path
) -> tuple[Columns, int]:
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
    element: Element, arrays: Mapping[str, AnyArray], lengths: Mapping[str, list[int]]
) -> Columns:
    return Columns(
        {p.name: arrays[p.name] for p in element.properties if not p.count_type},
        {
            p.name: (arrays[p.name], np.array(lengths[p.name], dtype=np.int64))
            for p in element.properties
            if p.count_type
        },
    )


def read_binary(
    data: bytes, position: int, elements: list[Element], order: str, path: Path
) -> dict[str, Columns]:
    """Return the columns of every element from a position on; `order` is < or >."""
    columns: dict[str, Columns] = {}
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
            rows = Columns(numbers, {})
            position += row.itemsize * element.count
        columns[element.name] = rows
    if position < len(data.rstrip(b"\r\n")):
        raise broken(
            path, f"{len(data) - position} bytes follow the last row that the header promises"
        )
    return columns


def _binary_lists(
    data: bytes, position: int, element: Element, order: str, path: Path
) -> tuple[Columns, int]:
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
    data: bytes, position: int, element: Element, order: str
) -> tuple[Columns, int] | None:
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
