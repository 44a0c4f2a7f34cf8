"""Depths of vertices until whole facets, not only vertices, keep the wanted gap on the path.

A facet over a convex antagonist stands above the chord of its corners' depths, and an antagonist's
vertex can poke between the crown's vertices, so depths found vertex by vertex are not enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, any_corner, frozen
from occlusim.crown.clearance import (
    FacetMinimum,
    Opposing,
    SweptClearance,
    facet_bounds,
    path_arrays,
    swept_clearance,
    swept_facet_clearance,
    tree_arrays,
)
from occlusim.crown.path import PathTable
from occlusim.kernels.sweep import swept_depth

MOST_ROUNDS = 40
CHECK_LIMIT_MM = 0.1
STEEPEST = 0.15
# Facets with a longer side are looked at once more, at places this far apart or nearer.
LARGE_MM = 0.2
PLACE_SPACING_MM = 0.05
PLACES_HIDE_MM = 0.002


@dataclass(frozen=True, slots=True)
class Removal:
    """What may be moved, and which way.

    Attributes
    ----------
    vertices : (V, 3), mm
        Before the cut.
    faces : (F, 3)
    directions : (V, 3), unit length
        Into the material.
    allowed : (V,)
        The others keep their place.
    cap_mm : (V,)
        Largest depth that leaves the wall thick enough.
    """

    vertices: Float64Array
    faces: Int32Array
    directions: Float64Array
    allowed: BoolArray
    cap_mm: Float64Array

    def moved(self, depth_mm: Float64Array) -> Float64Array:
        """Return the vertices (V, 3) at some depths (V,); those of depth 0 keep every bit."""
        vertices = self.vertices.copy()
        cut = depth_mm > 0
        vertices[cut] += depth_mm[cut, None] * self.directions[cut]
        return vertices

    def touching(self, vertex: BoolArray) -> Int64Array:
        """Return the faces that have a corner among some vertices (V,)."""
        return np.flatnonzero(any_corner(vertex, self.faces))


@dataclass(frozen=True, slots=True)
class Cut:
    """A removal with its depths.

    Attributes
    ----------
    removal : Removal
    depth_mm : (V,)
        Taken off.
    wanted_mm : (V,)
        Asked for, whether the walls allow it or not.
    residual_mm : (F,)
        What `deepen_facets` left open.
    settled : (V,)
        False where even the deepest allowed cut does not clear a vertex.
    asked_mm : (V,)
        What each vertex asks for by itself, seam and blend included.
    hidden : (V,)
        In a spot, but the cutter does not reach it along its axis.
    excess_mm, stays_mm : (V,)
        Taken off beyond need since the cutter is round; and what it would still leave standing.
    """

    removal: Removal
    depth_mm: Float64Array
    wanted_mm: Float64Array
    residual_mm: Float64Array
    settled: BoolArray
    asked_mm: Float64Array
    hidden: BoolArray
    excess_mm: Float64Array
    stays_mm: Float64Array


def vertex_depths(
    points: Float64Array,
    directions: Float64Array,
    antagonist: Opposing,
    table: PathTable,
    target_mm: float,
    most_mm: float,
) -> tuple[Float64Array, BoolArray]:
    """Return the least depth (n,) at which a point keeps the wanted gap plus `target_mm`.

    Returns also whether it was found (n,): False where even `most_mm` is not enough.
    """
    depth = np.empty(len(points))
    settled = np.empty(len(points), dtype=np.bool_)
    swept_depth(
        len(points),
        frozen(points, np.float64),
        frozen(directions, np.float64),
        float(target_mm),
        float(most_mm),
        tree_arrays(antagonist),
        path_arrays(table, points, most_mm),
        depth,
        settled,
    )
    return depth, settled


def deepen_facets(
    removal: Removal,
    depth_mm: Float64Array,
    antagonist: Opposing,
    table: PathTable,
    accepted_mm: float,
) -> tuple[Float64Array, Float64Array]:
    """Return depths (V,) at which every facet that was cut keeps the wanted gap.

    Parameters
    ----------
    removal : Removal
    depth_mm : (V,)
        Depths found for the vertices alone; they are only ever increased.
    antagonist, table
    accepted_mm
        Facets below this gap minus wanted, a fraction of a micrometre under 0, are lifted to 0.

    Returns
    -------
    depth_mm : (V,)
    residual_mm : (F,)
        Least of gap minus wanted over each facet that may have moved, clipped at
        `accepted_mm`; NaN for the others. Lower only where a cap or a fixed corner holds it.
    """
    depth = depth_mm.copy()
    every = removal.touching(removal.allowed)
    residual = np.full(len(removal.faces), np.nan)
    residual[every] = accepted_mm
    vertex = np.unique(removal.faces[every])
    compact = np.zeros(len(depth), dtype=np.int32)
    compact[vertex] = np.arange(len(vertex), dtype=np.int32)
    swept: SweptClearance | None = None
    stale = np.ones(len(removal.faces), dtype=bool)
    before = np.full(len(depth), -1.0)
    for _ in range(MOST_ROUNDS):
        moved = removal.moved(depth)
        fresh = np.flatnonzero(depth[vertex] != before[vertex])
        new = swept_clearance(moved[vertex[fresh]], antagonist, table, CHECK_LIMIT_MM)
        swept = new if swept is None else swept.replaced(fresh, new)
        bound = facet_bounds(moved[vertex], compact[removal.faces[every]], swept)
        active = every[(bound < accepted_mm) & stale[every]]
        residual[every[bound >= accepted_mm]] = accepted_mm
        before = depth
        if len(active):
            corners = moved[removal.faces[active]]
            found = swept_facet_clearance(corners, antagonist, table, accepted_mm)
            residual[active] = found.value_mm
            low = found.value_mm < accepted_mm
            step = increments(removal, active[low], chosen(found, low), 0.0)
            deeper = np.minimum(depth + step, removal.cap_mm)
            depth = np.where(removal.allowed & (deeper > depth + 1e-7), deeper, depth)
        stale = any_corner(depth > before, removal.faces)
        if not stale.any():
            break
    return depth, residual


def deepen_places(
    removal: Removal,
    depth_mm: Float64Array,
    residual_mm: Float64Array,
    antagonist: Opposing,
    table: PathTable,
    accepted_mm: float,
) -> tuple[Float64Array, Float64Array]:
    """Return depths (V,) and residuals (F,) with large facets held at places of their own too.

    The search over a whole facet passes over poses by bounds from its corners, and looks further
    from the lowest place of a grid at each row. Before an antagonist that is convex and hollow over
    one facet that may be the wrong place: facets of 0.3 mm and more were left 1 to 6 um too near,
    those of 0.15 mm 0.02. Each place's own least clearance rests on neither.

    Parameters and returned values are those of `deepen_facets`, and its residuals (F,).
    """
    depth, residual = depth_mm.copy(), residual_mm.copy()
    face = removal.touching(removal.allowed)
    corners = removal.vertices[removal.faces[face]]
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    face, side = face[side > LARGE_MM], side[side > LARGE_MM]
    steps = np.ceil(side / PLACE_SPACING_MM).astype(np.int64)
    lowest = np.full(len(residual), np.inf)
    for _ in range(MOST_ROUNDS):
        if len(face) == 0:
            break
        corners = removal.moved(depth)[removal.faces[face]]
        found = _lowest_places(corners, steps, antagonist, table, accepted_mm)
        lowest[face] = found.value_mm
        low = found.value_mm < accepted_mm
        step = increments(removal, face[low], chosen(found, low), 0.0)
        deeper = np.minimum(depth + step, removal.cap_mm)
        changed = removal.allowed & (deeper > depth + 1e-7)
        depth = np.where(changed, deeper, depth)
        again = any_corner(changed, removal.faces[face])
        face, steps = face[again], steps[again]
    return depth, np.where(lowest < accepted_mm, np.fmin(residual, lowest), residual)


def _lowest_places(
    corners: Float64Array,
    steps: Int64Array,
    antagonist: Opposing,
    table: PathTable,
    limit_mm: float,
) -> FacetMinimum:
    """Return the least clearance at places of facets (n, 3, 3), from a grid of steps (n,).

    Where the grid comes near the limit, its lowest place is looked at again, four times finer.
    """
    n = len(corners)
    found = FacetMinimum(
        np.full(n, np.inf), np.full(n, np.nan), np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    )
    for count in np.unique(steps):
        own = np.flatnonzero(steps == count)
        grid = _triangle_grid(int(count))
        bary = np.broadcast_to(grid, (len(own), *grid.shape))
        _note_lowest(found, own, bary, corners, antagonist, table, limit_mm + PLACES_HIDE_MM)
    near = np.flatnonzero(found.value_mm < limit_mm + PLACES_HIDE_MM)
    around = np.array([(i, j, -i - j) for i in range(-4, 5) for j in range(-4, 5)]) / 4.0
    around = around[np.abs(around).max(axis=1) <= 1.0]
    bary = np.maximum(found.bary[near, None] + around / steps[near, None, None], 0.0)
    bary /= bary.sum(axis=2, keepdims=True)
    _note_lowest(found, near, bary, corners, antagonist, table, limit_mm + PLACES_HIDE_MM)
    return found


def _triangle_grid(steps: int) -> Float64Array:
    """Return the barycentric coordinates (k, 3) of an even grid without its corners."""
    grid = np.array([(i, j, steps - i - j) for i in range(steps + 1) for j in range(steps + 1 - i)])
    return grid[grid.max(axis=1) < steps] / steps


def _note_lowest(
    found: FacetMinimum,
    own: Int64Array,
    bary: Float64Array,
    corners: Float64Array,
    antagonist: Opposing,
    table: PathTable,
    limit_mm: float,
) -> None:
    """Write the lowest of some places (k, m, 3) of the facets `own` (k,), where it is lower."""
    places = np.einsum("kmc,kcx->kmx", bary, corners[own])
    swept = swept_clearance(places.reshape(-1, 3), antagonist, table, limit_mm)
    at = swept.least_mm.reshape(bary.shape[:2]).argmin(axis=1)
    one = np.arange(len(own)) * bary.shape[1] + at
    lower = swept.least_mm[one] < found.value_mm[own]
    one, at, face = one[lower], at[lower], own[lower]
    found.value_mm[face], found.row[face] = swept.least_mm[one], swept.least_row[one]
    found.bary[face] = bary[lower, at]
    found.gradient[face] = swept.gradient[one, swept.value_mm[one].argmin(axis=1)]


def chosen(found: FacetMinimum, keep: BoolArray) -> FacetMinimum:
    """Return some of the facets' minima."""
    return FacetMinimum(
        found.value_mm[keep], found.row[keep], found.bary[keep], found.gradient[keep]
    )


def increments(
    removal: Removal, face: Int64Array, found: FacetMinimum, target_mm: float
) -> Float64Array:
    """Return the least depths (V,) to add so that each facet's worst place reaches the target.

    Of all ways to lift one place the shortest step of its corners is taken; a vertex takes the
    largest of what its facets ask for.
    """
    step = np.zeros(len(removal.vertices))
    if len(face) == 0:
        return step
    corner = removal.faces[face]
    effect = np.einsum("nij,nj->ni", removal.directions[corner], found.gradient)
    usable = removal.allowed[corner] & (effect > STEEPEST)
    weight = np.where(usable, found.bary * effect, 0.0)
    total = np.sum(weight**2, axis=1, keepdims=True)
    missing = (target_mm - found.value_mm)[:, None]
    share = np.where(total > 1e-6, missing * weight / np.maximum(total, 1e-6), 0.0)
    # A place on the very edge of what may move would ask for an unbounded step.
    share = np.minimum(share, 4.0 * missing)
    np.maximum.at(step, corner.ravel(), share.ravel())
    return step
