"""Where a wall is too thin for the whole reduction: what stays, and where on the opposing tooth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.crown.clearance import Opposing, surface_of, swept_clearance
from occlusim.crown.reduction import ReductionPlan
from occlusim.crown.spots import Spot
from occlusim.geometry.mesh import TriangleMesh


@dataclass(frozen=True, slots=True)
class Split:
    """How a reduction divides where the crown gives all that its wall allows.

    Attributes
    ----------
    crown_mm : float
        Taken off the crown along its removal direction, at the place where most stays.
    antagonist_mm : float
        What stays there, wanted gap minus gap.
    point : (3,), mm
        That place on the antagonist, in its own frame.
    face : int
        The antagonist's face there.
    whole_wall_mm : float
        Least wall if the crown gave all.
    """

    crown_mm: float
    antagonist_mm: float
    point: Float64Array
    face: int
    whole_wall_mm: float


def split_of(
    crown: TriangleMesh, plan: ReductionPlan, spot: Spot, antagonist: Opposing
) -> Split | None:
    """Return how the reduction of a spot divides, or None where its wall allows the whole.

    Of all divisions that keep the material's minimum this one leaves the least to the antagonist.
    """
    if spot.wall_shortfall_mm <= 0:
        return None
    own = np.concatenate([spot.vertices, spot.ring])
    depth = plan.depth_mm[own]
    places = crown.vertices[own] + depth[:, None] * plan.directions[own]
    left = swept_clearance(places, antagonist, plan.table, plan.swept.limit_mm)
    worst = int(np.argmin(left.least_mm))
    if left.least_mm[worst] >= 0:
        return None
    rotation, translation = plan.table.pose_at(float(left.least_row[worst]))
    closest = surface_of(antagonist).closest(rotation @ places[worst] + translation)
    return Split(
        float(depth[worst]),
        float(-left.least_mm[worst]),
        closest.points[0],
        int(closest.faces[0]),
        spot.thickness_left_mm - spot.wall_shortfall_mm,
    )
