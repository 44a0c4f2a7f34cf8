"""OBJ, its vertices and faces read; materials, normals, lines and points are passed over.

Layout of the format: Wavefront, Object Files (.obj), appendix B1 of the Advanced Visualizer
manual, 1990s (from memory): one statement a line, a backslash carries on, corners are
``vertex/texture/normal`` counted from 1, or from the last vertex backwards where negative.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from occlusim.files.polygons import check_corners, remark_polygons, triangulate
from occlusim.files.raw_mesh import RawMesh, broken, numbers_from_words, remark_unfinished

_PASSED_OVER = (b"curv", b"curv2", b"surf", b"bmat", b"cstype")


def read_obj(data: bytes, path: Path) -> RawMesh:
    """Return the mesh of an OBJ file's bytes; `MeshError` where it is wrong or cut off."""
    text = _as_plain_bytes(data, path)
    words: list[bytes] = []
    corners: list[int] = []
    n_corners: list[int] = []
    n_vertices = n_free_form = 0
    lines = text.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ").splitlines()
    for number, line in enumerate(lines, start=1):
        parts = line.split()
        if not parts:
            continue
        key = parts[0]
        if key == b"v":
            if len(parts) < 4:
                raise broken(path, f"line {number}: a vertex of {len(parts) - 1} numbers, 3 wanted")
            words += parts[1:4]
            n_vertices += 1
        elif key in (b"f", b"fo"):
            row = [_corner(word, n_vertices, number, path) for word in parts[1:]]
            corners += row
            n_corners.append(len(row))
        elif key in _PASSED_OVER:
            n_free_form += 1
    if n_corners and n_corners[-1] < 3 and lines[-1].split()[:1] == [b"f"]:
        raise broken(path, f"truncated: the last face has only {n_corners[-1]} corners")
    vertices = numbers_from_words(words, path, "vertex of an OBJ").reshape(-1, 3)
    index = np.array(corners, dtype=np.int64)
    lengths = np.array(n_corners, dtype=np.int64)
    check_corners(index, lengths, n_vertices, path)
    if len(index) and not text.endswith(b"\n") and len(np.unique(index)) < n_vertices:
        raise broken(
            path,
            "truncated: the last line does not end, and "
            f"{n_vertices - len(np.unique(index))} vertices belong to no face",
        )
    faces, n_left_out = triangulate(vertices, index, lengths)
    remarks: list[tuple[str, str, str, int]] = []
    remark_polygons(lengths, n_left_out, remarks)
    remark_unfinished(text, remarks)
    if n_free_form:
        message = f"{n_free_form} statements of curved surfaces were not read"
        remarks.append(("warning", "curved_surfaces_not_read", message, n_free_form))
    return RawMesh(vertices, faces, "OBJ", True, remarks=remarks)


def _as_plain_bytes(data: bytes, path: Path) -> bytes:
    """Return the text with one byte a character, whatever coding its mark tells."""
    for mark, coding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "")):
        if data.startswith(mark):
            if not coding:
                return data[len(mark) :]
            try:
                return data.decode(coding).encode("utf-8")
            except UnicodeDecodeError:
                raise broken(path, "the text is marked as UTF-16 but is not whole") from None
    if b"\0" in data:
        raise broken(path, "named .obj, but is no text", "check the format, name the file after it")
    return data


def _corner(word: bytes, n_vertices: int, number: int, path: Path) -> int:
    """Return the vertex index, from 0, that one corner names."""
    try:
        index = int(word.partition(b"/")[0])
    except ValueError:
        shown = word[:20].decode("ascii", "replace")
        raise broken(path, f"line {number}: {shown!r} is no corner of a face") from None
    if n_vertices + index < 0 or index == 0 or abs(index) > 2**40:
        raise broken(
            path, f"line {number}: corner {index} names a vertex that is not there ({n_vertices})"
        )
    return n_vertices + index if index < 0 else index - 1
