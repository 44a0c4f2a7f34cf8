"""The least gap between two surfaces: over whole faces, in both directions, with its proof.

The band finds where the surfaces come near, exact distances at the vertices there give an upper
bound, and `occlusim.kernels.least` closes it over the faces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import BoolArray, Float64Array, Int32Array, frozen
from occlusim.contact.field import GapField
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.least import (
    boxes_in_reach,
    faces_in_reach,
    least_on_faces,
    level_of_area,
)

SUPPORT_AREA_MM2 = 0.05
SUPPORT_MM = 0.02
LARGE_FACE_MM = 0.5
MAX_CELLS_PER_FACE = 20000
N_FIRST = 64
FIRST_MM = 0.01
AROUND_MM = 1.5


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
        limit does. A speck or a spike moves the least gap, but not this.
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
class _Side:
    """The least of one surface's faces in the other's distance; point in the field's frame."""

    value_mm: float
    point: Float64Array
    supported_mm: float
    bound_mm: float
    n_faces: int
    n_cells: int


def _face_mask(field: GapField, faces: ArrayLike | None, name: str) -> BoolArray:
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


def _exact(
    field: GapField, points: Float64Array, T_field_points: RigidTransform, is_counted: BoolArray
) -> Float64Array:
    """Return facts (n, 6) of points: signed and unsigned distance, mm, normal, 0.

    The signed one is NaN where it is unknown or the nearest face is not counted.
    """
    found = field.surface.closest(points, T_surface_points=T_field_points)
    facts = np.zeros((len(found.distance_mm), 6))
    facts[:, 0] = found.distance_mm
    if is_counted is not field.all_faces:
        facts[~is_counted[found.faces], 0] = np.nan
    facts[:, 1] = found.unsigned_mm
    facts[:, 2:5] = found.normals
    return facts


def _exact_at(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_counted: BoolArray,
    chosen: Int32Array,
) -> tuple[Float64Array, Float64Array]:
    """Return exact values (V,) at the corners of some faces, NaN elsewhere, and facts (V, 6)."""
    vertices, faces = moving.surface.mesh.vertices, moving.surface.mesh.faces
    is_corner = np.zeros(len(vertices), dtype=np.bool_)
    is_corner[faces[chosen]] = True
    corner = np.flatnonzero(is_corner)
    facts = np.full((len(vertices), 6), np.nan)
    facts[corner] = _exact(field, vertices[corner], T_field_moving, is_counted)
    value = np.full(len(vertices), np.nan)
    value[corner] = facts[corner, 0]
    return value, facts


def _search(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    chosen: Int32Array,
    facts: Float64Array,
    is_counted: BoolArray,
    start_mm: float,
    tolerance_mm: float,
) -> tuple[Float64Array, Float64Array, Float64Array, int]:
    """Return value, bound (n,) and place (n, 3) of the least on each chosen face, and cells."""
    s = field.surface
    n = len(chosen)
    value, bound, where = np.empty(n), np.empty(n), np.empty((n, 3))
    n_cells = np.empty(n, dtype=np.int64)
    least_on_faces(
        moving.surface.mesh.vertices,
        moving.surface.mesh.faces,
        chosen,
        facts,
        T_field_moving.rotation,
        T_field_moving.translation,
        start_mm,
        tolerance_mm,
        MAX_CELLS_PER_FACE,
        (s.boxes, s.links, s.corners, s.slot_face),
        (
            s.face_normals,
            s.edge_normals,
            s.fan,
            s.fan_normals,
            s.is_boundary_edge,
            s.is_open_fan,
        ),
        is_counted,
        value,
        bound,
        where,
        n_cells,
    )
    return value, bound, where, int(n_cells.sum())


def _near_faces(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    lower: Float64Array,
    is_asked: BoolArray,
    upper: float,
) -> Int32Array:
    """Return the faces that may hold a value below `upper`, from the band at the vertices."""
    faces = moving.surface.mesh.faces
    code = np.empty(len(faces), dtype=np.int8)
    faces_in_reach(
        faces,
        is_asked,
        lower,
        moving.longest_edge_mm,
        LARGE_FACE_MM,
        upper,
        code,
    )
    is_large = code == 2
    if is_large.any():
        near = _faces_within(moving, field, T_field_moving, is_large, max(upper, 0.0))
        code[is_large] = 0
        code[near] = 1
    return np.flatnonzero(code).astype(np.int32)


