"""Which tilt of a screw channel does best, within the cone that an angled channel allows.

What counts first, in this order (our choice): the opening lies whole on the outer surface; the wall
keeps its least thickness; nothing presses inside the opening; nothing presses in its rim; then the
thicker wall, and of equals the smaller tilt. Areas count in steps of 0.05 mm2, below which a
contact is not told from noise anywhere else either, walls in steps of 0.05 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.crown.access import RIM_MM, Opening, least_wall_mm, measure_opening
from occlusim.crown.channel import Channel, CrownShell, tilted

STEP_MM2 = 0.05
STEP_MM = 0.05
GRID_DEG = 5.0
N_DIRECTIONS = 8
FINEST_DEG = 1.0


@dataclass(frozen=True, slots=True)
class TiltFound:
    """What one tilt gives.

    Attributes
    ----------
    tilt_rad, towards_rad : float
        From the axis as given; the direction counts from mesial towards buccal.
    is_whole : bool
    opening_mm2, rim_mm2 : float
        Area that presses there; NaN without an opening.
    wall_mm : float
        Least wall beside the channel; NaN where there is none.
    """

    tilt_rad: float
    towards_rad: float
    is_whole: bool
    opening_mm2: float
    rim_mm2: float
    wall_mm: float

    def rank(self, least_wall_mm: float) -> tuple[float, ...]:
        """Return what tilts are compared by, lower is better."""
        if math.isnan(self.opening_mm2):
            return (1.0, math.inf, math.inf, math.inf, 0.0, self.tilt_rad)
        wall_mm = 0.0 if math.isnan(self.wall_mm) else self.wall_mm
        return (
            0.0 if self.is_whole else 1.0,
            math.ceil(round(max(least_wall_mm - wall_mm, 0.0) / STEP_MM, 9)),
            math.floor(self.opening_mm2 / STEP_MM2),
            math.floor(self.rim_mm2 / STEP_MM2),
            -math.floor(round(wall_mm / STEP_MM, 9)),
            round(self.tilt_rad, 9),
        )


@dataclass(frozen=True, slots=True)
class TiltSearch:
    """Tilts of one channel in one crown; `pressed_mm2` (F,) is what presses on each face.

    shell: the faces that a channel within the cone can meet; walls: the axial walls.
    """

    shell: CrownShell
    walls: CrownShell
    channel: Channel
    pressed_mm2: Float64Array
    least_wall_mm: float

    def at(self, tilt_rad: float, towards_rad: float) -> TiltFound:
        """Return what a tilt gives."""
        axes = self.shell.orientation
        towards = math.cos(towards_rad) * axes.mesial + math.sin(towards_rad) * axes.buccal
        channel = tilted(self.channel, tilt_rad, towards) if tilt_rad > 0 else self.channel
        opening = measure_opening(self.shell, channel)
        if not isinstance(opening, Opening):
            return TiltFound(tilt_rad, towards_rad, False, math.nan, math.nan, math.nan)
        return TiltFound(
            tilt_rad,
            towards_rad,
            opening.is_whole,
            float(opening.in_opening @ self.pressed_mm2),
            float(opening.in_rim @ self.pressed_mm2),
            least_wall_mm(self.walls, channel, opening.high_mm),
        )

    def best(self, found: list[TiltFound]) -> TiltFound:
        """Return the best of some tilts."""
        return min(found, key=lambda one: one.rank(self.least_wall_mm))


def search_tilts(
    shell: CrownShell,
    channel: Channel,
    max_tilt_rad: float,
    pressed_mm2: Float64Array,
    least_wall_mm: float,
) -> tuple[tuple[TiltFound, ...], TiltFound]:
    """Return a grid over the cone of tilts, the axis as given first, and the best tilt found.

    Parameters
    ----------
    shell, channel
        The crown, and the channel as given; its pivot stays.
    max_tilt_rad
        0 gives the axis as given alone.
    pressed_mm2 : (F,)
        Area of each of the crown's faces that something presses on.
    least_wall_mm
        Wanted of the wall beside the channel.

    Notes
    -----
    The grid has eight directions and rings of at most 5 degrees; around its best the step is halved
    down to 1 degree. What lies between two places of the grid and is narrower is not seen.
    """
    search = TiltSearch(
        shell.part(reached(shell, channel, max_tilt_rad)),
        shell.part(shell.side >= 0),
        channel,
        pressed_mm2,
        least_wall_mm,
    )
    n_rings = math.ceil(round(math.degrees(max_tilt_rad) / GRID_DEG, 9))
    grid = [search.at(0.0, 0.0)]
    grid += [
        search.at(ring * max_tilt_rad / n_rings, 2 * math.pi * k / N_DIRECTIONS)
        for ring in range(1, n_rings + 1)
        for k in range(N_DIRECTIONS)
    ]
    best = search.best(grid)
    step = 0.5 * max_tilt_rad / max(n_rings, 1)
    while math.degrees(step) >= FINEST_DEG:
        best = search.best([best, *_around(search, best, step, max_tilt_rad)])
        step *= 0.5
    return tuple(grid), best


def _around(
    search: TiltSearch, middle: TiltFound, step_rad: float, most_rad: float
) -> list[TiltFound]:
    """Return the eight tilts a step around another that lie in the cone."""
    x = middle.tilt_rad * math.cos(middle.towards_rad)
    y = middle.tilt_rad * math.sin(middle.towards_rad)
    found = []
    for k in range(N_DIRECTIONS):
        a = x + step_rad * math.cos(2 * math.pi * k / N_DIRECTIONS)
        b = y + step_rad * math.sin(2 * math.pi * k / N_DIRECTIONS)
        if math.hypot(a, b) <= most_rad:
            found.append(search.at(math.hypot(a, b), math.atan2(b, a) % (2 * math.pi)))
    return found


def reached(shell: CrownShell, channel: Channel, max_tilt_rad: float) -> BoolArray:
    """Return which faces (n,) a channel within the cone can meet."""
    way = shell.middle - channel.pivot
    far = np.linalg.norm(way, axis=1)
    angle = np.arccos(np.clip(way @ channel.axis / np.maximum(far, 1e-12), -1.0, 1.0))
    wide = (channel.radius_mm + RIM_MM + shell.reach_mm) / np.maximum(far, 1e-12)
    allowed = max_tilt_rad + np.where(wide < 1.0, np.arcsin(np.clip(wide, 0.0, 1.0)), np.pi)
    return angle <= allowed
