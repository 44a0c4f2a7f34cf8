"""Lists of the triangles that can be nearest: exact distances at a fraction of the tree's cost."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import frozen
from occlusim.errors import InputError
from occlusim.geometry.prisms import Prisms, Tiles
from occlusim.geometry.surface import NearLists, Surface
from occlusim.kernels import near

BYTES_PER_ENTRY = 8  # listed before thinning, and packed
ENTRIES_PER_CELL = 60.0  # before thinning; on dental scans 20 to 40


@dataclass(frozen=True, slots=True)
class NearSettings:
    """How far from the surface lists are kept, how fine, and how much memory they may take."""

    reach_mm: float = 0.3
    cell_mm: float = 0.15
    memory_limit_mb: float = 2000.0

    def __post_init__(self) -> None:
        for name in ("reach_mm", "cell_mm", "memory_limit_mb"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(f"near lists: {name} = {value} given, above 0 wanted")


def with_near_lists(surface: Surface, settings: NearSettings | None = None) -> Surface:
    """Return the surface with lists by which near points are answered; the answers are the same.

    Parameters
    ----------
    surface : Surface
    settings : NearSettings
        The default lists what is nearest to places within 0.3 mm.

    Raises
    ------
    InputError
        If the lists would take more than the memory allowed.

    Notes
    -----
    Worth it where a surface is asked some millions of times; fewer queries do not pay for it.
    Farther points, and those that a list cannot settle, go to the tree. Of features that are
    equally near another one may be named.
    """
    settings = settings or NearSettings()
    reach, cell = settings.reach_mm, settings.cell_mm
    vertices = surface.mesh.vertices
    low = vertices.min(axis=0) - reach - 2 * cell
    _refuse_too_large(surface, settings)
    prisms = Prisms.of(surface, reach)
    block_mm = near.CELLS * cell
    tiles = Tiles.around(surface, prisms, reach, cell, block_mm, frozen(low, np.float64))
    chosen = frozen(np.flatnonzero(np.diff(tiles.first)), np.int64)
    slot_of = np.full(len(surface.mesh.faces), -1, dtype=np.int32)
    slot_of[surface.slot_face] = np.arange(len(surface.slot_face))
    n_listed = np.empty((len(chosen), near.PER_BLOCK + 1), dtype=np.int64)

    def walk(begin: np.ndarray, listed: np.ndarray, step: int) -> None:
        near.list_blocks(
            len(chosen),
            vertices,
            prisms.faces,
            prisms.kept,
            frozen(slot_of, np.int32),
            prisms.axis,
            prisms.slope,
            prisms.reach,
            prisms.open_edge,
            tiles.first,
            tiles.item,
            chosen,
            tiles.origin,
            tiles.n_tiles,
            cell,
            surface.corners,
            begin,
            listed,
            n_listed,
            step,
        )

    walk(np.zeros(len(chosen), dtype=np.int64), np.empty(0, dtype=np.int32), 0)
    begin = np.concatenate([[0], np.cumsum(n_listed[:, -1])])
    if begin[-1] * BYTES_PER_ENTRY / 1e6 > settings.memory_limit_mb:
        raise _too_large(begin[-1] * BYTES_PER_ENTRY / 1e6, settings)
    listed = np.empty(begin[-1], dtype=np.int32)
    begin = begin[:-1]
    walk(begin, listed, 1)
    offset = np.concatenate([[0], np.cumsum(n_listed[:, -1])])
    first = np.empty(n_listed.shape, dtype=np.int32)
    item = np.empty(offset[-1], dtype=np.int32)
    near.pack_lists(len(begin), begin, n_listed, offset[:-1], listed, first, item)
    block_index = np.full(tuple(tiles.n_tiles), -1, dtype=np.int32)
    block_index.ravel()[chosen] = np.arange(len(chosen))
    middle = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
    size = float(np.abs(vertices - middle).max()) + reach
    a, b, c = np.split(surface.corners, 3, axis=1)
    flat = np.concatenate([a - middle, b - a, c - a], axis=1)
    lists = NearLists(
        grid=frozen([*low, cell, 1.0 / cell, reach], np.float64),
        block_index=frozen(block_index, np.int32),
        first=frozen(first, np.int32),
        item=frozen(item, np.int32),
        flat=frozen(flat, np.float32),
        middle=frozen([*middle, near.MARGIN * size], np.float64),
    )
    return replace(surface, near=lists)


def _too_large(need_mb: float, settings: NearSettings) -> InputError:
    return InputError(
        f"near lists: about {need_mb:.0f} MB needed with cells of {settings.cell_mm} mm within "
        f"{settings.reach_mm} mm, {settings.memory_limit_mb:.0f} MB allowed; check the mesh's "
        "unit, or take larger cells or a smaller reach"
    )


def _refuse_too_large(surface: Surface, settings: NearSettings) -> None:
    """Raise where even the empty blocks would not fit the memory."""
    size = np.ptp(surface.mesh.vertices, axis=0) + 2 * settings.reach_mm + 4 * settings.cell_mm
    places = float(np.prod(np.ceil(size / (near.CELLS * settings.cell_mm))))
    cells = 2 * settings.reach_mm * float(surface.face_area_mm2.sum()) / settings.cell_mm**3
    need_mb = (4 * places + BYTES_PER_ENTRY * ENTRIES_PER_CELL * cells) / 1e6
    if need_mb > settings.memory_limit_mb:
        raise _too_large(need_mb, settings)
