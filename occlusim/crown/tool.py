"""A ball cutter's reach: where it cannot follow a cut, more is taken off, never less.

Per spot the cutter points along the mean direction of removal. At each place the lowest ball is
found that touches the surface and cuts into nothing; what lies below all of these is not reached.
There the ball that needs the least lowering from where it rests on the needed cut is lowered until
it reaches, worst place first, as long as it leaves everything outside the spot and its ring alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix, vstack
from scipy.spatial import KDTree

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array
from occlusim.crown.deepening import Removal
from occlusim.geometry.mesh import TriangleMesh

REACHED_MM = 0.0005
CUT_MM = 0.0005
SEATS_AT_ONCE = 256


@dataclass(frozen=True, slots=True)
class ToolCut:
    """Depths (V,) that a ball cutter can make, and what of them it would leave standing (V,)."""

    depth_mm: Float64Array
    stays_mm: Float64Array


def tool_depths(
    removal: Removal, depth_mm: Float64Array, owner: Int32Array, radius_mm: float
) -> ToolCut:
    """Return depths, none smaller than given, whose surface a ball of some radius can reach.

    Parameters
    ----------
    removal : Removal
    depth_mm : (V,)
        That are needed.
    owner : (V,)
        Spot of each vertex, -1 outside.
    radius_mm

    Notes
    -----
    A hollow that is tighter than the ball before the cut is not widened: what the ball would leave
    standing on the input crown it may leave on the cut one.
    """
    depth, stays = depth_mm.copy(), np.zeros(len(depth_mm))
    cut = TriangleMesh(removal.moved(depth_mm), removal.faces)
    normals = _vertex_normals(cut)
    tree = KDTree(cut.vertices)
    for spot in np.unique(owner[depth_mm > CUT_MM]):
        own = np.flatnonzero((owner == spot) & removal.allowed)
        axis = removal.directions[own].sum(axis=0)
        axis /= np.linalg.norm(axis)
        reach = 2.0 * radius_mm
        near = np.unique(np.concatenate(tree.query_ball_point(cut.vertices[own], reach)))
        view = _View.along(axis, cut.vertices[near], removal.vertices[near])
        is_own = np.isin(near, own)
        wants = np.flatnonzero(is_own & (depth_mm[near] > CUT_MM))
        balls, left = _lowered(view, wants, is_own, normals[near], axis, radius_mm)
        stays[near[wants]] = left
        for centre in balls:
            start = cut.vertices[own] - centre
            along = np.einsum("ij,ij->i", start, removal.directions[own])
            room = along**2 - (np.einsum("ij,ij->i", start, start) - radius_mm**2)
            inside = np.einsum("ij,ij->i", start, start) < radius_mm**2
            way = np.where(inside, -along + np.sqrt(np.maximum(room, 0.0)), 0.0)
            depth[own] = np.maximum(depth[own], depth_mm[own] + way)
    return ToolCut(np.maximum(np.minimum(depth, removal.cap_mm), depth_mm), stays)


@dataclass(frozen=True, slots=True)
class _View:
    """Vertices (n) seen along the cutter: place across (n, 2), height cut and as given (n,)."""

    frame: Float64Array
    across: Float64Array
    height: Float64Array
    given: Float64Array
    given_across: Float64Array

    @staticmethod
    def along(axis: Float64Array, cut: Float64Array, given: Float64Array) -> _View:
        """Return the view of places (n, 3) after and before the cut; heights grow outwards."""
        first = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
        first /= np.linalg.norm(first)
        frame = np.asarray(np.stack([first, np.cross(axis, first)]), dtype=np.float64)
        return _View(frame, cut @ frame.T, -cut @ axis, -given @ axis, given @ frame.T)


def _lowered(
    view: _View,
    wants: Int64Array,
    is_own: BoolArray,
    normals: Float64Array,
    axis: Float64Array,
    radius_mm: float,
) -> tuple[list[Float64Array], Float64Array]:
    """Return the centres (3,) of balls that have to go lower, and what stays at `wants` (k,)."""
    aside = view.across[wants] + radius_mm * normals[wants] @ view.frame.T
    seats = np.concatenate([view.across[wants], aside])
    now, fixed, reach = _resting(seats, view.across, view.height, ~is_own, wants, radius_mm)
    before, _, reach_before = _resting(
        seats, view.given_across, view.given, ~is_own, wants, radius_mm
    )
    missing_before = _missing(before, reach_before, view.given[wants])
    goal = view.height[wants] + np.where(np.isfinite(missing_before), missing_before, 0.0)
    centre = now.copy()
    left = _missing(centre, reach, goal)
    given_up = np.zeros(len(wants), dtype=np.bool_)
    columns = reach.tocsc()
    balls: dict[int, Float64Array] = {}
    while True:
        open_mm = np.where(given_up, 0.0, left)
        worst = int(np.argmax(open_mm)) if len(open_mm) else 0
        if len(open_mm) == 0 or open_mm[worst] <= REACHED_MM:
            break
        rows = columns.indices[columns.indptr[worst] : columns.indptr[worst + 1]]
        needed = goal[worst] + columns.data[columns.indptr[worst] : columns.indptr[worst + 1]]
        fits = needed >= fixed[rows]
        if not fits.any():
            given_up[worst] = True
            continue
        choice = np.flatnonzero(fits)[np.argmin((now[rows] - needed)[fits])]
        seat = int(rows[choice])
        centre[seat] = needed[choice]
        place = seats[seat] @ view.frame - centre[seat] * axis
        balls[seat] = place
        row = slice(reach.indptr[seat], reach.indptr[seat + 1])
        hit = reach.indices[row]
        now_left = np.maximum(centre[seat] - reach.data[row] - goal[hit], 0.0)
        left[hit] = np.minimum(left[hit], now_left)
    return list(balls.values()), np.where(given_up, left, 0.0)


def _resting(
    seats: Float64Array,
    across: Float64Array,
    height: Float64Array,
    is_fixed: BoolArray,
    wants: Int64Array,
    radius_mm: float,
) -> tuple[Float64Array, Float64Array, csr_matrix]:
    """Return the height (m,) of the lowest ball's middle over each seat, on all and on fixed ones.

    Returns also (m, k), sparse, how far below its middle the ball's underside is over `wants` (k,).
    """
    every, fixed = np.full(len(seats), -np.inf), np.full(len(seats), -np.inf)
    tree, parts = KDTree(across), []
    for first in range(0, len(seats), SEATS_AT_ONCE):
        some = slice(first, first + SEATS_AT_ONCE)
        pairs = KDTree(seats[some]).sparse_distance_matrix(
            tree, radius_mm * (1 - 1e-9), output_type="coo_matrix"
        )
        drop = np.sqrt(radius_mm**2 - pairs.data**2)
        touch = height[pairs.col] + drop
        np.maximum.at(every[some], pairs.row, touch)
        is_held = is_fixed[pairs.col]
        np.maximum.at(fixed[some], pairs.row[is_held], touch[is_held])
        whole = csr_matrix((drop, (pairs.row, pairs.col)), shape=pairs.shape)
        parts.append(whole[:, wants])
    return every, fixed, csr_matrix(vstack(parts))


def _missing(centre: Float64Array, rise: csr_matrix, goal: Float64Array) -> Float64Array:
    """Return how far above each goal (k,) the lowest underside of the balls stays; at least 0."""
    pairs = rise.tocoo()
    lowest = np.full(len(goal), np.inf)
    np.minimum.at(lowest, pairs.col, centre[pairs.row] - pairs.data)
    return np.maximum(lowest - goal, 0.0)


def _vertex_normals(mesh: TriangleMesh) -> Float64Array:
    """Return vertex normals (V, 3) weighted by area."""
    total = np.zeros(mesh.vertices.shape)
    vectors = mesh.face_vectors()
    for k in range(3):
        np.add.at(total, mesh.faces[:, k], vectors)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-30)
