"""The least gap between two surfaces: over whole faces, in both directions, with its proof.

The band finds where the surfaces come near, exact distances at some vertices there give an upper
bound, clusters that hold nothing below it are ruled out, and `occlusim.kernels.least` closes the
rest over the faces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import BoolArray, Float64Array, frozen
from occlusim.contact.field import GapField
from occlusim.contact.survey import (
    Corners,
    exact_corners,
    faces_below,
    first_value,
    is_deeper_than_band,
    value_afar,
)
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.least import CHUNK, COVER, least_on_faces, level_of_area

SUPPORT_AREA_MM2 = 0.05
SUPPORT_MM = 0.02
LARGE_FACE_MM = 0.5
MAX_CELLS_PER_FACE = 20000


@dataclass(frozen=True, slots=True)
class LeastGap:
    """The least gap between two surfaces and what it rests on.

    Parameters
    ----------
    gap_mm
        Least signed distance over the counted faces of both surfaces; NaN where none is known.
    point : (3,), mm
        Where it is taken, in the frame of `a`.
    on
        'a' or 'b': the surface that holds the point.
    supported_gap_mm
        Smallest level that at least 0.05 mm2 of one surface reaches; NaN where none within the
        limit does, or where it was not asked for. A speck or a spike moves the least gap, but not
        this.
    bound_mm
        No point of the searched faces lies below this: `gap_mm` less the tolerance, or lower
        where the search had to stop.
    n_faces, n_cells
        Faces and cells that were searched exactly.
    """

    gap_mm: float
    point: Float64Array
    on: str
    supported_gap_mm: float
    bound_mm: float
    n_faces: int
    n_cells: int


@dataclass(frozen=True, slots=True)
class _Direction:
    """One surface in the other's distance: the moving one's faces asked, the field's counted."""

    name: str
    moving: GapField
    field: GapField
    T_field_moving: RigidTransform
    is_asked: BoolArray
    is_counted: BoolArray

    def first(self) -> tuple[float, Float64Array]:
        """Return an upper bound of the least, mm, and its place (3,), from the band."""
        return first_value(
            self.moving, self.field, self.T_field_moving, self.is_asked, self.is_counted
        )

    def afar(self) -> tuple[float, Float64Array]:
        """Return the same where the band knows nothing near."""
        return value_afar(
            self.moving, self.field, self.T_field_moving, self.is_asked, self.is_counted
        )

    def below(self, level_mm: float, *, is_deep: bool) -> Corners:
        """Return the asked faces that may hold a value below a level, with exact corners."""
        face = faces_below(self.moving, self.field, self.T_field_moving, level_mm, is_deep=is_deep)
        face = face[self.is_asked[face]]
        return exact_corners(self.moving, self.field, self.T_field_moving, face, self.is_counted)


@dataclass(frozen=True, slots=True)
class _Least:
    """The least found so far, its place (3,) in the frame of the field it is measured in."""

    value_mm: float
    place: Float64Array
    on: str
    bound_mm: float
    n_faces: int
    n_cells: int


def face_mask(field: GapField, faces: ArrayLike | None, name: str) -> BoolArray:
    """Return a mask (F,) from a mask, from indices, or from nothing: all faces."""
    n = len(field.surface.mesh.faces)
    if faces is None:
        return field.all_faces
    chosen = np.asarray(faces)
    if chosen.dtype == np.bool_:
        if chosen.shape != (n,):
            raise InputError(f"least gap: {name} of shape {chosen.shape} given, ({n},) wanted")
        return frozen(chosen, np.bool_)
    if chosen.ndim != 1 or (chosen.size and not np.issubdtype(chosen.dtype, np.integer)):
        raise InputError(f"least gap: {name} is neither a mask of ({n},) nor a list of indices")
    if chosen.size and (chosen.min() < 0 or chosen.max() >= n):
        raise InputError(f"least gap: {name} names faces outside 0 to {n - 1}")
    mask = np.zeros(n, dtype=np.bool_)
    mask[chosen.astype(np.int64)] = True
    return frozen(mask, np.bool_)


def _search(
    way: _Direction, near: Corners, start_mm: float, tolerance_mm: float
) -> tuple[Float64Array, Float64Array, Float64Array, int]:
    """Return value, bound (n,) and place (n, 3) of the least on the faces in doubt, and cells."""
    longest = way.moving.longest_edge_mm[near.face]
    corner = near.facts[near.corner, 0]
    with np.errstate(invalid="ignore"):
        low = np.fmax.reduce(corner, axis=1) - longest
        low = np.fmax(low, corner.min(axis=1) - COVER * longest)
    # A face without a known corner may still be known inside where it is large.
    keep = np.where(np.isnan(low), longest > LARGE_FACE_MM, low < start_mm - tolerance_mm)
    chosen = np.flatnonzero(keep).astype(np.int32)
    n = len(chosen)
    value, bound, where = np.empty(n), np.empty(n), np.empty((n, 3))
    n_cells = np.empty(n, dtype=np.int64)
    least_on_faces(
        (len(chosen) + CHUNK - 1) // CHUNK,
        way.moving.surface.mesh.vertices[near.vertex],
        near.corner,
        chosen,
        near.facts,
        way.T_field_moving.rotation,
        way.T_field_moving.translation,
        start_mm,
        tolerance_mm,
        MAX_CELLS_PER_FACE,
        way.field.tree,
        way.field.normals,
        way.is_counted,
        value,
        bound,
        where,
        n_cells,
    )
    return value, bound, where, int(n_cells.sum())


