"""The contact of a seated crown with a neighbour tooth: gap, areas, overlap, how tight.

Signed distances are exact, of surfaces and not of vertices alone, and in both directions. What the
scan does not show of the neighbour is not known: nothing is concluded from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.field import GapField
from occlusim.contact.least import LeastGap, least_gap
from occlusim.contact.overlap import clipped_integrals
from occlusim.contact.survey import Corners, corners_below
from occlusim.crown.location import CrownOrientation
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform

Tightness = Literal["open", "light", "firm", "too_tight"]
HERE = RigidTransform.identity()
AT_EDGE_MM = 0.3


@dataclass(frozen=True, slots=True)
class SideSettings:
    """Limits of how tight a side contact is called, on the least gap between rigid surfaces.

    Attributes
    ----------
    open_mm
        A wider gap is open. Natural contacts grip a metal strip of 0.05 mm with 1 to 4 N (Doerfer
        et al. 2000, Eur J Oral Sci 108:368-377): through a wider gap it passes untouched.
    tight_mm
        A deeper overlap is too tight. From memory: laboratories set a crown to overlap its
        neighbours by up to some 0.05 mm, which teeth give way to.
    near_mm
        The area of contact is that of the crown within this gap: common practice is to count as
        contact what is closer than such a strip.
    """

    open_mm: float = 0.05
    tight_mm: float = 0.05
    near_mm: float = 0.05

    def __post_init__(self) -> None:
        if not (self.open_mm > 0 and self.tight_mm > 0 and self.near_mm > 0):
            raise InputError(
                f"side contacts: open_mm {self.open_mm}, tight_mm {self.tight_mm}, near_mm "
                f"{self.near_mm} given; each is a length above 0"
            )

    def tightness(self, gap_mm: float) -> Tightness:
        """Return how tight a contact of a known least gap is: apart, touching, pressed, jammed."""
        if gap_mm > self.open_mm:
            return "open"
        if gap_mm > 0:
            return "light"
        return "firm" if gap_mm >= -self.tight_mm else "too_tight"


@dataclass(frozen=True, slots=True)
class SideContact:
    """A crown in its place against one neighbour.

    Parameters
    ----------
    gap_mm
        Least gap; negative is the deepest overlap. NaN where it is not known.
    supported_gap_mm
        Gap that 0.05 mm2 of surface supports: a speck does not move it.
    point : (3,), mm
        Where the least gap is, in the crown's frame.
    near_area_mm2
        Of the crown's surface, within the near gap.
    overlap_area_mm2, overlap_volume_mm3
        Of what lies inside the other, on the surface of which more does, and its depth over that
        area: the volume that both hold where they meet flatly, more where one stands steeply to the
        other. The volume is NaN where it runs into what is not known.
    is_at_edge
        The least gap lies within 0.3 mm of where the neighbour's wall ends: what lies beyond, such
        as under the gum, may be nearer.
    edge_gap_mm
        Nearest place beyond which more of the neighbour may stand unseen; infinite where none is.
    """

    gap_mm: float
    supported_gap_mm: float
    point: Float64Array
    near_area_mm2: float
    overlap_area_mm2: float
    overlap_volume_mm3: float
    is_at_edge: bool
    edge_gap_mm: float

    @property
    def is_known(self) -> bool:
        """Whether the least gap is one: some is known, and nothing unseen may be nearer."""
        return bool(np.isfinite(self.gap_mm)) and self.gap_mm <= self.edge_gap_mm


def side_contact(
    crown: GapField, wall: GapField, edge_points: Float64Array, settings: SideSettings
) -> SideContact:
    """Return the contact of a seated crown with the wall of a neighbour.

    Parameters
    ----------
    crown, wall
        In one frame, in place.
    edge_points : (n, 3), mm
        Places of the wall behind which more of the tooth may stand unseen; see
        `occlusim.crown.neighbour.NeighbourWall`.
    settings

    Notes
    -----
    Areas and volume take the gap as linear on each face: their error falls with the square of the
    faces' size, and faces with a corner of unknown gap are left out.
    """
    least = least_gap(wall, crown, HERE, supported=True)
    edge_mm = _edge_gap(crown, edge_points)
    near_mm2, overlap_mm2, volume_mm3 = _contact_sizes(crown, wall, settings.near_mm)
    return SideContact(
        least.gap_mm,
        least.supported_gap_mm,
        least.point,
        near_mm2,
        overlap_mm2,
        volume_mm3,
        _is_at_edge(wall, least),
        edge_mm,
    )


def side_gaps(crown: GapField, walls: Sequence[GapField], reach_mm: float) -> Float64Array:
    """Return the exact gap (V,), mm, of the crown's vertices to the nearest of some walls.

    NaN farther than the reach, and where the nearest place is a wall's edge.
    """
    points = crown.surface.mesh.vertices
    gap = np.full(len(points), np.nan)
    nearest = np.full(len(points), np.inf)
    for wall in walls:
        found = wall.surface.closest(points, reach_mm)
        nearer = found.unsigned_mm < nearest
        gap[nearer] = found.distance_mm[nearer]
        nearest[nearer] = found.unsigned_mm[nearer]
    return gap


def _edge_gap(crown: GapField, points: Float64Array) -> float:
    if len(points) == 0:
        return np.inf
    found = crown.surface.closest(points)
    return float(np.fmin.reduce(np.fmin(found.distance_mm, found.unsigned_mm)))


def _is_at_edge(wall: GapField, least: LeastGap) -> bool:
    surface = wall.surface
    edge = surface.mesh.vertices[surface.is_boundary_vertex]
    if len(edge) == 0 or not np.isfinite(least.gap_mm):
        return False
    return float(np.linalg.norm(edge - least.point, axis=1).min()) < AT_EDGE_MM


def _contact_sizes(crown: GapField, wall: GapField, near_mm: float) -> tuple[float, float, float]:
    """Return near area (of the crown) and overlap area, mm2, and overlap volume, mm3."""
    near = corners_below(crown, wall, HERE, near_mm)
    if len(near.face) == 0:
        return 0.0, 0.0, 0.0
    points = crown.surface.mesh.vertices[near.vertex]
    area = clipped_integrals(points, near.corner, near.gap_mm, near_mm).area_mm2
    inside = [_inside(crown, near), _inside(wall, corners_below(wall, crown, HERE, 0.0))]
    overlap_mm2, volume_mm3 = max(inside, key=lambda one: one[0])
    if any(np.isnan(one[1]) for one in inside):
        volume_mm3 = np.nan
    return float(np.nansum(area)), overlap_mm2, volume_mm3


def _inside(moving: GapField, found: Corners) -> tuple[float, float]:
    """Return area (mm2) of what of a surface lies inside the other, and its depth times area (mm3).

    The latter is NaN where the part runs into faces of which it is not known.
    """
    if len(found.face) == 0:
        return 0.0, 0.0
    gap = found.gap_mm[found.corner]
    runs_out = np.isnan(gap).any(axis=1) & (gap < 0).any(axis=1)
    points = moving.surface.mesh.vertices[found.vertex]
    part = clipped_integrals(points, found.corner, found.gap_mm, 0.0)
    volume = np.nan if runs_out.any() else float(np.nansum(part.volume_mm3))
    return float(np.nansum(part.area_mm2)), volume


@dataclass(frozen=True, slots=True)
class CrownPlace:
    """Where on a crown a place lies: mm below its top, mm buccal of its middle, and in words."""

    below_top_mm: float
    buccal_mm: float
    words: str


def place_on_crown(
    vertices: Float64Array, point: Float64Array, orientation: CrownOrientation
) -> CrownPlace:
    """Return where a place (3,) of a crown's side lies.

    Thirds are of the crown's whole height, margin to highest cusp, along occlusal; the middle is
    that of its width across the arch.
    """
    heights = vertices @ orientation.occlusal
    across = vertices @ orientation.buccal
    below = float(heights.max() - point @ orientation.occlusal)
    buccal = float(point @ orientation.buccal - 0.5 * (across.min() + across.max()))
    share = below / float(heights.max() - heights.min())
    third = "occlusal" if share < 1 / 3 else "middle" if share < 2 / 3 else "cervical"
    side = "buccal" if buccal > 0 else orientation.inner_side
    words = f"{third} third, {below:.1f} mm below the highest cusp"
    words += f", {abs(buccal):.1f} mm {side} of the middle" if abs(buccal) >= 0.1 else ", midway"
    return CrownPlace(below, buccal, words)
