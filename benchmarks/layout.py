"""How the band lies in memory: the one place of the benchmarks that looks inside it.

Blocks of 9 nodes a side in 16-bit steps above a plane; places may be halved.
"""

from __future__ import annotations

import numpy as np

from occlusim.kernels.band import CELLS, NODES, UNKNOWN
from occlusim.sdf import SparseSdf


def numbers(sdf: SparseSdf) -> np.ndarray:
    """Return all nodes as they are stored, block after block (B * 729,)."""
    return sdf.nodes.reshape(-1)


def blocks_mb(sdf: SparseSdf) -> float:
    """Return the memory of the blocks, MB, with what belongs to a block."""
    return (sdf.nodes.nbytes + sdf.plane.nbytes) / 1e6


def index_mb(sdf: SparseSdf) -> float:
    """Return the memory of all that finds a block, MB."""
    return sdf.memory_bytes / 1e6 - blocks_mb(sdf)


def origin(sdf: SparseSdf) -> np.ndarray:
    """Return the first node (3,), mm."""
    return sdf.lattice[:3]


def n_known(sdf: SparseSdf) -> int:
    """Return how many stored nodes are known; those that blocks share count for each."""
    return int((sdf.nodes != UNKNOWN).sum())


def leaves(sdf: SparseSdf) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return first node (B, 3), mm, cell (B,), mm, and row (B,) of every block, level by level."""
    place = np.argwhere(sdf.block_index != -1)
    code = sdf.block_index[tuple(place.T)]
    first, cell = origin(sdf) + place * CELLS * sdf.voxel_mm, sdf.voxel_mm
    found = []
    while len(code):
        is_row = code >= 0
        found.append((first[is_row], np.full(is_row.sum(), cell), code[is_row]))
        if is_row.all():
            break
        cell /= 2
        part = np.stack(np.unravel_index(np.arange(8), (2, 2, 2)), -1)
        first = (first[~is_row][:, None] + part * CELLS * cell).reshape(-1, 3)
        code = sdf.octants[-2 - code[~is_row]].ravel()
        first, code = first[code != -1], code[code != -1]
    return tuple(np.concatenate(part) for part in zip(*found, strict=True))


def known_nodes(sdf: SparseSdf) -> tuple[np.ndarray, np.ndarray]:
    """Return places (n, 3), mm, and values (n,), mm, of the known nodes, each once, by blocks."""
    first, cell, row = leaves(sdf)
    inner = np.stack(np.unravel_index(np.arange(NODES**3), (NODES,) * 3), -1)
    held = numbers(sdf).reshape(-1, NODES**3)[row]
    plane = sdf.plane[row].astype(np.float64)
    value = plane[:, :1] + plane[:, 1:4] @ inner.T + plane[:, 4:] * held
    value[held == UNKNOWN] = np.nan
    block, node = np.nonzero(np.isfinite(value))
    place = first[block] + cell[block, None] * inner[node]
    step = np.rint((place - origin(sdf)) / cell.min()).astype(np.int64)
    _, kept = np.unique(np.ravel_multi_index(tuple(step.T), tuple(step.max(axis=0) + 1)),
                        return_index=True)  # fmt: skip
    kept.sort()
    return place[kept], value[block, node][kept]


def cell_starts(sdf: SparseSdf, points: np.ndarray) -> np.ndarray:
    """Return where among the numbers each point's cell begins (n,); -1 outside the blocks."""
    at = (points - origin(sdf)) / (CELLS * sdf.voxel_mm)
    place = np.floor(at).astype(np.int64)
    inside = ((place >= 0) & (place < np.array(sdf.block_index.shape))).all(axis=1)
    place[~inside] = 0
    code = np.where(inside, sdf.block_index[tuple(place.T)], -1).astype(np.int64)
    at -= place
    while (code < -1).any():
        is_halved = code < -1
        half = (at[is_halved] >= 0.5).astype(np.int64)
        at[is_halved] = 2 * at[is_halved] - half
        code[is_halved] = sdf.octants[-2 - code[is_halved], half @ (4, 2, 1)]
    x, y, z = np.minimum(at * CELLS, CELLS - 1).astype(np.int64).T
    return np.where(code >= 0, code * NODES**3 + (x * NODES + y) * NODES + z, -1)
