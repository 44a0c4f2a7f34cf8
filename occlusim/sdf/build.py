"""Filling a sparse band of distances from the triangles of a surface, level by level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import (
    BoolArray,
    Float32Array,
    Float64Array,
    Int16Array,
    Int32Array,
    Int64Array,
    frozen,
    points_array,
)
from occlusim.errors import InputError
from occlusim.geometry.prisms import Prisms, Tiles
from occlusim.geometry.surface import Surface
from occlusim.kernels import blocks
from occlusim.kernels.band import CELLS, NODES, UNKNOWN
from occlusim.sdf.field import SdfSettings, SparseSdf

BYTES_PER_BLOCK = 2 * NODES**3 + 4 * 5
MAX_FACES_PER_VOXEL = 500.0
PER_TILE = blocks.TILE_BLOCKS**3
CHILDREN = np.stack(np.unravel_index(np.arange(8), (2, 2, 2)), -1)


@dataclass(frozen=True, slots=True)
class _Level:
    """Filled blocks of one size: their places (B, 3) in blocks of that size, and their nodes."""

    voxel_mm: float
    place: Int64Array
    nodes: Int16Array
    plane: Float32Array

    def only(self, is_kept: BoolArray) -> _Level:
        """Return some of the blocks."""
        if is_kept.all():
            return self
        return _Level(self.voxel_mm, self.place[is_kept], self.nodes[is_kept], self.plane[is_kept])

    def least_mm(self) -> Float64Array:
        """Return the least distance (B,), mm, from the surface over the known nodes of a block."""
        inner = np.stack(np.unravel_index(np.arange(NODES**3), (NODES,) * 3)).astype(np.float32)
        least = np.empty(len(self.nodes))
        for first in range(0, len(least), 1024):
            part = slice(first, first + 1024)
            step = self.nodes[part].astype(np.float32)
            plane = self.plane[part]
            value = plane[:, :1] + plane[:, 1:4] @ inner + plane[:, 4:] * step
            value[self.nodes[part] == UNKNOWN] = np.inf
            least[part] = np.abs(value).min(axis=1)
        return least


def _refuse_too_large(surface: Surface, settings: SdfSettings) -> None:
    """Raise where the band would not fit the memory, or the voxels do not suit the mesh."""
    vertices = surface.mesh.vertices
    size = np.ptp(vertices, axis=0) + 2 * settings.band_mm + 4 * settings.voxel_mm
    block_mm = CELLS * settings.voxel_mm
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


def _fill(
    surface: Surface,
    prisms: Prisms,
    origin: Float64Array,
    voxel_mm: float,
    band_mm: float,
    wanted: Int64Array | None,
) -> _Level:
    """Return the blocks of one voxel size that hold a known node; of `wanted` (n, 3) only."""
    tile_mm = CELLS * blocks.TILE_BLOCKS * voxel_mm
    tiles = Tiles.around(surface, prisms, band_mm, voxel_mm, tile_mm, origin)
    is_filled = np.diff(tiles.first) > 0
    shape = tuple(tiles.n_tiles)
    if wanted is not None:
        is_asked = np.zeros(shape, dtype=bool)
        is_asked[tuple((wanted // blocks.TILE_BLOCKS).T)] = True
        is_filled &= is_asked.ravel()
    chosen = frozen(np.flatnonzero(is_filled), np.int64)
    # Rows that stay empty are never touched, so they take no memory.
    nodes = np.empty((len(chosen) * PER_TILE, NODES**3), dtype=np.int16)
    plane = np.empty((len(nodes), 5), dtype=np.float32)
    is_used = np.zeros(len(nodes), dtype=bool)
    blocks.fill_tiles(
        len(chosen),
        surface.mesh.vertices,
        prisms.faces,
        prisms.kept,
        surface.face_normals,
        surface.is_flat,
        surface.edge_normals,
        surface.fan,
        surface.fan_normals,
        surface.is_boundary_edge,
        surface.is_open_fan,
        prisms.axis,
        prisms.slope,
        prisms.reach,
        prisms.open_edge,
        tiles.first,
        tiles.item,
        chosen,
        origin,
        tiles.n_tiles,
        voxel_mm,
        band_mm,
        nodes,
        plane,
        is_used,
    )
    slots = np.flatnonzero(is_used)
    tile = np.stack(np.unravel_index(chosen[slots // PER_TILE], shape), -1)
    inner = np.stack(np.unravel_index(slots % PER_TILE, (blocks.TILE_BLOCKS,) * 3), -1)
    place = tile * blocks.TILE_BLOCKS + inner
    if wanted is not None:
        is_asked = np.zeros(tiles.n_tiles * blocks.TILE_BLOCKS, dtype=bool)
        is_asked[tuple(wanted.T)] = True
        is_kept = is_asked[tuple(place.T)]
        slots, place = slots[is_kept], place[is_kept]
    return _Level(voxel_mm, place, nodes[slots], plane[slots])


def _places_near(
    points: Float64Array, origin: Float64Array, block_mm: float, reach_mm: float, shape: Int64Array
) -> BoolArray:
    """Return which places of a grid of blocks have a point within reach of their box."""
    low = np.floor((points - origin - reach_mm) / block_mm).astype(np.int64)
    high = np.floor((points - origin + reach_mm) / block_mm).astype(np.int64)
    is_near = np.zeros(tuple(shape), dtype=bool)
    meets = ((high >= 0) & (low < shape)).all(axis=1)
    low, high = np.clip(low[meets], 0, shape - 1), np.clip(high[meets], 0, shape - 1)
    most = (high - low).max(axis=0, initial=0)
    for step in np.ndindex(*(most + 1)):
        is_near[tuple(np.minimum(low + step, high).T)] = True
    return is_near


def _to_be_halved(
    level: _Level, origin: Float64Array, reach_mm: float, meeting: Float64Array | None
) -> BoolArray:
    """Return which blocks (B,) hold a place where the surface may be met."""
    is_near = level.least_mm() <= reach_mm
    if meeting is not None:
        shape = level.place.max(axis=0, initial=0) + 1
        places = _places_near(meeting, origin, CELLS * level.voxel_mm, reach_mm, shape)
        is_near &= places[tuple(level.place.T)]
    return is_near


def build_sdf(
    surface: Surface, settings: SdfSettings | None = None, meeting: ArrayLike | None = None
) -> SparseSdf:
    """Return the band of exact distances around a surface.

    Parameters
    ----------
    surface : Surface
    settings : SdfSettings
        The default has voxels of 0.1 mm and a band of 1 mm, and one level.
    meeting : (n, 3), mm
        Where another surface may come, in the surface's frame, such as the vertices of the
        opposing arch at the bite and along a movement: `fine_levels` halves the cells there only.

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
    voxel, band_mm = settings.voxel_mm, settings.band_mm
    prisms = Prisms.of(surface, band_mm)
    origin = frozen(surface.mesh.vertices.min(axis=0) - band_mm - 2 * voxel, np.float64)
    near = None if meeting is None else points_array(meeting, "meeting")
    levels = [_fill(surface, prisms, origin, voxel, band_mm, None)]
    halved: list[BoolArray] = []
    for _ in range(settings.fine_levels):
        level = levels[-1]
        is_halved = _to_be_halved(level, origin, settings.fine_reach_mm, near)
        if not is_halved.any():
            break
        halved.append(is_halved)
        wanted = (2 * level.place[is_halved][:, None] + CHILDREN).reshape(-1, 3)
        need_mb = BYTES_PER_BLOCK * (len(wanted) + sum(len(p.place) for p in levels)) / 1e6
        if need_mb > settings.memory_limit_mb:
            raise InputError(
                f"distance field: about {need_mb:.0f} MB needed with {settings.fine_levels} finer "
                f"levels, {settings.memory_limit_mb:.0f} MB allowed; take fewer levels or a "
                "smaller fine_reach_mm"
            )
        levels.append(_fill(surface, prisms, origin, 0.5 * level.voxel_mm, band_mm, wanted))
    return _assembled(levels, halved, origin, settings)


