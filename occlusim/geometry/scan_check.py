"""What is wrong with a scan, in plain words, and the scan without what cannot be used.

Nothing is changed silently: every finding tells how many and where, and `clean_scan` leaves out
only what a finding has named, and lists it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, Int64Array
from occlusim.errors import MeshError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_parts import ScanParts, outer_side, scan_parts, spikes, turned_faces
from occlusim.geometry.surface import Surface
from occlusim.kernels.topology import COLLAPSED, DUPLICATE, EDGE_CROWDED

Severity = Literal["info", "warning", "error"]

SIZES_MM: Mapping[str, tuple[float, float]] = {
    "upper": (20.0, 130.0),
    "lower": (20.0, 130.0),
    "bite": (6.0, 110.0),
    "retruded_bite": (6.0, 110.0),
    "crown": (3.5, 90.0),
    "": (3.5, 200.0),
}
"""Longest side of the box around a mesh that is plausible in mm, from memory.

An arch is 45 to 75 mm wide and long, a scan of one side 25 mm and more, a trimmed cast up to
110 mm; a single crown 7 to 12 mm, a bridge over the whole arch up to 80 mm.
"""

UNITS: Mapping[str, float] = {"um": 1e-3, "cm": 10.0, "inch": 25.4, "m": 1000.0}

SPECK_AREA_MM2 = 5.0
SPECK_SHARE = 0.02
TURNED_SHARE = 0.01
SLIVER_RATIO = 0.01


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing seen on a mesh, in plain words.

    `role` is what the mesh is for ('upper', 'lower', 'bite', 'retruded_bite', 'crown', or '' where
    unknown) and `count` how many places it was seen at.
    """

    severity: Severity
    code: str
    message: str
    role: str = ""
    count: int = 0


@dataclass(frozen=True, slots=True)
class CleanedScan:
    """A scan without what cannot be used.

    `vertex` (V,) and `face` (F,) are the numbers in the original mesh; `left_out` tells what
    was left out or turned over.
    """

    mesh: TriangleMesh
    vertex: Int32Array
    face: Int32Array
    left_out: tuple[Finding, ...]


def check_scan(
    mesh: TriangleMesh, role: str = "", parts: ScanParts | None = None
) -> tuple[Finding, ...]:
    """Return what is to be said about a scan, worst first.

    Parameters
    ----------
    mesh : TriangleMesh
        In mm, as far as the case file's unit is right.
    role : str
        'upper', 'lower', 'bite', 'crown', or '' where unknown.
    parts : ScanParts
        Of the mesh, where they are known already.

    Returns
    -------
    findings : tuple of Finding
        An 'error' means that numbers computed on the mesh would be wrong.

    Raises
    ------
    MeshError
        If the role is unknown.
    """
    if role not in SIZES_MM:
        known = ", ".join(repr(name) for name in SIZES_MM)
        raise MeshError(f"role: {role!r} given, one of {known} wanted")
    findings = _size(mesh, role)
    try:
        parts = parts or scan_parts(mesh)
    except MeshError:
        message = f"none of the {len(mesh.faces)} faces has an area: export the surface again"
        return (*findings, Finding("error", "no_area", message, role, len(mesh.faces)))
    checks: tuple[Callable[[ScanParts, str], list[Finding]], ...] = (
        _turned,
        _inside_out,
        _borders,
        _spare_faces,
        _crowded,
        _pieces,
        _spikes,
        _slivers,
        _vertices,
    )
    for check in checks:
        findings += check(parts, role)
    order = ("error", "warning", "info")
    return tuple(sorted(findings, key=lambda finding: order.index(finding.severity)))


def _at(points: Float64Array) -> str:
    """Return where the middle of some points (n, 3) lies."""
    x, y, z = points.mean(axis=0)
    return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"


def _share(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:.2g} % of the area"


def _size(mesh: TriangleMesh, role: str) -> list[Finding]:
    is_used = np.zeros(len(mesh.vertices), dtype=np.bool_)
    is_used[mesh.faces] = True
    sides = np.ptp(mesh.vertices[is_used], axis=0)
    longest = float(sides.max())
    low, high = SIZES_MM[role]
    if low <= longest <= high:
        return []
    fitting = [unit for unit, mm in UNITS.items() if low <= longest * mm <= high]
    # The same number could also stand for more than one unit, or for none of them.
    size = f"the longest side measures {longest:.4g} mm, {low:g} to {high:g} mm is plausible"
    if fitting:
        units = " or ".join(f'"{unit}"' for unit in fitting)
        words = f"{size}: the coordinates look like {units}; set units = {units} for this file"
        return [Finding("error", "unit", words, role, 1)]
    return [Finding("warning", "size", f"{size}; check the file and its unit", role, 1)]


