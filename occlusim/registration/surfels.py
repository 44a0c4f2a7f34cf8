"""Surfels: a scan as pieces of half a millimetre, each a place, a normal and an area.

The means over some twenty vertices are hardly touched by noise and by the triangulation, and few
enough that thousands of poses can be tried. After Pfister, Zwicker, van Baar & Gross 2000
(Surfels: surface elements as rendering primitives, SIGGRAPH, 335-342).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from occlusim.arrays import BoolArray, Float64Array, Int32Array, frozen
from occlusim.geometry.surface import Surface

SIZE_MM = 0.6
"""Edge of the cubes whose surface makes one surfel of each facing."""

LEAST_FULL = 0.15
"""Least area of a surfel, in faces of its cube: slivers of surface have no sure normal."""

LEAST_SMOOTH = 0.7
"""Least length of a surfel's mean normal: below, the surface folds within the cube."""

GRID_MM = 0.7
MARGIN_MM = 4.0


@dataclass(frozen=True, slots=True)
class Surfels:
    """Places (n, 3), mm, and unit normals (n, 3) in the scan's frame; areas (n,), mm2."""

    points: Float64Array
    normals: Float64Array
    area_mm2: Float64Array

    @property
    def total_mm2(self) -> float:
        """The area of all."""
        return float(self.area_mm2.sum())

    def only(self, is_kept: BoolArray) -> Surfels:
        """Return some of the surfels."""
        return Surfels(self.points[is_kept], self.normals[is_kept], self.area_mm2[is_kept])


@dataclass(frozen=True, slots=True)
class SurfelGrid:
    """The surfel near each place of a grid, for looking up thousands of poses.

    Attributes
    ----------
    surfels : Surfels
    origin : (3,), mm
        Corner of the grid; its cells have edges of `GRID_MM`.
    nearest : (nx, ny, nz)
        A surfel in the occupied cell nearest to each cell.
    """

    surfels: Surfels
    origin: Float64Array
    nearest: Int32Array


def surfels_of(surface: Surface, size_mm: float = SIZE_MM) -> Surfels:
    """Return a surface's surfels: the area-weighted means of what lies in a cube and faces alike.

    Facing alike: the normal's largest coordinate is the same one, with the same sign.
    """
    vertices, normals = surface.mesh.vertices, surface.vertex_normals
    area = np.asarray(surface.vertex_area_mm2)
    used = np.flatnonzero(area > 0)
    place = np.floor((vertices[used] - vertices[used].min(axis=0)) / size_mm).astype(np.int64)
    axis = np.abs(normals[used]).argmax(axis=1)
    facing = 2 * axis + (normals[used, axis] > 0)
    key = np.ravel_multi_index((*place.T, facing), (*(place.max(axis=0) + 1), 6))
    _, cell = np.unique(key, return_inverse=True)
    weight = area[used]
    total = np.bincount(cell, weight)
    points, mean = (
        np.stack([np.bincount(cell, weight * x[used, k]) for k in range(3)], axis=1)
        / total[:, None]
        for x in (vertices, normals)
    )
    length = np.maximum(np.linalg.norm(mean, axis=1), 1e-12)
    kept = (length > LEAST_SMOOTH) & (total > LEAST_FULL * size_mm**2)
    if not kept.any():  # a speck, which nothing is found with, but still a scan
        kept[np.argmax(length * total)] = True
    return Surfels(
        frozen(points[kept], np.float64),
        frozen(mean[kept] / length[kept, None], np.float64),
        frozen(total[kept], np.float64),
    )


def grid_of(surfels: Surfels) -> SurfelGrid:
    """Return the grid that finds a surfel near any place within 4 mm of one."""
    origin = surfels.points.min(axis=0) - MARGIN_MM
    cell = np.floor((surfels.points - origin) / GRID_MM).astype(np.int64)
    shape = cell.max(axis=0) + 1 + int(np.ceil(MARGIN_MM / GRID_MM))
    held = np.full(shape, -1, dtype=np.int32)
    held[tuple(cell.T)] = np.arange(len(cell), dtype=np.int32)
    there = np.zeros((3, *held.shape), dtype=np.int32)
    distance_transform_edt(held < 0, return_distances=False, return_indices=True, indices=there)
    return SurfelGrid(surfels, frozen(origin, np.float64), frozen(held[tuple(there)], np.int32))
