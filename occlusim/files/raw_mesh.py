"""What a mesh reader hands on, before it is checked and brought to millimetres."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.errors import MeshError

AGAIN = "export the mesh again from the program that made it, or copy the file again"


@dataclass(frozen=True, slots=True)
class RawMesh:
    """Vertices (V, 3) in the file's unit and triangles (F, 3), as read.

    `fields` holds every further number of a vertex by its name in the file, (V,) each.
    `is_double` says that the coordinates carry more than single precision. `remarks` are
    (severity, code, message, count) of what the reader noticed or had to leave out.
    """

    vertices: Float64Array
    faces: Int64Array
    format: str
    is_double: bool
    fields: dict[str, Float64Array] = field(default_factory=dict)
    remarks: list[tuple[str, str, str, int]] = field(default_factory=list)


def broken(path: Path, finding: str, remedy: str = AGAIN) -> MeshError:
    """Return the error of a file that cannot be used: its name, what was found, what to do."""
    return MeshError(f"{path}: {finding}. What to do: {remedy}.")


def remark_unfinished(text: bytes, remarks: list[tuple[str, str, str, int]]) -> None:
    """Add that the last line does not end: its last number may have been cut."""
    if not text.endswith((b"\n", b"\r")):
        message = "the last line does not end; make sure that its last number is whole"
        remarks.append(("info", "unfinished_line", message, 1))


def numbers_from_words(words: list[bytes], path: Path, what: str) -> Float64Array:
    """Return text numbers (n,) as float64, or raise `MeshError` naming the first that is none.

    Python's own conversion is used: it is exact and knows no half-read numbers, but it also
    takes the underscores of its own language, which no mesh file has.
    """
    try:
        if b"_" in b" ".join(words):
            raise ValueError
        return np.array([float(word) for word in words], dtype=np.float64)
    except ValueError:
        bad = next(word for word in words if not _is_number(word))
        shown = bad[:40].decode("ascii", "replace")
        raise broken(path, f"{what}: {shown!r} is not a number") from None


def _is_number(word: bytes) -> bool:
    if b"_" in word:
        return False
    try:
        float(word)
    except ValueError:
        return False
    return True