def _turned(parts: ScanParts, role: str) -> list[Finding]:
    turned, is_solvable = turned_faces(parts)
    if len(turned) == 0 and is_solvable:
        return []
    area = parts.topology.face_area_mm2
    share = area[turned].sum() / area.sum()
    if is_solvable:
        where = _at(parts.mesh.vertices[parts.faces[turned[0]]])
        words = (
            f"{len(turned)} faces ({_share(area[turned].sum(), area.sum())}) look the other way "
            f"than the faces around them, the first at {where}"
        )
    else:
        words = "the surface has one side only: its faces cannot be made to agree"
    is_bad = share > TURNED_SHARE or not is_solvable
    if is_bad:
        words += "; unify the normals in a mesh program"
    code = "faces_inconsistent" if is_bad else "faces_turned"
    return [Finding("error" if is_bad else "warning", code, words, role, max(1, len(turned)))]


def _inside_out(parts: ScanParts, role: str) -> list[Finding]:
    area = parts.piece_area_mm2
    judged = np.flatnonzero(~_is_speck(parts))
    inwards = [int(piece) for piece in judged if outer_side(parts, int(piece)) < 0]
    if not inwards:
        return []
    share = float(area[inwards].sum() / area.sum())
    where = _at(parts.mesh.vertices[parts.faces[parts.piece == inwards[0]][:, 0]])
    if share > 0.5:
        words = "the faces look inwards (inside out); flip the normals in a mesh program"
        severity: Severity = "warning" if role.endswith("bite") else "error"
        return [Finding(severity, "inside_out", words, role, len(inwards))]
    words = (
        f"{len(inwards)} of {len(area)} pieces ({_share(share, 1.0)}) look inwards, the first "
        f"around {where}"
    )
    severity = "error" if role in ("upper", "lower") and share > 0.05 else "warning"
    return [Finding(severity, "piece_inside_out", words, role, len(inwards))]


def _borders(parts: ScanParts, role: str) -> list[Finding]:
    length = parts.loop_length_mm
    if len(length) == 0:
        return [Finding("info", "closed", "the surface is closed", role, 0)]
    longest = int(np.argmax(length))
    edges = parts.open_edges[parts.loop == longest]
    where = _at(parts.mesh.vertices[edges[:, 0]])
    if role == "crown":
        words = (
            f"the crown is open: {len(length)} border loops, the longest {length[longest]:.1f} mm "
            f"around {where}; wall thickness and a watertight result need a closed crown, or its "
            "inner surface as a second file"
        )
        return [Finding("warning", "crown_open", words, role, len(length))]
    found = [
        Finding(
            "info",
            "open",
            f"the surface is open: its longest border measures {length[longest]:.1f} mm",
            role,
            len(length),
        )
    ]
    holes = np.delete(np.arange(len(length)), longest)
    if len(holes):
        largest = holes[np.argmax(length[holes])]
        where = _at(parts.mesh.vertices[parts.open_edges[parts.loop == largest][:, 0]])
        words = (
            f"{len(holes)} further border loops (holes or loose edges), the longest "
            f"{length[largest]:.2f} mm at {where}; distances behind them are unknown"
        )
        found.append(Finding("info", "holes", words, role, len(holes)))
    return found


def _spare_faces(parts: ScanParts, role: str) -> list[Finding]:
    found = []
    for fate, code, words in (
        (COLLAPSED, "degenerate_faces", "have two corners in one place"),
        (DUPLICATE, "duplicate_faces", "repeat another face"),
    ):
        which = np.flatnonzero(parts.topology.fate == fate)
        if len(which):
            where = _at(parts.mesh.vertices[parts.faces[which[0]]])
            message = f"{len(which)} faces {words}, the first at {where}; they are left out"
            found.append(Finding("warning", code, message, role, len(which)))
    return found


