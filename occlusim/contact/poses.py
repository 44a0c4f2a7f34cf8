"""What two surfaces do at many poses: least gaps, all gaps below a limit, overlaps.

Every call takes poses T_a_b of surface b in a's frame and treats both surfaces alike: each is
measured in the other's distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array
from occlusim.contact.field import GapField
from occlusim.contact.least import face_mask, least_gap
from occlusim.contact.overlap import clipped_integrals
from occlusim.contact.survey import Corners, corners_below
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.between import CHUNK, nearest_at_poses

FAR_MM = 100.0


def least_gaps(
    a: GapField,
    b: GapField,
    poses: Sequence[RigidTransform],
    *,
    faces_a: BoolArray | None = None,
    tolerance_mm: float = 1e-4,
) -> Float64Array:
    """Return the least gap (n,), mm, of two surfaces at poses T_a_b, as `least_gap` gives it.

    Over whole faces and in both directions: cutting faces in parts changes nothing.

    Parameters
    ----------
    a, b : GapField
    poses : (n,)
        Best in the order of a path: the nearest place of one bounds the next.
    faces_a : (F,)
        Faces of `a` that count; none counts all. All of `b` do.
    tolerance_mm
        Where the surfaces overlap, the value is within this of the true least; apart it is exact.

    Raises
    ------
    InputError
        If the mask does not fit.

    Notes
    -----
    The nearest pair of all triangles is below every counted place. Where that pair itself counts
    and its side is known, it is the answer; else the pose is left to `least_gap`.
    """
    n = len(poses)
    counts = face_mask(a, faces_a, "faces_a")
    gap = np.full(n, np.nan)
    if n == 0:
        return gap
    distance, where = np.empty(n), np.empty((n, 3))
    nearest_at_poses(
        (len(poses) + CHUNK - 1) // CHUNK,
        (a.surface.boxes, a.surface.links, a.surface.corners),
        (b.surface.boxes, b.surface.links, b.surface.corners),
        np.stack([pose.rotation for pose in poses]),
        np.stack([pose.translation for pose in poses]),
        FAR_MM,
        distance,
        where,
    )
    apart = np.flatnonzero(distance > 0)
    if len(apart):
        found = a.surface.closest(where[apart])
        known = (found.distance_mm > 0) & counts[found.faces]
        gap[apart[known]] = distance[apart[known]]
    for i in np.flatnonzero(np.isnan(gap)).tolist():
        gap[i] = least_gap(a, b, poses[i], faces_a=counts, tolerance_mm=tolerance_mm).gap_mm
    return gap


@dataclass(frozen=True, slots=True)
class GapRows:
    """Gaps of one surface's vertices below a limit, pose by pose, in compressed rows.

    Parameters
    ----------
    start : (n + 1,)
        Pose i owns the entries start[i] to start[i + 1] of the arrays below.
    vertex : (k,)
        Vertices of the surface, increasing within a pose.
    gap_mm : (k,)
        Their exact signed distances from the other surface.
    n_unknown : (n,)
        Vertices as near as the limit, by an unsigned distance, whose side is unknown; they are
        left out above.
    """

    start: Int64Array
    vertex: Int32Array
    gap_mm: Float64Array
    n_unknown: Int64Array

    def at(self, pose: int) -> tuple[Int32Array, Float64Array]:
        """Return vertices and gaps of one pose."""
        rows = slice(self.start[pose], self.start[pose + 1])
        return self.vertex[rows], self.gap_mm[rows]


@dataclass(frozen=True, slots=True)
class GapsBelow:
    """All gaps below a limit at some poses: of a's vertices in b's distance and the other way."""

    limit_mm: float
    on_a: GapRows
    on_b: GapRows


def gaps_below(
    a: GapField, b: GapField, poses: Sequence[RigidTransform], limit_mm: float
) -> GapsBelow:
    """Return every vertex of either surface whose gap is below a limit, at each pose.

    Parameters
    ----------
    a, b : GapField
    poses : (n,)
        T_a_b.
    limit_mm
        May be negative: then only places deeper than that.

    Raises
    ------
    InputError
        If the limit is not finite.

    Notes
    -----
    Vertices of no face, or of faces that collapse or repeat an earlier one alone, are no part of a
    surface. The least entry of a pose is not its least gap, which may lie within a face: see
    `least_gaps`.
    """
    if not np.isfinite(limit_mm):
        raise InputError(f"gaps below: limit_mm = {limit_mm} given, a finite gap is wanted")
    return GapsBelow(
        float(limit_mm),
        _rows(a, b, [pose.inverse() for pose in poses], limit_mm),
        _rows(b, a, poses, limit_mm),
    )


def _rows(
    moving: GapField, field: GapField, poses: Sequence[RigidTransform], limit_mm: float
) -> GapRows:
    """Return the gaps of a moving surface's vertices below a limit, at poses T_field_moving."""
    vertex, gap, unknown = [], [], []
    for pose in poses:
        found = corners_below(moving, field, pose, limit_mm)
        is_below = found.gap_mm < limit_mm
        vertex.append(found.vertex[is_below].astype(np.int32))
        gap.append(found.gap_mm[is_below])
        near = found.facts[:, 1] < max(limit_mm, 0.0)
        unknown.append(int(np.count_nonzero(np.isnan(found.gap_mm) & near)))
    start = np.concatenate([[0], np.cumsum([len(v) for v in vertex])]).astype(np.int64)
    return GapRows(
        start,
        np.concatenate([np.empty(0, np.int32), *vertex]),
        np.concatenate([np.empty(0), *gap]),
        np.array(unknown, dtype=np.int64),
    )