def _least_of(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_asked: BoolArray,
    is_counted: BoolArray,
    tolerance_mm: float,
    limit_mm: float,
) -> _Side:
    """Return the least of the moving surface's asked faces in the field's distance."""
    vertices, faces = moving.surface.mesh.vertices, moving.surface.mesh.faces
    lower = field.sdf.lower_bounds(vertices, T_field_moving)
    if is_asked is not moving.all_faces:
        is_used = np.zeros(len(vertices), dtype=np.bool_)
        is_used[faces[is_asked]] = True
        lower[~is_used] = np.nan
    lowest = float(np.fmin.reduce(lower, initial=np.inf))
    upper = np.inf
    if lowest <= limit_mm:
        first = np.flatnonzero(lower <= lowest + FIRST_MM)
        for few in (first[:: len(first) // N_FIRST + 1], np.flatnonzero(lower <= limit_mm)):
            # The lowest may all be unknown, beside the scan's edge: then every near vertex.
            values = _exact(field, vertices[few], T_field_moving, is_counted)[:, 0]
            upper = float(np.fmin.reduce(values, initial=np.inf))
            if upper < np.inf:
                break
    if not upper <= limit_mm:
        return _least_afar(
            moving, field, T_field_moving, is_asked, is_counted, tolerance_mm, limit_mm
        )
    if upper < 3 * field.sdf.voxel_mm - field.sdf.band_mm:
        return _least_deep(moving, field, T_field_moving, is_asked, is_counted, tolerance_mm)
    margin = SUPPORT_MM
    while True:
        chosen = _near_faces(moving, field, T_field_moving, lower, is_asked, upper + margin)
        exact, facts = _exact_at(moving, field, T_field_moving, is_counted, chosen)
        upper = min(upper, float(np.fmin.reduce(exact, initial=np.inf)))
        supported = _supported(moving, chosen, exact, upper, upper + margin)
        if np.isfinite(supported) or upper + margin > limit_mm:
            break
        margin = 2 * margin + 0.05
    return _finish(
        moving, field, T_field_moving, chosen, facts, is_counted, tolerance_mm, supported
    )


def _finish(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    chosen: Int32Array,
    facts: Float64Array,
    is_counted: BoolArray,
    tolerance_mm: float,
    supported_mm: float,
) -> _Side:
    """Search those of the chosen faces that exact facts (V, 6) of vertices cannot rule out."""
    exact = np.ascontiguousarray(facts[:, 0])
    at = int(np.nanargmin(exact))
    upper = float(exact[at])
    place = T_field_moving.apply(moving.surface.mesh.vertices[at])
    out = np.empty(len(chosen), dtype=np.int8)
    faces_in_reach(
        np.ascontiguousarray(moving.surface.mesh.faces[chosen]),
        np.ones(len(chosen), dtype=np.bool_),
        exact,
        moving.longest_edge_mm[chosen],
        LARGE_FACE_MM,
        upper - tolerance_mm,
        out,
    )
    value, bound, where, n_cells = _search(
        moving, field, T_field_moving, chosen[out > 0], facts, is_counted, upper, tolerance_mm
    )
    lowest = min(upper, float(bound.min(initial=np.inf)))
    if len(value) and value.min() < upper:
        best = int(np.argmin(value))
        upper, place = float(value[best]), where[best]
    return _Side(upper, place, supported_mm, lowest, len(value), n_cells)


def _supported(
    moving: GapField, chosen: Int32Array, exact: Float64Array, low: float, high: float
) -> float:
    """Return the level that 0.05 mm2 of the chosen faces reach, NaN where none up to `high`."""
    corner = exact[moving.surface.mesh.faces[chosen]]
    is_known = np.isfinite(corner[:, 0] + corner[:, 1] + corner[:, 2])
    area = moving.surface.face_area_mm2[chosen[is_known]]
    return float(level_of_area(corner[is_known], area, SUPPORT_AREA_MM2, low, high))


def _least_deep(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_asked: BoolArray,
    is_counted: BoolArray,
    tolerance_mm: float,
) -> _Side:
    """Return the least of an overlap deeper than the band: every vertex in the field's box."""
    chosen = _faces_within_root(moving, field, T_field_moving, is_asked)
    exact, facts = _exact_at(moving, field, T_field_moving, is_counted, chosen)
    low, high = float(np.nanmin(exact)), float(np.nanmax(exact))
    supported = _supported(moving, chosen, exact, low, high)
    return _finish(
        moving, field, T_field_moving, chosen, facts, is_counted, tolerance_mm, supported
    )


def _faces_within_root(
    moving: GapField, field: GapField, T_field_moving: RigidTransform, is_asked: BoolArray
) -> Int32Array:
    """Return the asked faces whose box meets the box of the field's surface."""
    points = T_field_moving.apply(moving.surface.mesh.vertices)
    box = field.surface.boxes[0]
    corner = points[moving.surface.mesh.faces]
    meets = (corner.min(axis=1) <= box[3:]) & (corner.max(axis=1) >= box[:3])
    return np.flatnonzero(meets.all(axis=1) & is_asked).astype(np.int32)


def _least_afar(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_asked: BoolArray,
    is_counted: BoolArray,
    tolerance_mm: float,
    limit_mm: float,
) -> _Side:
    """Return the least where the band knows nothing near: by the tree alone."""
    vertices, faces = moving.surface.mesh.vertices, moving.surface.mesh.faces
    is_used = np.zeros(len(vertices), dtype=np.bool_)
    is_used[faces[is_asked]] = True
    used = np.flatnonzero(is_used)
    nothing = _Side(np.nan, np.full(3, np.nan), np.nan, np.nan, 0, 0)
    if len(used) == 0:
        return nothing
    sample = used[:: max(1, len(used) // 500)]
    values = _exact(field, vertices[sample], T_field_moving, is_counted)[:, 0]
    if not np.isfinite(values).any():
        values = _exact(field, vertices[used], T_field_moving, is_counted)[:, 0]
        if not np.isfinite(values).any():
            return nothing
    else:
        # Once more around the best of the sample: a good bound spares most of the faces.
        best = vertices[sample[np.nanargmin(values)]]
        around = used[((vertices[used] - best) ** 2).sum(axis=1) < AROUND_MM**2]
        around = around[:: max(1, len(around) // 500)]
        closer = _exact(field, vertices[around], T_field_moving, is_counted)[:, 0]
        values = np.append(values, closer)
    upper = float(np.nanmin(values))
    if upper < 0:
        return _least_deep(moving, field, T_field_moving, is_asked, is_counted, tolerance_mm)
    chosen = _faces_within(moving, field, T_field_moving, is_asked, upper)
    exact, facts = _exact_at(moving, field, T_field_moving, is_counted, chosen)
    supported = _supported(moving, chosen, exact, float(np.nanmin(exact)), upper + limit_mm)
    return _finish(
        moving, field, T_field_moving, chosen, facts, is_counted, tolerance_mm, supported
    )


def _faces_within(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_asked: BoolArray,
    distance_mm: float,
) -> Int32Array:
    """Return the asked faces whose box comes within a distance of the field's surface."""
    out = np.empty(len(moving.surface.mesh.faces), dtype=np.bool_)
    boxes_in_reach(
        moving.surface.mesh.vertices,
        moving.surface.mesh.faces,
        is_asked,
        T_field_moving.rotation,
        T_field_moving.translation,
        distance_mm,
        field.surface.boxes,
        field.surface.links,
        out,
    )
    return np.flatnonzero(out).astype(np.int32)


def least_gap(
    a: GapField,
    b: GapField,
    T_a_b: RigidTransform,
    *,
    tolerance_mm: float = 1e-4,
    faces_a: ArrayLike | None = None,
    faces_b: ArrayLike | None = None,
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
    limit_mm
        Beyond it the band is not asked and the trees answer; the answer is as exact, but slower.

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
    nearest feature lies on a scan's edge are unknown and never counted.
    """
    is_a, is_b = _face_mask(a, faces_a, "faces_a"), _face_mask(b, faces_b, "faces_b")
    T_b_a = T_a_b.inverse()
    on_b = _least_of(b, a, T_a_b, is_b, is_a, tolerance_mm, limit_mm)
    on_a = _least_of(a, b, T_b_a, is_a, is_b, tolerance_mm, limit_mm)
    takes_b = not on_b.value_mm > on_a.value_mm if np.isfinite(on_b.value_mm) else False
    least = on_b if takes_b else on_a
    supported = [s.supported_mm for s in (on_a, on_b) if np.isfinite(s.supported_mm)]
    bounds = [s.bound_mm for s in (on_a, on_b) if np.isfinite(s.bound_mm)]
    return LeastGap(
        gap_mm=least.value_mm,
        point=least.point if takes_b else T_a_b.apply(least.point),
        on="b" if takes_b else "a",
        supported_gap_mm=min(supported, default=np.nan),
        bound_mm=min(bounds, default=np.nan),
        n_faces=on_a.n_faces + on_b.n_faces,
        n_cells=on_a.n_cells + on_b.n_cells,
    )