def _crowded(parts: ScanParts, role: str) -> list[Finding]:
    found = []
    face, k = np.nonzero(parts.topology.edge_code == EDGE_CROWDED)
    crowded = np.stack([parts.faces[face, k], parts.faces[face, (k + 1) % 3]], axis=1)
    if len(crowded):
        edges = np.unique(np.sort(crowded, axis=1), axis=0)
        where = _at(parts.mesh.vertices[edges[0]])
        words = (
            f"{len(edges)} edges belong to three faces or more (non-manifold), the first at "
            f"{where}; the inner side is not certain there"
        )
        found.append(Finding("warning", "crowded_edges", words, role, len(edges)))
    kept = parts.is_kept
    fan = parts.topology.fan[kept].reshape(-1)
    vertex_of_fan = np.zeros(fan.max() + 1, dtype=np.int64)
    vertex_of_fan[fan] = parts.faces[kept].reshape(-1)
    fans = np.bincount(vertex_of_fan, minlength=len(parts.mesh.vertices))
    fans[crowded.reshape(-1)] = 0
    touching = np.flatnonzero(fans > 1)
    if len(touching):
        where = _at(parts.mesh.vertices[touching[:1]])
        words = f"{len(touching)} vertices join sheets that only touch there, the first at {where}"
        found.append(Finding("info", "touching_vertices", words, role, len(touching)))
    return found


def _is_speck(parts: ScanParts) -> np.ndarray:
    area = parts.piece_area_mm2
    return (area < SPECK_AREA_MM2) & (area < SPECK_SHARE * area.max())


def _pieces(parts: ScanParts, role: str) -> list[Finding]:
    found = []
    is_speck = _is_speck(parts)
    specks = np.flatnonzero(is_speck)
    if len(specks):
        area = parts.piece_area_mm2
        largest = specks[np.argmax(area[specks])]
        where = _at(parts.mesh.vertices[parts.faces[parts.piece == largest][:, 0]])
        words = (
            f"{len(specks)} loose specks ({area[specks].sum():.2g} mm2), the largest "
            f"{area[largest]:.2g} mm2 at {where}; "
            + ("on a crown they are kept" if role == "crown" else "they are left out")
        )
        found.append(Finding("warning", "specks", words, role, len(specks)))
    n_pieces = int((~is_speck).sum())
    if n_pieces > 1 and role == "crown":
        found += _crown_pieces(parts, np.flatnonzero(~is_speck))
    elif n_pieces > 1:
        words = f"the surface consists of {n_pieces} separate pieces"
        found.append(Finding("info", "pieces", words, role, n_pieces))
    return found


def _crown_pieces(parts: ScanParts, pieces: Int64Array) -> list[Finding]:
    """Return what the further pieces of a crown are: a cavity, a body within the body, or apart."""
    largest = int(pieces[np.argmax(parts.piece_area_mm2[pieces])])
    if outer_side(parts, largest) < 0:
        return []  # inside out: what lies within what is not to be told before that is mended
    body = Surface.build(parts.mesh.submesh(_faces_of(parts, largest))[0])
    apart, found = 0, []
    for piece in (int(k) for k in pieces if k != largest):
        points = parts.mesh.vertices[np.unique(parts.faces[parts.piece == piece])]
        where = _at(points)
        # NaN, where only the open border of the body is near, is not inside.
        if not (body.signed_distance(points) < 0.0).all():
            apart += 1
        elif outer_side(parts, piece) < 0:
            words = f"a shell around {where} lies within the crown: it is taken as a cavity"
            found.append(Finding("warning", "crown_cavity", words, "crown", 1))
        else:
            words = (
                f"a second shell around {where} lies within the crown and looks outwards too, so "
                "its material would count twice; leave it out, or flip its normals if it is a "
                "cavity or the crown's inner surface"
            )
            found.append(Finding("error", "crown_nested", words, "crown", 1))
    if apart:
        words = (
            f"the crown consists of {apart + 1} pieces beside each other: all are checked as one "
            "crown; leave out what does not belong to it"
        )
        found.append(Finding("warning", "crown_pieces", words, "crown", apart + 1))
    return found


def _faces_of(parts: ScanParts, piece: int) -> Int32Array:
    return np.flatnonzero(parts.piece == piece).astype(np.int32)


def _spikes(parts: ScanParts, role: str) -> list[Finding]:
    found = spikes(parts)
    if len(found) == 0:
        return []
    where = _at(parts.mesh.vertices[found[:1]])
    words = f"{len(found)} single vertices stand out like spikes, the first at {where}"
    words += "; look at them: on a crown they are kept" if role == "crown" else "; left out"
    return [Finding("warning", "spikes", words, role, len(found))]


