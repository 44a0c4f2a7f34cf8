"""Teeth found on an arch scan that carries no tooth numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from occlusim.arrays import Float64Array, frozen
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.jaw.arch_map import (
    HALF_BAND_MM,
    STEP_MM,
    ArchCurve,
    UnrolledArch,
    arch_curve,
    height_map,
    to_patient,
    unroll_arch,
)
from occlusim.jaw.axes import ArchOrientation, mesh_of
from occlusim.jaw.numbering import check_teeth, check_tooth, is_upper, position_of, sort_along_arch
from occlusim.jaw.row_fit import CROWN_LENGTH_MM, RowEvidence, RowFit, fit_row, row_evidence

END_WALL_MM = 2.5
"""How far the outer wall of the last tooth may reach beyond the width that fits best."""

MARGIN_SCALE = 3.0
"""Margin of costs that counts as odds of e to 1; chosen, as the evidence is not independent."""


@dataclass(frozen=True, slots=True)
class TeethOnScan:
    """Which tooth each vertex of a scan belongs to.

    Attributes
    ----------
    tooth : (V,) int16
        ISO 3950 number; 0 where it is no tooth (gingiva, palate, a trimmed base).
    centroids
        Middle of the surface of each tooth, (3,) mm, in the scan's frame, in arch order.
    confidence
        From 0 to 1: how clear the valleys between the teeth are and how well the widths fit the
        handbook's. 1 where tooth numbers were given with the scan.
    method
        ``given`` or ``found``.
    """

    tooth: NDArray[np.int16]
    centroids: Mapping[int, Float64Array]
    confidence: float
    method: str = "found"

    def __post_init__(self) -> None:
        object.__setattr__(self, "tooth", frozen(self.tooth, np.int16))

    @property
    def present(self) -> tuple[int, ...]:
        """The teeth on the scan, from the patient's right to left."""
        return sort_along_arch(self.centroids)


@dataclass(frozen=True, slots=True)
class LocatedRow:
    """What the location rests on: vertices in patient axes and unrolled, and the fitted row."""

    patient: Float64Array
    arc_mm: Float64Array
    offset_mm: Float64Array
    arch: UnrolledArch
    evidence: RowEvidence
    fit: RowFit


def locate_teeth(
    surface: Any,
    orientation: ArchOrientation,
    is_upper: bool,
    known: Mapping[int, ArrayLike] | None = None,
    missing: Iterable[int] = (),
    labels: ArrayLike | None = None,
) -> TeethOnScan:
    """Return the teeth on an arch scan.

    Parameters
    ----------
    surface
        The scan: a mesh, or what holds one.
    orientation
        Right, anterior and superior in the frame of this scan.
    is_upper
        Whether it is the upper arch.
    known : {tooth: (3,)}, mm
        Middle of teeth whose place is known, such as the crown, in the frame of this scan. The
        surface there may be a gap, a stump or an abutment.
    missing
        Teeth known to be absent, of either arch.
    labels : (V,)
        Tooth numbers that came with the scan; then nothing is searched.

    Raises
    ------
    InputError
        If a known tooth belongs to the other arch or lies off the row.
    DegenerateProblem
        If the scan shows no row of teeth around the front.
    """
    mesh = mesh_of(surface)
    if labels is not None:
        return _from_labels(mesh, labels, is_upper)
    return teeth_of_row(mesh, locate_row(mesh, orientation, is_upper, known, missing), is_upper)


def teeth_of_row(mesh: TriangleMesh, row: LocatedRow, is_upper: bool) -> TeethOnScan:
    """Return the teeth of a row that has been located."""
    tooth = _vertex_labels(row, is_upper)
    return TeethOnScan(tooth, _centroids(mesh, tooth, row.fit), location_confidence(row))


def locate_row(
    mesh: TriangleMesh,
    orientation: ArchOrientation,
    is_upper: bool,
    known: Mapping[int, ArrayLike] | None = None,
    missing: Iterable[int] = (),
) -> LocatedRow:
    """Return the fitted row of teeth; parameters as for `locate_teeth`."""
    places = {check_tooth(t): np.asarray(p, dtype=np.float64) for t, p in (known or {}).items()}
    _of_arch(places, is_upper)
    # A crown stands where its tooth is missing, so a known place outweighs it.
    absent = frozenset(t for t in check_teeth(missing) if (t < 30) == is_upper) - places.keys()
    patient = to_patient(mesh.vertices, orientation, upper=is_upper)
    heights = height_map(patient, mesh)
    at = {t: to_patient(p[None], orientation, upper=is_upper)[0, :2] for t, p in places.items()}
    curve = arch_curve(heights, np.array(list(at.values())).reshape(-1, 2))
    arch = unroll_arch(heights, curve)
    evidence = row_evidence(arch)
    anchors = {t: _anchor(t, xy, curve) for t, xy in at.items()}
    fit = fit_row(evidence, curve.midline_mm, upper=is_upper, anchors_mm=anchors, missing=absent)
    arc, offset = curve.unroll(patient[:, :2])
    return LocatedRow(patient, arc, offset, arch, evidence, fit)


