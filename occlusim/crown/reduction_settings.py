"""How a crown is reduced."""

from __future__ import annotations

from dataclasses import dataclass, field

from occlusim.arrays import Float64Array, unit_vector
from occlusim.crown.path import TableSettings
from occlusim.errors import InputError

MOST_RADIUS_MM = 3.0


@dataclass(frozen=True, slots=True)
class ReductionSettings:
    """How a crown is reduced; lengths in mm.

    Attributes
    ----------
    direction : (3,) or None
        Way of the cutter into the material, in the crown's frame; None takes the smoothed inward
        normal of each vertex.
    tool_radius_mm : float
        Of the ball cutter; hollows of the cut are no tighter. 0 follows every detail.
    min_thickness_mm : float
        Of the material, after the cut.
    tolerance_mm : float
        Most that may be taken off beyond need.
    margin_mm : float
        Asked of vertices beyond the wanted gap; facets may fall as far short of it.
    noise_mm : float
        A region whose worst violation is not above this is no spot.
    blend_mm : float
        Width of the ring over which a cut fades out.
    seam_excess_mm : float
        Depth beyond need right at a spot's border, which rounds the crease there.
    saddle : float
        Two peaks are two spots where the way between falls below this share of the lower one.
    split_above_mm : float
        Only peaks above this are split from another.
    max_depth_mm : float
        No cut is deeper.
    clearance_limit_mm : float
        The clearance map is found below this.
    """

    direction: Float64Array | None = None
    tool_radius_mm: float = 0.0
    min_thickness_mm: float = 0.0
    tolerance_mm: float = 0.010
    margin_mm: float = 0.0002
    noise_mm: float = 0.001
    blend_mm: float = 0.3
    seam_excess_mm: float = 0.0025
    saddle: float = 0.5
    split_above_mm: float = 0.010
    max_depth_mm: float = 1.5
    clearance_limit_mm: float = 0.1
    table: TableSettings = field(default_factory=TableSettings)

    def __post_init__(self) -> None:
        if self.direction is not None:
            object.__setattr__(self, "direction", unit_vector(self.direction, "direction"))
        if not 0 <= self.seam_excess_mm <= self.tolerance_mm:
            raise InputError(
                f"reduction: seam_excess_mm {self.seam_excess_mm} given, 0 to tolerance_mm "
                f"({self.tolerance_mm}) allowed"
            )
        if not 0 < self.margin_mm <= self.noise_mm <= 0.001 + self.margin_mm:
            raise InputError(
                f"reduction: margin_mm {self.margin_mm} and noise_mm {self.noise_mm} given; "
                "0 < margin <= noise <= 0.001 + margin is needed to keep the promised gap"
            )
        if not 0 <= self.tool_radius_mm <= MOST_RADIUS_MM:
            raise InputError(
                f"reduction: tool_radius_mm {self.tool_radius_mm} given, 0 to {MOST_RADIUS_MM} "
                "allowed"
            )
        if self.min_thickness_mm < 0 or self.max_depth_mm <= 0 or self.blend_mm < 0:
            raise InputError("reduction: thickness, depth and blend width must not be negative")
