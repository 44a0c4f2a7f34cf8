"""What of a moving surface may lie below a level in a field's distance, and its exact values.

Whole clusters are ruled out by lower bounds (`occlusim.kernels.survey`); exact distances are asked
at the corners of the faces that are left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array
from occlusim.contact.field import GapField
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels import survey

N_FIRST = 64
"""So many faces, the lowest by the band, are asked first."""


@dataclass(frozen=True, slots=True)
class Corners:
    """Some faces of a moving surface and what is known at their corners, in the field's frame.

    Parameters
    ----------
    face : (k,)
        Faces of the moving mesh.
    vertex : (n,)
        Their vertices in the moving mesh.
    corner : (k, 3)
        The faces' corners as rows of `vertex`.
    facts : (n, 6)
        Signed and unsigned distance, mm, normal at the nearest place, 0. The signed one is NaN
        where it is unknown or the nearest face does not count.
    """

    face: Int32Array
    vertex: Int32Array
    corner: Int32Array
    facts: Float64Array

    @property
    def gap_mm(self) -> Float64Array:
        """Signed distances (n,), mm; NaN where unknown."""
        return np.ascontiguousarray(self.facts[:, 0])


def faces_below(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    level_mm: float,
    *,
    is_deep: bool = False,
) -> Int32Array:
    """Return the faces (k,) of a moving surface that may hold a distance below a level.

    Parameters
    ----------
    moving, field : GapField
    T_field_moving
        The moving surface's pose.
    level_mm
        No other face holds a known distance below this.
    is_deep
        Also asks what lies so deep inside that the band knows nothing there. Otherwise such
        places are taken to be far outside.
    """
    own, other = moving.clusters, field.clusters
    is_near = np.zeros(len(moving.surface.slot_face), dtype=np.bool_)
    survey.faces_below(
        (len(own.roots) + survey.CHUNK - 1) // survey.CHUNK,
        own.roots,
        (moving.surface.links, own.span, own.coin, moving.surface.corners),
        (other.span, other.coin, other.is_rim),
        field.tree,
        field.normals,
        field.band,
        T_field_moving.rotation,
        T_field_moving.translation,
        float(level_mm),
        field.sdf.band_mm - 2 * field.sdf.voxel_mm,
        is_deep,
        is_near,
    )
    return moving.surface.slot_face[np.flatnonzero(is_near)]


def is_deeper_than_band(field: GapField, value_mm: float) -> bool:
    """Return whether there may be places deeper than a value that the field's band does not know.

    Surfaces are continuous: as long as nothing comes near the band's lower end, nothing is past it.
    """
    return value_mm < 3 * field.sdf.voxel_mm - field.sdf.band_mm


def exact_at(
    field: GapField, points: Float64Array, T_field_points: RigidTransform, is_counted: BoolArray
) -> Float64Array:
    """Return facts (n, 6) of points (n, 3), as in `Corners`."""
    found = field.surface.closest(points, T_surface_points=T_field_points)
    facts = np.zeros((len(found.distance_mm), 6))
    facts[:, 0] = found.distance_mm
    if is_counted is not field.all_faces:
        facts[~is_counted[found.faces], 0] = np.nan
    facts[:, 1] = found.unsigned_mm
    facts[:, 2:5] = found.normals
    return facts


def exact_corners(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    face: Int32Array,
    is_counted: BoolArray,
) -> Corners:
    """Return what is known at the corners of some faces (k,); `is_counted` (F,) of the field."""
    vertex, corner = np.unique(moving.surface.mesh.faces[face], return_inverse=True)
    corner = np.ascontiguousarray(corner.reshape(len(face), 3), dtype=np.int32)
    points = moving.surface.mesh.vertices[vertex]
    return Corners(face, vertex, corner, exact_at(field, points, T_field_moving, is_counted))


def corners_below(
    moving: GapField, field: GapField, T_field_moving: RigidTransform, level_mm: float
) -> Corners:
    """Return the corners of all faces that may hold a distance below a level, however deep."""
    face = faces_below(moving, field, T_field_moving, level_mm)
    found = exact_corners(moving, field, T_field_moving, face, field.all_faces)
    least = float(np.fmin.reduce(found.gap_mm, initial=np.inf))
    if len(face) == 0 or is_deeper_than_band(field, least):
        face = faces_below(moving, field, T_field_moving, level_mm, is_deep=True)
        found = exact_corners(moving, field, T_field_moving, face, field.all_faces)
    return found


def first_value(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_asked: BoolArray,
    is_counted: BoolArray,
) -> tuple[float, Float64Array]:
    """Return a low exact distance on the asked faces, mm, and its place (3,) in the field's frame.

    Taken at vertices where the band is lowest; infinite where it knows none. An upper bound of
    the least distance.
    """
    own, surface = moving.clusters, moving.surface
    lower = np.empty(len(own.roots))
    node = np.empty(len(own.roots), dtype=np.int64)
    survey.lowest_nodes(
        (len(own.roots) + survey.CHUNK - 1) // survey.CHUNK,
        own.roots,
        (surface.links, own.span, own.coin, surface.corners),
        field.band,
        3 * (field.sdf.band_mm - 2 * field.sdf.voxel_mm),
        T_field_moving.rotation,
        T_field_moving.translation,
        lower,
        node,
    )
    known = np.flatnonzero(np.isfinite(lower))
    if len(known) == 0:
        return np.inf, np.full(3, np.nan)
    slots = np.concatenate([np.arange(*own.span[q]) for q in node[known]])
    bound = field.sdf.lower_bounds(surface.corners[slots, :3], T_field_moving)
    order = slots[np.argsort(bound, kind="stable")]
    for few in (order[:N_FIRST], order):
        face = surface.slot_face[few]
        found = _lowest(moving, field, T_field_moving, face[is_asked[face]], is_counted)
        if found[0] < np.inf:
            return found
    return np.inf, np.full(3, np.nan)


def value_afar(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    is_asked: BoolArray,
    is_counted: BoolArray,
) -> tuple[float, Float64Array]:
    """Return what `first_value` does where the band knows nothing: by the tree alone."""
    asked = np.flatnonzero(is_asked).astype(np.int32)
    for few in (asked[:: max(1, len(asked) // 500)], asked):
        found = _lowest(moving, field, T_field_moving, few, is_counted)
        if found[0] < np.inf:
            break
    if found[0] < np.inf and len(few) < len(asked):
        # Once more around the best of the sample: a good bound spares most of the faces.
        corner = moving.surface.mesh.vertices[moving.surface.mesh.faces[asked, 0]]
        apart = ((T_field_moving.apply(corner) - found[1]) ** 2).sum(axis=1)
        around = asked[np.argsort(apart, kind="stable")[: len(asked) // 20 + 500]]
        closer = _lowest(moving, field, T_field_moving, around[:: len(around) // 500], is_counted)
        found = min(found, closer, key=lambda pair: pair[0])
    return found


def _lowest(
    moving: GapField,
    field: GapField,
    T_field_moving: RigidTransform,
    face: Int32Array,
    is_counted: BoolArray,
) -> tuple[float, Float64Array]:
    """Return the least known distance at the corners of some faces, and its place (3,)."""
    found = exact_corners(moving, field, T_field_moving, face, is_counted)
    gap = found.gap_mm
    if not np.isfinite(gap).any():
        return np.inf, np.full(3, np.nan)
    at = int(np.nanargmin(gap))
    return float(gap[at]), T_field_moving.apply(moving.surface.mesh.vertices[found.vertex[at]])