def _to_the_ends(
    spans_mm: Mapping[int, tuple[float, float]], evidence: RowEvidence
) -> dict[int, tuple[float, float]]:
    """Return the spans with the last tooth of each end reaching over its own outer wall."""
    spans = dict(spans_mm)
    first, last = min(spans, key=lambda t: spans[t]), max(spans, key=lambda t: spans[t])
    reach = round(END_WALL_MM / STEP_MM)
    start, stop = (round(spans[first][0] / STEP_MM), round(spans[last][1] / STEP_MM))
    for _ in range(reach):
        start -= start > 0 and evidence.material[start - 1] > 0.5
        stop += stop < len(evidence.material) - 1 and evidence.material[stop + 1] > 0.5
    spans[first] = (start * STEP_MM, spans[first][1])
    spans[last] = (spans[last][0], stop * STEP_MM)
    return spans


def row_cost(
    mesh: TriangleMesh, orientation: ArchOrientation, *, is_upper: bool, named_upper: bool
) -> float:
    """Return the cost of the best row when its teeth bear the names of the upper or lower arch.

    `is_upper` says which way the teeth look; a lower cost is a better fit.
    """
    heights = height_map(to_patient(mesh.vertices, orientation, upper=is_upper), mesh)
    curve = arch_curve(heights)
    evidence = row_evidence(unroll_arch(heights, curve))
    no_tooth: frozenset[int] = frozenset()
    fit = fit_row(evidence, curve.midline_mm, upper=named_upper, anchors_mm={}, missing=no_tooth)
    return fit.cost


def _of_arch(teeth: Iterable[int], upper: bool) -> tuple[int, ...]:
    wrong = [t for t in teeth if is_upper(t) != upper]
    if wrong:
        name = "upper" if upper else "lower"
        raise InputError(f"teeth: {wrong} given for the {name} arch, to which they do not belong")
    return tuple(teeth)


def _anchor(tooth: int, place: Float64Array, curve: ArchCurve) -> float:
    arc, offset = curve.unroll(place[None])
    if abs(float(offset[0])) > HALF_BAND_MM:
        raise InputError(
            f"teeth: {tooth} is given {abs(float(offset[0])):.1f} mm off the row of teeth, up to "
            f"{HALF_BAND_MM:g} is allowed; check that it is in the coordinates of its arch's scan"
        )
    return float(arc[0])


def _vertex_labels(row: LocatedRow, upper: bool) -> NDArray[np.int16]:
    height, arc = row.patient[:, 2], row.arc_mm
    tooth = np.zeros(len(height), dtype=np.int16)
    near = np.abs(row.offset_mm) < HALF_BAND_MM
    for name, (start, stop) in _to_the_ends(row.fit.spans_mm, row.evidence).items():
        a, b = round(start / STEP_MM), max(round(stop / STEP_MM), round(start / STEP_MM) + 1)
        top = row.arch.top[a:b]
        if not np.isfinite(top).any():
            continue
        length = 0.9 * CROWN_LENGTH_MM[upper][position_of(name) - 1] * row.fit.scale
        inside = near & (arc >= start) & (arc < stop) & (height > np.nanmax(top) - length)
        tooth[inside] = name
    return tooth


def _centroids(
    mesh: TriangleMesh, tooth: NDArray[np.int16], fit: RowFit
) -> dict[int, Float64Array]:
    weights = _vertex_areas(mesh)
    centroids = {}
    for name in fit.spans_mm:
        of_tooth = (tooth == name) & (weights > 0)
        if of_tooth.any():
            centroids[name] = np.average(mesh.vertices[of_tooth], axis=0, weights=weights[of_tooth])
    return centroids


def _vertex_areas(mesh: TriangleMesh) -> Float64Array:
    areas = np.repeat(mesh.face_areas() / 3.0, 3)
    total = np.bincount(mesh.faces.ravel(), weights=areas, minlength=len(mesh.vertices))
    return np.asarray(total, dtype=np.float64)


def location_confidence(row: LocatedRow) -> float:
    """Return how sure the numbers are, from 0 to 1.

    The share of clear valleys between touching teeth, times how far the widths are from the
    handbook's, times the chance that the row is not named one place further.
    """
    fit = row.fit
    spans = sorted(fit.spans_mm.values())
    touching = [
        row.evidence.valley[round(b[0] / STEP_MM)]
        for a, b in pairwise(spans)
        if abs(a[1] - b[0]) < 1e-9
    ]
    clear = float(np.mean(np.clip(np.array(touching) / 0.4, 0.0, 1.0))) if touching else 0.0
    name = 1.0 / (1.0 + float(np.exp(-max(fit.margin, 0.0) / MARGIN_SCALE)))
    return clear * float(np.exp(-abs(fit.scale - 1.0) / 0.3)) * name


def _from_labels(mesh: TriangleMesh, labels: ArrayLike, upper: bool) -> TeethOnScan:
    tooth = np.asarray(labels)
    if tooth.shape != (len(mesh.vertices),):
        raise InputError(
            f"labels: shape {tooth.shape} given, one tooth number per vertex "
            f"({len(mesh.vertices)},) wanted"
        )
    names = [check_tooth(int(t)) for t in np.unique(tooth) if t != 0]
    _of_arch(names, upper)
    weights = _vertex_areas(mesh)
    centroids = {}
    for name in sort_along_arch(names):
        w = np.where(tooth == name, weights, 0.0)
        if w.sum() > 0:
            centroids[name] = np.average(mesh.vertices, axis=0, weights=w)
    return TeethOnScan(tooth.astype(np.int16), centroids, 1.0, "given")
