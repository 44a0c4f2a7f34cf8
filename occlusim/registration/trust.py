"""How far each vertex of a bite scan is to be trusted, before anything has been fitted.

Two kinds of surface mislead: the last millimetre before a scan's trimmed edge, where a scanner sees
at a slant, and soft tissue, which moves between two scans. Both still count, but less. What soft
tissue is, the bite itself tells, without knowing which way the jaws look: teeth stand near the
opposing ones, gums and cheek farther away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int64Array, frozen
from occlusim.geometry.surface import Surface, n_chunks
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.places import MANY, farther_of_two, nearest_place

EDGE_MM = 0.5
"""Trust rises from nothing at a trimmed edge to its full size over this width (own choice)."""

TOOTH_MM, GUM_MM = 5.0, 8.0
"""Within the first of the opposing arch surface is taken as tooth, beyond the second as gum.

Crowns show 7.5 to 10.5 mm of their length (handbook widths and lengths, `jaw.row_fit`), of which
the opposing teeth cover or meet the last 2 to 3 mm (overbite, common practice).
"""

ANY_MM = 4.0
"""A place within this need not be the nearest: trust is full up to `TOOTH_MM`, a millimetre farther
than a fit moves a scan that stands about right."""

GUM_TRUST = 0.2
"""A gum that has moved by 0.1 mm, five times a scanner's noise, then pulls like noise itself."""


@dataclass(frozen=True, slots=True)
class Trust:
    """What the trust in some of a bite scan's vertices follows from.

    Attributes
    ----------
    edge : (n,)
        0 to 1, by the distance from a trimmed edge.
    near_upper : (n, 3), mm, upper frame
        A place of the upper arch near each vertex; no number where there is none within `GUM_MM`.
    near_lower : (n, 3), mm, lower frame
        The same of the lower arch.

    The places are looked for once, and the distances taken anew at every pose: so the trust at the
    fitted pose does not depend on where the fit began.
    """

    edge: Float64Array
    near_upper: Float64Array
    near_lower: Float64Array

    @staticmethod
    def of(
        bite: Surface,
        vertex: Int64Array,
        arches: tuple[Float64Array, Float64Array],
        T_upper_lower: RigidTransform,
        T_upper_bite: RigidTransform,
    ) -> Trust:
        """Return the trust in vertices (n,) of a bite scan that stands about right.

        `arches` are places (m, 3) of the arches, each in its own frame. Fastest where neighbours
        in the list are near in space.
        """
        T_lower_bite = T_upper_lower.inverse() @ T_upper_bite
        points = bite.mesh.vertices.take(vertex, axis=0)
        near: list[Float64Array] = []
        for T, places in zip((T_upper_bite, T_lower_bite), arches, strict=True):
            number, _ = nearest_places(points, places, T, (GUM_MM, ANY_MM))
            near.append(np.vstack([places, np.full(3, np.nan)]).take(number, axis=0))
        return Trust(edge_trust(bite, vertex), *near)

    def at(
        self, points: Float64Array, row: Int64Array, T_upper_lower: RigidTransform
    ) -> Float64Array:
        """Return the trust (n,) in rows (n,) that stand at points (n, 3) of the upper frame."""
        away = np.empty(len(row))
        farther_of_two(
            n_chunks(len(row)),
            points,
            row,
            self.near_upper,
            self.near_lower,
            T_upper_lower.rotation,
            T_upper_lower.translation,
            away,
        )  # the arch that a point lies on is near anyway
        return self.edge.take(row) * tooth_trust(away)


def edge_trust(bite: Surface, vertex: Int64Array) -> Float64Array:
    """Return the trust (n,), 0 to 1, in vertices by their distance from a trimmed edge."""
    vertices = bite.mesh.vertices
    edge = np.asarray(bite.is_boundary_vertex)
    if not edge.any():
        return np.ones(len(vertex))
    _, away = nearest_places(
        vertices.take(vertex, axis=0), vertices[edge], RigidTransform.identity(), (EDGE_MM, 0.0)
    )
    return np.minimum(away / EDGE_MM, 1.0)


def tooth_trust(away_mm: Float64Array) -> Float64Array:
    """Return the trust (n,), `GUM_TRUST` to 1, by the distance from the opposing arch, mm.

    NaN, where none is near, is far.
    """
    share = np.fmax(np.minimum((GUM_MM - away_mm) / (GUM_MM - TOOTH_MM), 1.0), 0.0)
    return GUM_TRUST + (1.0 - GUM_TRUST) * share


def nearest_places(
    points: Float64Array,
    places: Float64Array,
    T_places_points: RigidTransform,
    limits_mm: tuple[float, float],
) -> tuple[Int64Array, Float64Array]:
    """Return the place (m, 3) nearest to each point (n, 3) and how far away it is, mm.

    -1 and infinite where none lies within the first limit; within the second another place may be
    named than the nearest. Fastest where neighbours in the list are near in space.
    """
    n = len(points)
    nearest, away = np.empty(n, dtype=np.int64), np.empty(n)
    nearest_place(
        -(-n // MANY),
        frozen(points, np.float64),
        T_places_points.rotation,
        T_places_points.translation,
        frozen(places.T, np.float64),
        limits_mm,
        nearest,
        away,
    )
    return nearest, away