def _assembled(
    levels: list[_Level], halved: list[BoolArray], origin: Float64Array, settings: SdfSettings
) -> SparseSdf:
    """Return the field of blocks of all levels; a block that was halved gives way to its parts."""
    halved = [*halved, np.zeros(len(levels[-1].place), dtype=bool)]
    kept = [level.only(~is_halved) for level, is_halved in zip(levels, halved, strict=True)]
    n_octants = 0
    n_rows = 0
    entry: list[Int32Array] = []
    for is_halved in halved:
        code = np.empty(len(is_halved), dtype=np.int32)
        code[is_halved] = -2 - n_octants - np.arange(is_halved.sum())
        code[~is_halved] = n_rows + np.arange((~is_halved).sum())
        n_octants += int(is_halved.sum())
        n_rows += int((~is_halved).sum())
        entry.append(code)
    octants = np.full((n_octants, 8), -1, dtype=np.int32)
    for coarse, code, fine, fine_code in zip(
        levels[:-1], entry[:-1], levels[1:], entry[1:], strict=True
    ):
        parents = np.flatnonzero(code < -1)
        shape = tuple(coarse.place.max(axis=0) + 1)
        order = np.ravel_multi_index(tuple(coarse.place[parents].T), shape)
        parent = np.ravel_multi_index(tuple((fine.place // 2).T), shape)
        by_place = np.argsort(order)
        owner = parents[by_place[np.searchsorted(order, parent, sorter=by_place)]]
        octants[-2 - code[owner], (fine.place % 2) @ (4, 2, 1)] = fine_code
    size = levels[0].place.max(axis=0, initial=0) + 1
    block_index = np.full(tuple(size), -1, dtype=np.int32)
    block_index[tuple(levels[0].place.T)] = entry[0]
    lattice = [*origin, settings.voxel_mm, 1.0 / settings.voxel_mm]
    return SparseSdf(
        lattice=frozen(lattice, np.float64),
        band_mm=settings.band_mm,
        block_index=frozen(block_index, np.int32),
        octants=frozen(octants, np.int32),
        nodes=frozen(np.concatenate([level.nodes for level in kept]), np.int16),
        plane=frozen(np.concatenate([level.plane for level in kept]), np.float32),
    )
