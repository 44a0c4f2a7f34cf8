"""The fast distance: a sparse band of voxel blocks around a surface, read by interpolation.

Node values are exact (to float32); between nodes the trilinear value of a distance differs from
the distance by up to half a voxel across a groove and by the square of the voxel where the
surface is smooth. Search on the band, finish on `Surface.closest`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float32Array, Float64Array, Int32Array, frozen, points_array
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels import blocks, prisms, topology
from occlusim.kernels.jit import thread_count

BYTES_PER_BLOCK = 4 * blocks.NODES**3
MAX_FACES_PER_VOXEL = 500.0


@dataclass(frozen=True, slots=True)
class SdfSettings:
    """How fine and how wide the band is, and how much memory it may take."""

    voxel_mm: float = 0.1
    band_mm: float = 1.0
    memory_limit_mb: float = 2000.0

    def __post_init__(self) -> None:
        for name in ("voxel_mm", "band_mm", "memory_limit_mb"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(f"distance field: {name} = {value} given, above 0 wanted")
        if self.band_mm < 2 * self.voxel_mm:
            raise InputError(
                f"distance field: band_mm = {self.band_mm} given, "
                f"at least two voxels ({2 * self.voxel_mm} mm) wanted"
            )


@dataclass(frozen=True, slots=True)
class SparseSdf:
    """Signed distances on the nodes of voxel blocks; NaN is unknown.

    Parameters
    ----------
    origin : (3,), mm
        First node of the first block, in the surface's frame.
    voxel_mm, band_mm
    block_index : (X, Y, Z)
        Row of `blocks` for each place of 8 cells a side, -1 where there is none.
    blocks : (B, 729), mm
        9 x 9 x 9 nodes, the last axis (z) fastest.

    Notes
    -----
    Unknown are nodes beyond the band and nodes whose nearest feature lies on an open edge; a value
    is known where all eight nodes around it are, so surely within `band_mm` less the diagonal of
    a voxel.
    """

    origin: Float64Array
    voxel_mm: float
    band_mm: float
    block_index: Int32Array
    blocks: Float32Array

    @property
    def n_blocks(self) -> int:
        """Blocks held."""
        return len(self.blocks)

    @property
    def memory_bytes(self) -> int:
        """Bytes held by blocks and index."""
        return self.blocks.nbytes + self.block_index.nbytes

    def sample(
        self, points: ArrayLike, T_field_points: RigidTransform | None = None
    ) -> Float64Array:
        """Return interpolated signed distances (n,), mm, NaN where unknown.

        Parameters
        ----------
        points : (n, 3), mm
        T_field_points
            Carries the points into the field's frame; none leaves them where they are.
        """
        queries = points_array(points)
        out = np.empty(len(queries))
        self.sample_into(out, queries, T_field_points or RigidTransform.identity())
        return out

    def sample_into(
        self, out: Float64Array, points: Float64Array | Float32Array, T_field_points: RigidTransform
    ) -> None:
        """Write interpolated signed distances into `out` (n,), mm, without any check or copy.

        For loops over poses: `points` (n, 3) float32 or float64, C-contiguous.
        """
        blocks.sample_values(
            frozen(points, points.dtype),
            T_field_points.rotation,
            T_field_points.translation,
            self.origin,
            1.0 / self.voxel_mm,
            self.block_index,
            self.blocks,
            out,
        )

    def lower_bounds(
        self, points: ArrayLike, T_field_points: RigidTransform | None = None
    ) -> Float64Array:
        """Return lower bounds (n,), mm, of the exact distances; NaN where no node around is known.

        A distance changes no faster than its point, so each of the eight nodes gives a bound. At a
        flat surface the best of them lies some 0.2 voxels below the distance, at most 0.9. For
        searches that must not lose a place, also beside the unknown.

        Parameters
        ----------
        points : (n, 3), mm
        T_field_points
            Carries the points into the field's frame; none leaves them where they are.
        """
        queries = points_array(points)
        T = T_field_points or RigidTransform.identity()
        out = np.empty(len(queries))
        blocks.sample_lower(
            frozen(queries, np.float64),
            T.rotation,
            T.translation,
            self.origin,
            self.voxel_mm,
            self.block_index,
            self.blocks,
            out,
        )
        return out

    def sample_with_gradient(
        self, points: ArrayLike, T_field_points: RigidTransform | None = None
    ) -> tuple[Float64Array, Float64Array]:
        """Return distances (n,), mm, and their gradients (n, 3) in the field's frame.

        The gradient is that of the trilinear value: exact for it, not quite of unit length.
        """
        queries = frozen(points_array(points), np.float64)
        T_field_points = T_field_points or RigidTransform.identity()
        out, gradient = np.empty(len(queries)), np.empty((len(queries), 3))
        blocks.sample_gradients(
            queries,
            T_field_points.rotation,
            T_field_points.translation,
            self.origin,
            1.0 / self.voxel_mm,
            self.block_index,
            self.blocks,
            out,
            gradient,
        )
        return out, gradient


def _refuse_too_large(surface: Surface, settings: SdfSettings) -> None:
    """Raise where the band would not fit the memory, or the voxels do not suit the mesh."""
    vertices = surface.mesh.vertices
    size = np.ptp(vertices, axis=0) + 2 * settings.band_mm + 4 * settings.voxel_mm
    block_mm = blocks.CELLS * settings.voxel_mm
    area = float(surface.face_area_mm2.sum())
    layers = 2 * settings.band_mm / block_mm + 2
    places = float(np.prod(np.ceil(size / block_mm)))
    n_blocks = min(places, 1.3 * (area / block_mm**2 + 1) * layers)
    need_mb = (n_blocks * BYTES_PER_BLOCK + 4 * places) / 1e6
    extent = ", ".join(f"{s:.4g}" for s in np.ptp(vertices, axis=0))
    if need_mb > settings.memory_limit_mb:
        raise InputError(
            f"distance field: about {need_mb:.0f} MB needed for a mesh of {extent} mm with voxels "
            f"of {settings.voxel_mm} mm, {settings.memory_limit_mb:.0f} MB allowed; check the "
            "mesh's unit, or take larger voxels"
        )
    density = len(surface.slot_face) * settings.voxel_mm**2 / max(area, 1e-300)
    if density > MAX_FACES_PER_VOXEL:
        raise InputError(
            f"distance field: the mesh of {extent} mm has {density:.0f} faces to each voxel of "
            f"{settings.voxel_mm} mm, at most {MAX_FACES_PER_VOXEL:.0f} allowed; the mesh may be "
            "in metres, or smaller voxels are wanted"
        )


def _rough_vertices(surface: Surface, faces: Int32Array, is_flat: np.ndarray) -> np.ndarray:
    """Return which vertices (V,) have neighbours that break the rule of cones (see prisms)."""
    is_rough = np.zeros(len(surface.mesh.vertices), dtype=bool)
    is_rough[faces[is_flat]] = True
    is_odd = (surface.edge_code != topology.EDGE_SHARED) & (surface.edge_code != topology.EDGE_OPEN)
    face, k = np.nonzero(is_odd)
    is_rough[faces[face, k]] = True
    is_rough[faces[face, (k + 1) % 3]] = True
    return is_rough


def build_sdf(surface: Surface, settings: SdfSettings | None = None) -> SparseSdf:
    """Return the band of exact distances around a surface.

    Parameters
    ----------
    surface : Surface
    settings : SdfSettings
        The default has voxels of 0.1 mm and a band of 1 mm.

    Raises
    ------
    InputError
        If the band would take more than the memory allowed, or the mesh is far too fine for the
        voxels, as a mesh in metres is.

    Notes
    -----
    Every node that can have a triangle as its nearest is visited from that triangle (Mauch 2003),
    not searched for in the tree. The result does not depend on the number of threads.
    """
    settings = settings or SdfSettings()
    _refuse_too_large(surface, settings)
    voxel, band = settings.voxel_mm, settings.band_mm
    vertices = surface.mesh.vertices
    faces = np.ascontiguousarray(surface.vertex_of[surface.mesh.faces])
    kept = np.sort(surface.slot_face).astype(np.int64)
    start, corner = topology.corner_lists(faces, surface.fate, len(vertices))
    is_rough = _rough_vertices(surface, faces, surface.is_flat)
    m = len(kept)
    axis = np.empty(m, dtype=np.int8)
    slope = np.empty((m, 3, 4))
    reach = np.empty((m, 6))
    prisms.face_prisms(
        vertices,
        faces,
        kept,
        surface.face_normals,
        start,
        corner,
        is_rough,
        band,
        axis,
        slope,
        reach,
    )
    open_edge = np.argwhere(surface.edge_code == topology.EDGE_OPEN).astype(np.int64)
    ends = np.stack([vertices[faces[open_edge[:, 0], (open_edge[:, 1] + k) % 3]] for k in range(2)])
    edge_reach = np.concatenate([ends.min(axis=0) - band, ends.max(axis=0) + band], axis=1)
    origin = vertices.min(axis=0) - band - 2 * voxel
    tile_mm = blocks.CELLS * blocks.TILE_BLOCKS * voxel
    n_tiles = np.ceil((vertices.max(axis=0) + band + 2 * voxel - origin) / tile_mm)
    n_tiles = n_tiles.astype(np.int64)
    first, item = prisms.tile_lists(
        np.concatenate([reach, edge_reach]), origin, tile_mm, voxel, n_tiles
    )
    tiles = np.flatnonzero(np.diff(first))
    per_tile = blocks.TILE_BLOCKS**3
    values = np.empty((len(tiles) * per_tile, blocks.NODES**3), dtype=np.float32)
    is_used = np.zeros(len(values), dtype=bool)
    blocks.fill_tiles(
        vertices,
        faces,
        kept,
        surface.face_normals,
        surface.is_flat,
        surface.edge_normals,
        surface.fan,
        surface.fan_normals,
        surface.is_boundary_edge,
        surface.is_open_fan,
        axis,
        slope,
        reach,
        open_edge,
        first,
        item,
        tiles,
        origin,
        n_tiles,
        voxel,
        band,
        8 * thread_count(),
        values,
        is_used,
    )
    slots = np.flatnonzero(is_used)
    tile_xyz = np.stack(np.unravel_index(tiles[slots // per_tile], tuple(n_tiles)))
    place = np.stack(np.unravel_index(slots % per_tile, (blocks.TILE_BLOCKS,) * 3))
    block_index = np.full(tuple(n_tiles * blocks.TILE_BLOCKS), -1, dtype=np.int32)
    block_index[tuple(tile_xyz * blocks.TILE_BLOCKS + place)] = np.arange(len(slots))
    return SparseSdf(
        origin=frozen(origin, np.float64),
        voxel_mm=voxel,
        band_mm=band,
        block_index=frozen(block_index, np.int32),
        blocks=frozen(values[slots], np.float32),
    )