def _lower(way: _Direction, best: _Least, tolerance_mm: float, *, is_deep: bool) -> _Least:
    """Return the least once one direction has been searched for anything lower."""
    near = way.below(best.value_mm, is_deep=is_deep)
    upper, place, on = best.value_mm, best.place, best.on
    gap = near.gap_mm
    if np.fmin.reduce(gap, initial=np.inf) < upper:
        at = int(np.nanargmin(gap))
        upper, on = float(gap[at]), way.name
        place = way.T_field_moving.apply(way.moving.surface.mesh.vertices[near.vertex[at]])
    value, bound, where, n_cells = _search(way, near, upper, tolerance_mm)
    if len(value) and value.min() < upper:
        at = int(np.argmin(value))
        upper, place, on = float(value[at]), where[at], way.name
    lowest = min(upper, best.bound_mm, float(bound.min(initial=np.inf)))
    return _Least(upper, place, on, lowest, best.n_faces + len(value), best.n_cells + n_cells)


def _supported(
    ways: tuple[_Direction, ...], gap_mm: float, limit_mm: float, *, is_deep: bool
) -> float:
    """Return the smallest level that 0.05 mm2 of one surface reaches; NaN: none up to the limit."""
    levels = []
    for way in ways:
        margin = SUPPORT_MM
        while True:
            near = way.below(gap_mm + margin, is_deep=is_deep)
            corner = near.facts[near.corner, 0]
            known = np.isfinite(corner.sum(axis=1))
            level = level_of_area(
                corner[known],
                way.moving.surface.face_area_mm2[near.face[known]],
                SUPPORT_AREA_MM2,
                gap_mm,
                gap_mm + margin,
            )
            if np.isfinite(level) or gap_mm + margin > limit_mm:
                break
            margin = 2 * margin + 0.05
        levels.append(level)
    return float(np.fmin(*levels))


def least_gap(
    a: GapField,
    b: GapField,
    T_a_b: RigidTransform,
    *,
    tolerance_mm: float = 1e-4,
    faces_a: ArrayLike | None = None,
    faces_b: ArrayLike | None = None,
    supported: bool = False,
    limit_mm: float = 1.0,
) -> LeastGap:
    """Return the least gap between two surfaces, over whole faces and in both directions.

    Parameters
    ----------
    a, b : GapField
    T_a_b
        Carries b into a's frame.
    tolerance_mm
        The value is within this of the true least.
    faces_a, faces_b
        Masks or indices of the faces that count; none counts all. A point counts if it lies on a
        counted face and its nearest face of the other surface counts too.
    supported
        Also gives the supported gap, which takes as long again.
    limit_mm
        The supported gap is looked for up to this gap.

    Returns
    -------
    least : LeastGap

    Raises
    ------
    InputError
        If a mask has the wrong length or an index names no face.

    Notes
    -----
    The least of (b's surface in a's distance) and (a's surface in b's distance). Places whose
    nearest feature lies on a scan's edge are unknown and never counted. Faces that collapse or
    repeat an earlier one are no part of a surface. Beyond the bands the trees answer; as exact,
    but slower.
    """
    is_a, is_b = face_mask(a, faces_a, "faces_a"), face_mask(b, faces_b, "faces_b")
    ways = (
        _Direction("b", b, a, T_a_b, is_b, is_a),
        _Direction("a", a, b, T_a_b.inverse(), is_a, is_b),
    )
    found = [way.first() for way in ways]
    if not min(value for value, _ in found) < limit_mm:
        found = [way.afar() for way in ways]
    take = int(found[1][0] < found[0][0])
    start, place = found[take]
    best = _Least(start, place, ways[take].name, start, 0, 0)
    if not start < np.inf:
        return LeastGap(np.nan, np.full(3, np.nan), "a", np.nan, np.nan, 0, 0)
    is_deep = any(is_deeper_than_band(way.field, start) for way in ways)
    for way in ways:
        best = _lower(way, best, tolerance_mm, is_deep=is_deep)
    level = np.nan
    if supported:
        level = _supported(ways, best.value_mm, limit_mm, is_deep=is_deep)
    return LeastGap(
        gap_mm=best.value_mm,
        point=best.place if best.on == "b" else T_a_b.apply(best.place),
        on=best.on,
        supported_gap_mm=level,
        bound_mm=best.bound_mm,
        n_faces=best.n_faces,
        n_cells=best.n_cells,
    )
