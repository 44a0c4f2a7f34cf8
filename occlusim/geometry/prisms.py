"""Where the faces of a surface can be nearest, and in which tiles of a grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int8Array, Int32Array, Int64Array, frozen
from occlusim.geometry.surface import Surface
from occlusim.kernels import prisms, topology


@dataclass(frozen=True, slots=True)
class Prisms:
    """The boxes that hold every place to which a face, or an open edge, is the nearest.

    Parameters
    ----------
    faces : (F, 3)
        With vertices at the same place joined.
    kept : (m,)
        Faces that can be nearest.
    axis : (m,)
        The dominant axis of each.
    slope : (m, 3, 4)
        Range of slopes of the normals around each corner, see `occlusim.kernels.prisms`.
    open_edge : (e, 2)
        Face and edge of the open edges.
    reach : (m + e, 6), mm
        Low and high corner of the places, within the distance of the band.
    """

    faces: Int32Array
    kept: Int64Array
    axis: Int8Array
    slope: Float64Array
    open_edge: Int64Array
    reach: Float64Array

    @staticmethod
    def of(surface: Surface, band_mm: float) -> Prisms:
        """Return the prisms of a surface's faces out to a distance."""
        vertices = surface.mesh.vertices
        faces = frozen(surface.vertex_of[surface.mesh.faces], np.int32)
        kept = frozen(np.sort(surface.slot_face), np.int64)
        start, corner = topology.corner_lists(faces, surface.fate, len(vertices))
        m = len(kept)
        axis, slope, reach = np.empty(m, np.int8), np.empty((m, 3, 4)), np.empty((m, 6))
        prisms.face_prisms(
            m,
            vertices,
            faces,
            kept,
            surface.face_normals,
            start,
            corner,
            _rough_vertices(surface, faces),
            band_mm,
            axis,
            slope,
            reach,
        )
        open_edge = np.argwhere(surface.edge_code == topology.EDGE_OPEN).astype(np.int64)
        ends = np.stack(
            [vertices[faces[open_edge[:, 0], (open_edge[:, 1] + k) % 3]] for k in range(2)]
        )
        edge_reach = np.concatenate(
            [ends.min(axis=0) - band_mm, ends.max(axis=0) + band_mm], axis=1
        )
        return Prisms(
            faces=faces,
            kept=kept,
            axis=frozen(axis, np.int8),
            slope=frozen(slope, np.float64),
            open_edge=frozen(open_edge, np.int64),
            reach=frozen(np.concatenate([reach, edge_reach]), np.float64),
        )


@dataclass(frozen=True, slots=True)
class Tiles:
    """The cubes of a grid and the prisms that reach into each.

    Parameters
    ----------
    origin : (3,), mm
    n_tiles : (3,)
    first : (tiles + 1,), item
        `item[first[t]:first[t + 1]]` are the rows of `Prisms.reach` in tile t, z fastest.
    """

    origin: Float64Array
    n_tiles: Int64Array
    first: Int64Array
    item: Int32Array

    @staticmethod
    def around(
        surface: Surface,
        prisms_: Prisms,
        band_mm: float,
        voxel_mm: float,
        tile_mm: float,
        origin: Float64Array,
    ) -> Tiles:
        """Return tiles of a size that cover a surface and its band from an origin on."""
        high = surface.mesh.vertices.max(axis=0) + band_mm + 2 * voxel_mm
        n_tiles = frozen(np.ceil((high - origin) / tile_mm), np.int64)
        first, item = prisms.tile_lists(prisms_.reach, origin, tile_mm, voxel_mm, n_tiles)
        return Tiles(origin, n_tiles, frozen(first, np.int64), frozen(item, np.int32))


def _rough_vertices(surface: Surface, faces: Int32Array) -> BoolArray:
    """Return which vertices (V,) have neighbours that break the rule of cones (see the kernel)."""
    is_rough = np.zeros(len(surface.mesh.vertices), dtype=bool)
    is_rough[faces[surface.is_flat]] = True
    is_odd = (surface.edge_code != topology.EDGE_SHARED) & (surface.edge_code != topology.EDGE_OPEN)
    face, k = np.nonzero(is_odd)
    is_rough[faces[face, k]] = True
    is_rough[faces[face, (k + 1) % 3]] = True
    return frozen(is_rough, np.bool_)
