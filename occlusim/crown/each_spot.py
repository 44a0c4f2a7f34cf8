"""The antagonist's vertices held against each spot for itself.

A vertex of the antagonist passes several spots, and its least gap along a movement is at one of
them. Where no cut can mend that one, what it lacks at the others is asked for too, and a spot that
falls short of it is told so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, Int64Array
from occlusim.crown.clearance import FacetMinimum, Opposing, surface_of
from occlusim.crown.deepening import (
    MOST_ROUNDS,
    Removal,
    deepen_facets,
    deepen_places,
    increments,
)
from occlusim.crown.opposing import Patch, barycentric, deepen_against, is_near
from occlusim.crown.path import PathTable
from occlusim.geometry.surface import Closest, Surface

# Places looked at between two rows of a table; and once more between two of those.
FINER = 8


def deepen_spots(
    removal: Removal,
    depth_mm: Float64Array,
    owner: Int32Array,
    antagonist: Opposing,
    table: PathTable,
    accepted_mm: float,
    input_crown: Opposing | None = None,
) -> tuple[Float64Array, Float64Array]:
    """Return depths (V,) at which facets of both sides keep the wanted gap, and residuals (F,).

    Parameters and returned values are those of `deepen_facets`, and:

    owner : (V,)
        Spot of each vertex, -1 for none.
    input_crown
        As for `deepen_against`.
    """
    depth, residual = deepen_facets(removal, depth_mm, antagonist, table, accepted_mm)
    depth, residual = deepen_places(removal, depth, residual, antagonist, table, accepted_mm)
    opposing = surface_of(antagonist)
    depth, stuck = deepen_against(removal, depth, opposing, table, accepted_mm, input_crown)
    if len(stuck) == 0:
        return depth, residual
    points = opposing.mesh.vertices[np.unique(opposing.mesh.faces[stuck])]
    whole = None if input_crown is None else surface_of(input_crown)
    return deepen_each(removal, depth, residual, owner, points, table, accepted_mm, whole)


def deepen_each(
    removal: Removal,
    depth_mm: Float64Array,
    residual_mm: Float64Array,
    owner: Int32Array,
    points: Float64Array,
    table: PathTable,
    accepted_mm: float,
    whole: Surface | None = None,
) -> tuple[Float64Array, Float64Array]:
    """Return depths (V,) and residuals (F,) with points held against every spot that they meet.

    Parameters are those of `deepen_spots`, and:

    residual_mm : (F,)
        What is known of the crown's facets; lower where a point stays nearer than wanted.
    points : (n, 3), mm
        Vertices of the antagonist.
    whole : Surface
        The input crown: what is clear of it asks for nothing.
    """
    depth = depth_mm.copy()
    patch = Patch.around(removal)
    spot = np.where(patch.is_allowed, owner[removal.faces[patch.faces]].max(axis=1), -1)
    passes = _Passes.of(points, table.inverse(), whole)
    lowest = np.full(len(residual_mm), np.inf)
    for _ in range(MOST_ROUNDS):
        crown = patch.surface(removal, depth)
        passes = passes.near(crown, accepted_mm)
        found = passes.lowest(crown, spot, accepted_mm)
        face = patch.faces[found.face]
        triangle = crown.mesh.vertices[crown.mesh.faces[found.face]]
        below = FacetMinimum(
            found.value_mm, found.row, barycentric(triangle, found.place), -found.normal
        )
        lowest[:] = np.inf
        np.minimum.at(lowest, face, found.value_mm)
        deeper = np.minimum(depth + increments(removal, face, below, 0.0), removal.cap_mm)
        changed = removal.allowed & (deeper > depth + 1e-7)
        if not changed.any():
            break
        depth = np.where(changed, deeper, depth)
    return depth, np.where(lowest < accepted_mm, np.fmin(residual_mm, lowest), residual_mm)


@dataclass(frozen=True, slots=True)
class _Lowest:
    """The lowest place of each pair of a point and a spot that is too low, k in all.

    value_mm (k,), row (k,), face (k,) of the patch, place (k, 3) on it, mm, and its outward
    normal (k, 3).
    """

    value_mm: Float64Array
    row: Float64Array
    face: Int64Array
    place: Float64Array
    normal: Float64Array


@dataclass(frozen=True, slots=True)
class _Passes:
    """Points (n, 3) of the antagonist at rows of a table: pairs (m,) that may be too near.

    A pair stands for the way from its row to the next one of the same movement.
    """

    points: Float64Array
    back: PathTable
    point: Int64Array
    row: Int64Array
    whole: Surface | None

    @staticmethod
    def of(points: Float64Array, back: PathTable, whole: Surface | None) -> _Passes:
        """Return every point at every row."""
        n, m = len(points), len(back.wanted_mm)
        return _Passes(points, back, np.repeat(np.arange(n), m), np.tile(np.arange(m), n), whole)

    def near(self, crown: Surface, limit_mm: float) -> _Passes:
        """Return the pairs whose way cannot be proved to stay above a limit.

        No value changes by more than the travel between two rows. A crown that is cut again only
        leaves fewer.
        """
        travel = np.append(np.diff(self.back.travel_mm(self.points)), 0.0)
        row = self.row.astype(np.float64)
        found = self._closest(crown, self.point, row)
        # Where the side is not known the way may lead to where it is.
        gap = np.where(np.isnan(found.distance_mm), found.unsigned_mm, found.distance_mm)
        keep = gap - self.back.wanted_at(row) - travel[self.row] < limit_mm
        return _Passes(self.points, self.back, self.point[keep], self.row[keep], self.whole)

    def lowest(self, crown: Surface, spot: Int32Array, limit_mm: float) -> _Lowest:
        """Return the lowest places by point and spot, of the patch's faces' spots (k,)."""
        last = np.repeat(self.back.start[1:] - 1, np.diff(self.back.start))
        steps = np.arange(FINER + 1) / FINER
        row = np.minimum(self.row[:, None] + steps, last[self.row][:, None]).ravel()
        point, row, key = self._least(crown, spot, np.repeat(self.point, len(steps)), row, limit_mm)
        # Once more around each, where the spot is still the nearest.
        steps = np.arange(-FINER, FINER + 1) / FINER**2
        low = np.repeat(self.back.start[:-1], np.diff(self.back.start))
        own = row.astype(np.int64)
        row = np.clip(row[:, None] + steps, low[own][:, None], last[own][:, None]).ravel()
        point, key = np.repeat(point, len(steps)), np.repeat(key, len(steps))
        found = self._closest(crown, point, row)
        value = self._value(found, row)
        wanted = self.back.wanted_at(row)
        own = self._key(point, spot[found.faces]) == key
        own &= is_near(self.whole, self._placed(point, row), wanted, limit_mm)
        value = np.where(own, value, np.inf)
        best = _first_of_each(key, value)
        face = found.faces[best].astype(np.int64)
        return _Lowest(value[best], row[best], face, found.points[best], found.normals[best])

    def _least(
        self,
        crown: Surface,
        spot: Int32Array,
        point: Int64Array,
        row: Float64Array,
        limit_mm: float,
    ) -> tuple[Int64Array, Float64Array, Int64Array]:
        """Return point, row and key of the lowest of each pair of point and spot below a limit."""
        found = self._closest(crown, point, row)
        value, face = self._value(found, row), found.faces
        low = np.flatnonzero((value < limit_mm) & (spot[face] >= 0))
        wanted = self.back.wanted_at(row[low])
        low = low[is_near(self.whole, self._placed(point[low], row[low]), wanted, limit_mm)]
        point, row, value = point[low], row[low], value[low]
        key = self._key(point, spot[face[low]])
        best = _first_of_each(key, value)
        return point[best], row[best], key[best]

    def _key(self, point: Int64Array, spot: Int32Array) -> Int64Array:
        """Return one number (m,) for each pair of a point and a spot."""
        return (spot.astype(np.int64) + 1) * len(self.points) + point

    def _closest(self, crown: Surface, point: Int64Array, row: Float64Array) -> Closest:
        """Return the crown's nearest places (m,) to points (m,) at rows (m,)."""
        return crown.closest(self._placed(point, row))

    def _placed(self, point: Int64Array, row: Float64Array) -> Float64Array:
        """Return points (m,) at rows (m,), in the crown's frame: (m, 3)."""
        rotation, translation = self.back.poses_at(row)
        return np.einsum("nij,nj->ni", rotation, self.points[point]) + translation

    def _value(self, found: Closest, row: Float64Array) -> Float64Array:
        """Return the values (m,) at rows (m,); inf where they are not known."""
        value = found.distance_mm - self.back.wanted_at(row)
        return np.where(np.isnan(value), np.inf, value)


def _first_of_each(key: Int64Array, value: Float64Array) -> Int64Array:
    """Return the index of the least value of each key."""
    order = np.lexsort((value, key))
    first = np.ones(len(order), dtype=np.bool_)
    first[1:] = key[order][1:] != key[order][:-1]
    return order[first]
