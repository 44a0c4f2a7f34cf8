"""The way a crown travels when it is seated, and where it binds on its neighbours on that way.

Everything is rigid and the crown goes straight: teeth give way, so what holds it up is an upper
bound. Nothing is said of the crown's own preparation or abutment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from occlusim.arrays import Float64Array, unit_vector
from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.contact.poses import least_gaps
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform

PathRule = Literal["given", "implant axis", "least overlap", "occlusal normal"]

MOST_TILT_DEG = 60.0
CONE_DEG = 15.0
COARSE_MM = 0.5
FINE_MM = 0.125
PLACE_MM = 0.005
SAME_MM = 0.005
TRIED_REACH_MM = 0.6
TRIED_POINTS = 200
TRIED_STEP_MM = 0.25

GapsAt = Callable[[Float64Array], Float64Array]


@dataclass(frozen=True, slots=True)
class SeatingPath:
    """The direction (3,), unit length, in which a crown travels when it is seated, and the rule.

    `tilt_deg` is its angle to the line square to the occlusal plane.
    """

    direction: Float64Array
    rule: PathRule
    tilt_deg: float

    def pose(self, height_mm: float) -> RigidTransform:
        """Return the pose of a crown at a height above its place, along the path."""
        return RigidTransform(np.eye(3), -height_mm * self.direction)


def seating_path(
    given: Sequence[float] | None,
    implant_axis: Sequence[float] | None,
    occlusal: Float64Array,
    crown: GapField,
    walls: Sequence[GapField],
) -> SeatingPath:
    """Return the path of seating: given, else against the implant's axis, else the easiest.

    Parameters
    ----------
    given : (3,) or None
        The way the crown travels, in its frame.
    implant_axis : (3,) or None
        From the implant to the crown.
    occlusal : (3,), unit length
    crown, walls
        The seated crown and its neighbours, in one frame. Without a given direction and an implant
        the crown comes from the direction, within 15 degrees of square to the occlusal plane, in
        which its greatest overlap with a neighbour on the way is least; of directions that are as
        good within 5 um, the one nearest to square.

    Raises
    ------
    InputError
        If a given direction is more than 60 degrees off: it points out of the mouth, or is wrong.
    """
    down = -unit_vector(occlusal, "occlusal")
    asked: list[tuple[PathRule, str, Float64Array]] = []
    if given is not None:
        asked.append(("given", "crown.seating_axis", np.array(given, dtype=np.float64)))
    elif implant_axis is not None:
        asked.append(("implant axis", "implant.axis", -np.array(implant_axis, dtype=np.float64)))
    for rule, key, travel in asked:
        direction = unit_vector(travel, key)
        tilt_deg = _angle_deg(direction, down)
        if tilt_deg > MOST_TILT_DEG:
            raise InputError(
                f"{key}: it seats the crown {tilt_deg:.0f} degrees off the line square to the "
                f"occlusal plane, at most {MOST_TILT_DEG:g} are possible. crown.seating_axis is "
                "the way the crown travels when it is seated, implant.axis points from the implant "
                "to the crown: turn it round, or leave it out"
            )
        return SeatingPath(direction, rule, tilt_deg)
    if not walls:
        return SeatingPath(down, "occlusal normal", 0.0)
    direction = easiest_direction(crown, walls, down)
    return SeatingPath(direction, "least overlap", _angle_deg(direction, down))


def _angle_deg(one: Float64Array, other: Float64Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other)))


def easiest_direction(
    crown: GapField, walls: Sequence[GapField], down: Float64Array
) -> Float64Array:
    """Return the direction (3,) within 15 degrees of `down` in which walls are overlapped least.

    Directions are tried in steps of 5 degrees, then of 2.5; overlaps are those of the walls'
    vertices, at every quarter of a millimetre: enough to choose by.
    """
    across = np.cross(down, np.eye(3)[int(np.argmin(np.abs(down)))])
    side = unit_vector(across, "across")
    ahead = np.cross(down, side)
    points = [_nearest_points(crown, wall) for wall in walls]

    def tilted(one_deg: float, other_deg: float) -> Float64Array:
        x, y = np.radians([one_deg, other_deg])
        angle = float(np.hypot(x, y))
        flat = x * side + y * ahead
        return np.cos(angle) * down + (np.sinc(angle / np.pi)) * flat

    def tried(grid: list[tuple[float, float]]) -> tuple[float, float]:
        within = {g for g in grid if np.hypot(*g) <= CONE_DEG + 1e-9}
        grid = sorted(within, key=lambda g: (round(float(np.hypot(*g)), 9), g))
        cost = np.array(
            [max(_way_overlap(crown, p, tilted(*g), down) for p in points) for g in grid]
        )
        return grid[int(np.flatnonzero(cost <= cost.min() + SAME_MM)[0])]

    coarse = np.arange(-CONE_DEG, CONE_DEG + 1, 5.0)
    x, y = tried([(float(a), float(b)) for a in coarse for b in coarse])
    fine = (-2.5, 0.0, 2.5)
    x, y = tried([(x + a, y + b) for a in fine for b in fine])
    return unit_vector(tilted(x, y), "path")


def _nearest_points(crown: GapField, wall: GapField) -> Float64Array:
    """Return the vertices (n, 3) of a wall that are nearest to the crown."""
    points = wall.surface.mesh.vertices
    gap = crown.surface.closest(points).unsigned_mm
    nearest = np.argsort(gap, kind="stable")[: max(TRIED_POINTS, len(points) // 4)]
    return points[nearest[:: max(1, len(nearest) // TRIED_POINTS)]]


def _way_overlap(
    crown: GapField, points: Float64Array, direction: Float64Array, down: Float64Array
) -> float:
    """Return the greatest depth, mm, at which points are inside a crown that comes down.

    Levels are the same for every direction, so that none is better by where it is looked at.
    """
    levels = np.arange(0.0, way_length(crown, points, down), TRIED_STEP_MM)
    places = points[None] + (levels / (direction @ down))[:, None, None] * direction
    found = crown.surface.closest(places.reshape(-1, 3), TRIED_REACH_MM).distance_mm
    return float(max(0.0, -np.fmin.reduce(found, initial=0.0)))


def way_length(crown: GapField, points: Float64Array, direction: Float64Array) -> float:
    """Return the height, mm, above its place at which a crown has left some points behind."""
    lowest = float((crown.surface.mesh.vertices @ direction).max())
    return max(COARSE_MM, lowest - float((points @ direction).min()))


@dataclass(frozen=True, slots=True)
class Passage:
    """A crown on its way past one neighbour; heights are above its place, mm along the path.

    Parameters
    ----------
    in_place_mm
        Greatest overlap in place, 0 where there is none.
    greatest_mm, at_height_mm
        Greatest overlap anywhere on the way, in place included, and where.
    point : (3,), mm
        Its place in the frame of the seated crown, on the crown; NaN without overlap.
    begins_at_mm
        Height at which the first overlap begins; NaN where there is none.
    held_up_mm
        Height at which the overlap first exceeds the tolerance: a rigid crown between rigid teeth
        stops there. 0 where it never does.
    take_off_mm
        What has to come off the crown at `point` so that the overlap stays within the tolerance.
    """

    in_place_mm: float
    greatest_mm: float
    at_height_mm: float
    point: Float64Array
    begins_at_mm: float
    held_up_mm: float
    take_off_mm: float

    @property
    def more_than_in_place_mm(self) -> float:
        """By how much the greatest overlap on the way exceeds the one in place."""
        return self.greatest_mm - self.in_place_mm


def passage(crown: GapField, wall: GapField, path: SeatingPath, tolerance_mm: float) -> Passage:
    """Return how a crown passes a neighbour on its way to its place.

    Parameters
    ----------
    crown, wall
        The seated crown and the neighbour's wall, in one frame.
    path
    tolerance_mm
        Overlap that teeth give way to, at least 0.

    Raises
    ------
    InputError
        If the tolerance is negative.

    Notes
    -----
    Least gaps are exact at each height. A least gap changes no faster than the crown moves, which
    rules out every stretch where it stays large; the rest is looked at every 0.125 mm, and around
    the deepest place and the two heights to 0.005 mm: a dip narrower than that between two looks
    may be missed. Where nothing is known the crown passes.
    """
    if not tolerance_mm >= 0:
        raise InputError(
            f"seating: a tolerated overlap of {tolerance_mm} mm given, 0 or more wanted"
        )
    length = way_length(crown, wall.surface.mesh.vertices, path.direction)
    gaps_at = partial(_gaps_at, crown, wall, path)
    heights, gaps = _sampled(gaps_at, length, (0.0, -tolerance_mm))
    best = int(np.argmin(gaps))
    at, least = _lowest_near(gaps_at, heights, gaps, best)
    if not least < 0:
        nowhere = np.full(3, np.nan)
        return Passage(0.0, 0.0, 0.0, nowhere, np.nan, 0.0, 0.0)
    if at not in heights:
        row = int(np.searchsorted(heights, at))
        heights, gaps = np.insert(heights, row, at), np.insert(gaps, row, least)
    found = least_gap(wall, crown, path.pose(at))
    return Passage(
        max(0.0, -float(gaps[0])),
        -least,
        at,
        path.pose(at).inverse().apply(found.point),
        _first_below(gaps_at, heights, gaps, 0.0),
        _first_below(gaps_at, heights, gaps, -tolerance_mm) if -least > tolerance_mm else 0.0,
        max(0.0, -least - tolerance_mm),
    )


def _gaps_at(
    crown: GapField, wall: GapField, path: SeatingPath, heights: Float64Array
) -> Float64Array:
    """Return least gaps (n,), mm, at heights; infinite where none is known."""
    gaps = least_gaps(wall, crown, [path.pose(float(h)) for h in heights])
    return np.where(np.isnan(gaps), np.inf, gaps)


def _sampled(
    gaps_at: GapsAt, length: float, levels_mm: tuple[float, ...]
) -> tuple[Float64Array, Float64Array]:
    """Return heights from 0 up and least gaps, finely wherever something may be found.

    That is a gap lower than all others, or one below a level higher up than any so far.
    """
    heights = np.linspace(0.0, length, int(np.ceil(length / COARSE_MM)) + 1)
    gaps = gaps_at(heights)
    while True:
        step = np.diff(heights)
        bound = 0.5 * (gaps[:-1] + gaps[1:] - step)
        wanted = bound < min(0.0, float(gaps.min()))
        for level_mm in levels_mm:
            below = np.flatnonzero(gaps < level_mm)
            first = int(below[-1]) if len(below) else 0
            wanted[first:] |= bound[first:] < level_mm
        open_ = np.flatnonzero((step > FINE_MM) & wanted)
        if len(open_) == 0:
            return heights, gaps
        middle = 0.5 * (heights[open_] + heights[open_ + 1])
        gaps = np.insert(gaps, open_ + 1, gaps_at(middle))
        heights = np.insert(heights, open_ + 1, middle)


def _lowest_near(
    gaps_at: GapsAt, heights: Float64Array, gaps: Float64Array, best: int
) -> tuple[float, float]:
    """Return the height and value of the least gap around a sample, by halving steps."""
    at, least = float(heights[best]), float(gaps[best])
    width = FINE_MM
    while width > PLACE_MM and least < FINE_MM:
        width *= 0.5
        tries = np.array([h for h in (at - width, at + width) if 0.0 <= h <= heights[-1]])
        here = gaps_at(tries)
        k = int(np.argmin(here))
        if here[k] < least:
            at, least = float(tries[k]), float(here[k])
    return at, least


def _first_below(
    gaps_at: GapsAt, heights: Float64Array, gaps: Float64Array, level_mm: float
) -> float:
    """Return the greatest height, mm, at which the gap falls below a level on the way down."""
    below = np.flatnonzero(gaps < level_mm)
    if len(below) == 0:
        return np.nan
    low = float(heights[below[-1]])
    if below[-1] == len(heights) - 1:
        return low
    high = float(heights[below[-1] + 1])
    while high - low > PLACE_MM:
        middle = 0.5 * (low + high)
        if float(gaps_at(np.array([middle]))[0]) < level_mm:
            low = middle
        else:
            high = middle
    return low