@dataclass(frozen=True, slots=True)
class Overlaps:
    """What of one surface lies inside the other, at each of n poses.

    Parameters
    ----------
    area_mm2 : (n,)
        Area of the surface where its gap is negative.
    volume_mm3 : (n,)
        Integral of the depth (minus the gap) over that area. Where two surfaces meet flatly this
        is the volume that both hold; where the surface stands steeply to the other it is larger,
        as every part of it counts with its full area. Both directions together bracket no volume.
    n_unknown : (n,)
        Faces with a corner whose side is unknown and that lies within 0.1 mm or nearer than the
        face's longest edge; they are left out.
    """

    area_mm2: Float64Array
    volume_mm3: Float64Array
    n_unknown: Int64Array


@dataclass(frozen=True, slots=True)
class OverlapsAtPoses:
    """Overlaps of a's surface in b's distance, and of b's in a's."""

    on_a: Overlaps
    on_b: Overlaps


def overlaps(a: GapField, b: GapField, poses: Sequence[RigidTransform]) -> OverlapsAtPoses:
    """Return area and volume of the overlap at each pose T_a_b, in both directions.

    Notes
    -----
    The gap is exact at the vertices and taken as linear on each face, for which the integrals are
    exact (`clipped_integrals`): their error falls with the square of the faces' size. What overlaps
    within a face whose corners are all outside is not seen; the least gap sees it.
    """
    return OverlapsAtPoses(
        _overlaps(a, b, [pose.inverse() for pose in poses]), _overlaps(b, a, poses)
    )


def _overlaps(moving: GapField, field: GapField, poses: Sequence[RigidTransform]) -> Overlaps:
    """Return what of the moving surface lies inside the field's, at poses T_field_moving."""
    n = len(poses)
    area, volume = np.zeros(n), np.zeros(n)
    unknown = np.zeros(n, dtype=np.int64)
    for i, pose in enumerate(poses):
        found = corners_below(moving, field, pose, 0.0)
        if len(found.face) == 0:
            continue
        points = moving.surface.mesh.vertices[found.vertex]
        part = clipped_integrals(points, found.corner, found.gap_mm, 0.0)
        area[i], volume[i] = np.nansum(part.area_mm2), np.nansum(part.volume_mm3)
        unknown[i] = _n_unknown(moving, found)
    return Overlaps(area, volume, unknown)


def _n_unknown(moving: GapField, found: Corners) -> int:
    """Return how many faces near the field have a corner of unknown side."""
    is_unknown = np.isnan(found.facts[found.corner, 0]).any(axis=1)
    nearest = found.facts[found.corner, 1].min(axis=1)
    near = nearest < np.maximum(moving.longest_edge_mm[found.face], 0.1)
    return int(np.count_nonzero(is_unknown & near))
