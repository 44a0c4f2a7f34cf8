"""The swept clearance: least of gap minus wanted gap over every movement's continuous path.

Every value is exact: distances are to the triangles themselves, and minima hold between the poses
of the table to a fraction of a micrometre. The band, where there is one, only proves what is clear;
elsewhere the previous triangle bounds the next search so tightly that the exact tree is fast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, frozen, points_array
from occlusim.contact.field import GapField
from occlusim.crown.path import CrownPath, PathTable, TableSettings, tabulate
from occlusim.geometry.surface import Surface
from occlusim.kernels.band import NODES
from occlusim.kernels.bounds import facet_lows
from occlusim.kernels.sweep import swept_facets, swept_minimum

__all__ = [
    "CrownPath",
    "FacetMinimum",
    "Opposing",
    "PathTable",
    "SweptClearance",
    "TableSettings",
    "facet_bounds",
    "surface_of",
    "swept_clearance",
    "swept_facet_clearance",
    "tabulate",
    "tree_arrays",
]

SAMPLE_SPACING_MM = 0.06
NO_BAND = (
    frozen(np.ones(5), np.float64),
    frozen(np.zeros((0, 0, 0)), np.int32),
    frozen(np.zeros((0, 8)), np.int32),
    frozen(np.zeros((0, NODES**3)), np.int16),
    frozen(np.zeros((0, 5)), np.float32),
)

Opposing = Surface | GapField
"""The antagonist: with its band, places that are surely clear are passed over quickly."""


@dataclass(frozen=True, slots=True)
class SweptClearance:
    """Clearance of n points over M movements.

    Attributes
    ----------
    value_mm : (n, M)
        Least of gap minus wanted over a movement, clipped at `limit_mm`: there it means "at
        least".
    row : (n, M)
        Fractional row of the path table at the least value; NaN where clipped.
    unknown : (n, M)
        Within the limit some poses met the antagonist's open edge, where the side is not known;
        the value is the least of the known ones.
    gradient : (n, M, 3), unit length
        Direction, in the points' frame, in which the gap grows there; NaN where clipped.
    limit_mm : float
    """

    value_mm: Float64Array
    row: Float64Array
    unknown: BoolArray
    gradient: Float64Array
    limit_mm: float

    def replaced(self, rows: Int64Array, new: SweptClearance) -> SweptClearance:
        """Return these clearances with those of some points (k,) exchanged for newer ones."""
        value, row = self.value_mm.copy(), self.row.copy()
        unknown, gradient = self.unknown.copy(), self.gradient.copy()
        value[rows], row[rows] = new.value_mm, new.row
        unknown[rows], gradient[rows] = new.unknown, new.gradient
        return SweptClearance(value, row, unknown, gradient, self.limit_mm)

    def chosen(self, rows: Int64Array) -> SweptClearance:
        """Return the clearances of some points (k,)."""
        return SweptClearance(
            self.value_mm[rows],
            self.row[rows],
            self.unknown[rows],
            self.gradient[rows],
            self.limit_mm,
        )

    def extended(self, new: SweptClearance) -> SweptClearance:
        """Return these clearances with those of further points behind them."""
        return SweptClearance(
            np.concatenate([self.value_mm, new.value_mm]),
            np.concatenate([self.row, new.row]),
            np.concatenate([self.unknown, new.unknown]),
            np.concatenate([self.gradient, new.gradient]),
            self.limit_mm,
        )

    @property
    def least_mm(self) -> Float64Array:
        """The least value (n,) over all movements."""
        return self.value_mm.min(axis=1)

    @property
    def movement(self) -> Int64Array:
        """The movement (n,) of the least value; -1 where it is not below the limit."""
        return np.where(np.isfinite(self.row).any(axis=1), self.value_mm.argmin(axis=1), -1)

    @property
    def least_row(self) -> Float64Array:
        """The path table's row (n,) of the least value; NaN where clipped."""
        return self.row[np.arange(len(self.row)), self.value_mm.argmin(axis=1)]


@dataclass(frozen=True, slots=True)
class FacetMinimum:
    """Least clearance of each of n facets, over its whole area and all movements.

    Attributes
    ----------
    value_mm : (n,)
        Clipped at the limit of the search.
    row : (n,)
        Path table's row; NaN where clipped.
    bary : (n, 3)
        Barycentric coordinates of the place.
    gradient : (n, 3), unit length
        Direction, in the facets' own frame, in which the gap grows.
    """

    value_mm: Float64Array
    row: Float64Array
    bary: Float64Array
    gradient: Float64Array


