"""Landmarks of the mounting: the lower incisal point and the distobuccal cusps behind."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import BoolArray, Float64Array, frozen
from occlusim.errors import DegenerateProblem, InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.axes import ArchOrientation, mesh_of
from occlusim.jaw.numbering import position_of, side_of
from occlusim.jaw.orientation import orient_arches
from occlusim.jaw.tooth_location import LocatedRow, locate_row, location_confidence

__all__ = ["ArchOrientation", "Landmarks", "find_landmarks", "orient_arches"]

CREST_MM = 0.3
"""Depth of the surface below its highest point that is averaged to a landmark."""

LAST_POSITION = 7
"""Third molars are left out: often absent, tilted, or taken for the pad behind the row."""


@dataclass(frozen=True, slots=True)
class Landmarks:
    """Three points that span the occlusal plane, mm, in the frame the caller states.

    Attributes
    ----------
    incisal : (3,)
        Lower incisal point: between the mesial edges of the lower central incisors.
    right_molar, left_molar : (3,)
        Distobuccal cusps of the last lower molars.
    method
        ``given`` or ``found``.
    confidence
        From 0 to 1; 1 for points that were given.
    """

    incisal: Float64Array
    right_molar: Float64Array
    left_molar: Float64Array
    method: str = "given"
    confidence: float = 1.0

    def __post_init__(self) -> None:
        for name in ("incisal", "right_molar", "left_molar"):
            point = frozen(getattr(self, name), np.float64)
            if point.shape != (3,) or not np.isfinite(point).all():
                raise InputError(f"{name}: three finite coordinates in mm wanted, {point!r} given")
            object.__setattr__(self, name, point)

    def transformed(self, T_new_old: RigidTransform) -> Landmarks:
        """Return the landmarks carried into another frame."""
        return Landmarks(
            T_new_old.apply(self.incisal),
            T_new_old.apply(self.right_molar),
            T_new_old.apply(self.left_molar),
            self.method,
            self.confidence,
        )


def find_landmarks(
    lower: Any,
    orientation: ArchOrientation,
    *,
    known: Mapping[int, ArrayLike] | None = None,
    missing: Iterable[int] = (),
) -> Landmarks:
    """Return the landmarks of a lower arch, found on its scan, in the scan's frame.

    Parameters
    ----------
    lower
        The lower scan: a mesh, or what holds one.
    orientation
        Right, anterior and superior in the frame of the lower scan; `orient_arches` gives them in
        the upper scan's frame, so carry them over with ``transformed(T_upper_lower.inverse())``.
    known, missing
        Teeth whose place is known and teeth that are absent, as for `locate_teeth`. The landmarks
        are not looked for on a known tooth's place: it may be a gap or an abutment.

    Notes
    -----
    Incisal point: midway between the crests of both central incisors beside the midline; where one
    is missing, the crest at the midline. Molars: the highest point of the distal and buccal
    quarter of the last molar up to the second. All are means over 0.3 mm below the crest.

    Raises
    ------
    DegenerateProblem
        If a side ends in front of the second premolar.
    """
    mesh = mesh_of(lower)
    return landmarks_of_row(mesh, locate_row(mesh, orientation, False, known, missing), known)


def landmarks_of_row(
    mesh: TriangleMesh, row: LocatedRow, known: Mapping[int, ArrayLike] | None = None
) -> Landmarks:
    """Return the landmarks of a lower row that has been located; see `find_landmarks`."""
    spans = {t: span for t, span in row.fit.spans_mm.items() if t not in (known or {})}
    molars, share = {}, 1.0
    for side in ("right", "left"):
        last = _last_tooth(spans, side)
        molars[side] = _distobuccal_cusp(mesh, row, last, spans[last])
        share *= 1.0 if position_of(last) >= 6 else 0.5
    return Landmarks(
        _incisal_point(mesh, row, spans),
        molars["right"],
        molars["left"],
        "found",
        share * location_confidence(row),
    )


def _last_tooth(spans: Mapping[int, tuple[float, float]], side: str) -> int:
    on_side = [t for t in spans if side_of(t) == side and position_of(t) <= LAST_POSITION]
    last = max(on_side, key=position_of, default=0)
    if last == 0 or position_of(last) < 5:
        raise DegenerateProblem(
            f"landmarks: the {side} side of the lower arch ends "
            f"{'nowhere' if last == 0 else f'with tooth {last}'}, so the occlusal plane has no "
            "support behind; give incisal_mm, right_molar_mm and left_molar_mm"
        )
    return last


def _distobuccal_cusp(
    mesh: TriangleMesh, row: LocatedRow, tooth: int, span: tuple[float, float]
) -> Float64Array:
    middle = 0.5 * (span[0] + span[1])
    # Arc length runs from the patient's right to the left, so distal is low on the right.
    distal = row.arc_mm < middle if side_of(tooth) == "right" else row.arc_mm > middle
    inside = (row.arc_mm > span[0] + 0.5) & (row.arc_mm < span[1] - 0.5) & distal
    inside &= np.abs(row.offset_mm) < 7.0
    high = inside & (row.patient[:, 2] > row.patient[inside, 2].max() - 4.0)
    axis = 0.5 * (row.offset_mm[high].min() + row.offset_mm[high].max())
    return _crest_point(mesh, row, inside & (row.offset_mm > axis))


def _incisal_point(
    mesh: TriangleMesh, row: LocatedRow, spans: Mapping[int, tuple[float, float]]
) -> Float64Array:
    arc = row.arc_mm
    near = np.abs(row.offset_mm) < 5.0
    if 41 in spans and 31 in spans:
        right_end, left_start = spans[41][1], spans[31][0]
        windows = (
            near & (arc > right_end - 2.2) & (arc < right_end - 0.4),
            near & (arc > left_start + 0.4) & (arc < left_start + 2.2),
        )
    else:
        windows = (near & (np.abs(arc - row.arch.curve.midline_mm) < 4.0),)
    return np.mean([_crest_point(mesh, row, window) for window in windows], axis=0)


def _crest_point(mesh: TriangleMesh, row: LocatedRow, window: BoolArray) -> Float64Array:
    """Return the mean of the vertices of a window that lie near its highest point."""
    index = np.flatnonzero(window)
    if len(index) == 0:
        raise DegenerateProblem(
            "landmarks: no surface where a landmark was looked for; give incisal_mm, "
            "right_molar_mm and left_molar_mm"
        )
    height = row.patient[index, 2]
    peak = row.patient[index[np.argmax(height)]]
    near = np.hypot(*(row.patient[index, :2] - peak[:2]).T) < 1.2
    return mesh.vertices[index[near & (height > peak[2] - CREST_MM)]].mean(axis=0)