def _slivers(parts: ScanParts, role: str) -> list[Finding]:
    corners = parts.mesh.vertices[parts.faces]
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    longest = sides.max(axis=1)
    height = 2.0 * parts.topology.face_area_mm2
    is_sliver = parts.is_kept & (height < SLIVER_RATIO * longest**2)
    slivers = np.flatnonzero(is_sliver)
    if len(slivers) == 0:
        return []
    where = _at(corners[slivers[0]])
    words = (
        f"{len(slivers)} faces are slivers (lower than 1 % of their length), the first at {where}"
    )
    severity: Severity = "warning" if len(slivers) > 0.05 * len(corners) else "info"
    return [Finding(severity, "slivers", words, role, len(slivers))]


def _vertices(parts: ScanParts, role: str) -> list[Finding]:
    found = []
    is_used = np.zeros(len(parts.mesh.vertices), dtype=np.bool_)
    is_used[parts.mesh.faces.reshape(-1)] = True
    used = np.flatnonzero(is_used)
    n_unused = len(parts.mesh.vertices) - len(used)
    if n_unused:
        words = f"{n_unused} vertices belong to no face"
        is_much = n_unused > 0.01 * len(parts.mesh.vertices)
        if is_much:
            words += "; make sure that the file is whole"
        severity: Severity = "warning" if is_much else "info"
        found.append(Finding(severity, "unused_vertices", words, role, n_unused))
    n_twice = int((parts.topology.vertex_of[used] != used).sum())
    if n_twice:
        words = f"{n_twice} vertices lie exactly on another; they are taken as one"
        found.append(Finding("info", "coincident_vertices", words, role, n_twice))
    return found


def clean_scan(
    mesh: TriangleMesh, findings: Sequence[Finding], parts: ScanParts | None = None
) -> CleanedScan:
    """Return the scan without what its findings say is left out.

    Parameters
    ----------
    mesh : TriangleMesh
        The mesh that was checked.
    findings : sequence of Finding
        What `check_scan` returned for it. Degenerate and repeated faces and loose specks are left
        out; so are the faces around spikes, except on a crown, which must stay closed; few turned
        faces are turned back. What no finding names stays as it is.
    parts : ScanParts
        Of the mesh, where they are known already.

    Returns
    -------
    CleanedScan
        No vertex moves: those of faces that stay keep their coordinates to the bit.
    """
    codes = {finding.code: finding for finding in findings}
    n_faces = len(mesh.faces)
    everything = np.arange(n_faces, dtype=np.int32)
    wanted = {"degenerate_faces", "duplicate_faces", "specks", "spikes", "faces_turned"}
    if not wanted & set(codes):
        return CleanedScan(mesh, np.arange(len(mesh.vertices), dtype=np.int32), everything, ())
    parts = parts or scan_parts(mesh)
    drop: dict[str, Int64Array] = {}
    for fate, code in ((COLLAPSED, "degenerate_faces"), (DUPLICATE, "duplicate_faces")):
        drop[code] = np.flatnonzero(parts.topology.fate == fate)
    drop["specks"] = np.flatnonzero(
        parts.is_kept & np.isin(parts.piece, np.flatnonzero(_is_speck(parts)))
    )
    on_spike = np.isin(parts.faces, spikes(parts)).any(axis=1)
    drop["spikes"] = np.flatnonzero(parts.is_kept & on_spike)
    is_left = np.ones(n_faces, dtype=np.bool_)
    left_out = []
    for code, faces in drop.items():
        finding = codes.get(code)
        if finding is None or (code == "spikes" and finding.role == "crown"):
            continue
        is_left[faces] = False
        words = f"{len(faces)} faces left out: {finding.message}"
        left_out.append(Finding("info", f"left_out_{code}", words, finding.role, len(faces)))
    faces = mesh.faces.copy()
    if "faces_turned" in codes:
        turned = turned_faces(parts)[0]
        faces[turned] = faces[turned][:, ::-1]
        words = f"{len(turned)} faces turned over to agree with the faces around them"
        role = codes["faces_turned"].role
        left_out.append(Finding("info", "turned_back", words, role, len(turned)))
    face = np.flatnonzero(is_left).astype(np.int32)
    cleaned, vertex = TriangleMesh(mesh.vertices, faces).submesh(face)
    return CleanedScan(cleaned, vertex, face, tuple(left_out))