def surface_of(antagonist: Opposing) -> Surface:
    """Return the surface of an antagonist."""
    return antagonist if isinstance(antagonist, Surface) else antagonist.surface


def tree_arrays(antagonist: Opposing) -> tuple:
    """Return the arrays of an antagonist in the order that the sweep kernels take."""
    surface, band = surface_of(antagonist), NO_BAND
    if isinstance(antagonist, GapField):
        band = antagonist.sdf.arrays
    return (*surface.tree, *band)


def path_arrays(table: PathTable, points: Float64Array, margin_mm: float = 0.0) -> tuple:
    """Return the arrays of a path table in the order that the sweep kernels take.

    `points` (n, 3) are those that will be swept; they may be moved by the margin.
    """
    travel = table.travel_mm(points, margin_mm) if len(points) else np.zeros(len(table.wanted_mm))
    first = table.start[:-1]
    alike = (table.rotations[first] == table.rotations[0]).all(axis=(1, 2))
    alike &= (table.translations[first] == table.translations[0]).all(axis=1)
    return (table.start, table.rotations, table.translations, table.wanted_mm, travel, alike)


def swept_clearance(
    points: Float64Array, antagonist: Opposing, table: PathTable, limit_mm: float
) -> SweptClearance:
    """Return the least of gap minus wanted gap per point and movement, on the continuous path.

    Parameters
    ----------
    points : (n, 3), mm
        In the crown's frame.
    antagonist : Surface or GapField
    table : PathTable
    limit_mm
        Values are found below this only; a lower limit is faster.

    Notes
    -----
    Rows are passed over where the length of the path proves that no lower value can lie there;
    local minima of what remains are refined to 0.2 um of travel. A minimum that falls and rises
    again within one chord (0.05 mm) beside higher rows would need a feature of the antagonist
    smaller than the chord.
    """
    points = points_array(points)
    shape = (len(points), len(table.names))
    value, row = np.empty(shape), np.empty(shape)
    unknown = np.empty(shape, dtype=np.bool_)
    gradient = np.empty((*shape, 3))
    swept_minimum(
        len(points),
        frozen(points, np.float64),
        float(limit_mm),
        tree_arrays(antagonist),
        path_arrays(table, points),
        value,
        row,
        unknown,
        gradient,
    )
    return SweptClearance(value, row, unknown, gradient, float(limit_mm))


def swept_facet_clearance(
    corners: Float64Array,
    antagonist: Opposing,
    table: PathTable,
    limit_mm: float,
    spacing_mm: float = SAMPLE_SPACING_MM,
) -> FacetMinimum:
    """Return the least of gap minus wanted gap over whole facets and all movements.

    Parameters
    ----------
    corners : (n, 3, 3), mm
        Corners of the facets in the crown's frame.
    antagonist, table, limit_mm
        As for `swept_clearance`.
    spacing_mm
        Grid on the facet from which its minima are searched.
    """
    corners = np.ascontiguousarray(corners, dtype=np.float64)
    n = len(corners)
    value, row = np.empty(n), np.empty(n)
    bary, gradient = np.empty((n, 3)), np.empty((n, 3))
    swept_facets(
        n,
        frozen(corners, np.float64),
        float(limit_mm),
        float(spacing_mm),
        tree_arrays(antagonist),
        path_arrays(table, corners.reshape(-1, 3)),
        value,
        row,
        bary,
        gradient,
    )
    return FacetMinimum(value, row, bary, gradient)


def facet_bounds(points: Float64Array, faces: Int32Array, swept: SweptClearance) -> Float64Array:
    """Return a bound from below (F,), mm, of each facet's clearance, from its corners alone.

    Parameters
    ----------
    points : (n, 3), mm
    faces : (F, 3)
    swept : SweptClearance
        Of the points.

    Notes
    -----
    In front of a convex part of the antagonist the clearance is convex over a facet and lies above
    its corners' tangent planes; in front of a hollow part its minimum is at a corner. Without a
    tangent (a corner beyond the limit) it falls no faster than the way from the nearest corner.
    """
    bound = np.empty(len(faces))
    facet_lows(
        frozen(points, np.float64),
        frozen(faces, np.int32),
        swept.value_mm,
        swept.gradient,
        bound,
    )
    return bound
