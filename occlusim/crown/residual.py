"""What each high spot still violates once the crown has been adjusted and read back.

The adjusted crown may have other triangles inside the spots, so its surface is told to the spots by
place: to the spot of the nearest vertex of the crown as given.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import KDTree

from occlusim.arrays import any_corner
from occlusim.crown.clearance import (
    Opposing,
    PathTable,
    facet_bounds,
    swept_clearance,
    swept_facet_clearance,
)
from occlusim.crown.spots import Spot
from occlusim.geometry.mesh import TriangleMesh

LIMIT_MM = 0.1


def spot_residuals(
    before: TriangleMesh,
    adjusted: TriangleMesh,
    spots: Sequence[Spot],
    antagonist: Opposing,
    table: PathTable,
    noise_mm: float,
) -> dict[int, float]:
    """Return by spot how far the adjusted crown falls short of the wanted gap there, mm.

    Parameters
    ----------
    before, adjusted
        The crown that the spots were found on, and as read back from its file.
    spots
        Their cores and rings are vertices of `before`.
    antagonist, table
        What the gaps are asked of.
    noise_mm
        Facets that fall short by less count as clear: 0.

    Notes
    -----
    Over whole facets of the crown and continuous paths; the antagonist's own vertices, which the
    cut has been held against as well, show in the least gaps along the movements.
    """
    if not spots:
        return {}
    owner = np.full(len(before.vertices), -1)
    for k, spot in enumerate(spots):
        owner[spot.ring] = k
    for k, spot in enumerate(spots):
        owner[spot.vertices] = k
    nearest = KDTree(before.vertices).query(adjusted.vertices)[1]
    own = owner[nearest]
    face = np.flatnonzero(any_corner(own >= 0, adjusted.faces))
    vertex, compact = np.unique(adjusted.faces[face], return_inverse=True)
    compact = compact.reshape(-1, 3).astype(np.int32)
    points = adjusted.vertices[vertex]
    swept = swept_clearance(points, antagonist, table, LIMIT_MM)
    short = np.maximum(-swept.least_mm, 0.0)[compact].max(axis=1)
    look = np.flatnonzero(facet_bounds(points, compact, swept) < -noise_mm)
    if len(look):
        found = swept_facet_clearance(points[compact[look]], antagonist, table, -noise_mm)
        short[look] = np.maximum(short[look], -found.value_mm)
    short[short <= noise_mm] = 0.0
    residual = np.zeros(len(spots))
    for corner in range(3):
        at = own[adjusted.faces[face, corner]]
        np.maximum.at(residual, at[at >= 0], short[at >= 0])
    return {spot.id: float(residual[k]) for k, spot in enumerate(spots)}
