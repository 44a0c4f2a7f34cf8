"""The screw access: where the channel opens, what presses there, how thick the wall beside it is.

A channel is a cylinder about an axis that leaves the screw's seat towards the occlusal side. The
seat is the deepest place of the channel and the place about which an angled channel turns, so it is
the pivot of every tilt. Nothing is cut and no material is invented: openings are parts of the
crown's own outer surface, areas are exact parts of its triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array
from occlusim.crown.channel import SIDES, Channel, CrownShell
from occlusim.crown.discs import disc_pieces, heights_at, least_radius, rim_heights

RIM_MM = 1.0
"""How far around the opening a contact is still too near: the margin of what fills a channel chips
and wears under a contact, and about a millimetre is kept free (common practice, from memory)."""

RING_MM = 1.0
"""Height of the rings, from the opening's edge downwards, in which the wall is told."""

WHOLE = 0.98
"""The opening is whole where outer surface covers at least this share of the channel's section.
The rest is for coarse triangles; our choice."""

LEAST_EXIT = 1e-3
OPEN_WALL = 0.3


@dataclass(frozen=True, slots=True)
class Opening:
    """Where a channel leaves the crown.

    Attributes
    ----------
    centroid, normal : (3,)
        Of the surface inside it, weighted by area, mm and unit length, in the crown's coordinates.
    area_mm2 : float
    whole : float
        Share of the channel's section that outer surface covers.
    low_mm, high_mm : float
        Heights of its edge above the pivot, along the axis.
    in_opening, in_rim : (F,)
        Share of each face of the crown.
    """

    centroid: Float64Array
    normal: Float64Array
    area_mm2: float
    whole: float
    low_mm: float
    high_mm: float
    in_opening: Float64Array
    in_rim: Float64Array

    @property
    def is_whole(self) -> bool:
        """Whether outer surface, in one layer, covers the channel's section."""
        return WHOLE <= self.whole <= 2.0 - WHOLE


@dataclass(frozen=True, slots=True)
class NoOpening:
    """Why no opening was found, and what of the rim there is: share (F,) of each face.

    reason: `wrong_way` (the axis points to the root), `already_open` (the mesh holds the channel),
    `no_outer_wall` (it leaves through the inner surface only), `misses` (it meets nothing).
    """

    reason: str
    in_rim: Float64Array


def find_opening(shell: CrownShell, channel: Channel) -> Opening | NoOpening:
    """Return where a channel opens on a crown's outer surface, or why it does not.

    Where the mesh holds a channel already there is nothing to measure: its walls, steep and facing
    the axis, give it away.
    """
    if channel.axis @ shell.orientation.occlusal <= 0:
        return NoOpening("wrong_way", np.zeros(shell.n_faces))
    found = measure_opening(shell, channel)
    if _holds_channel(shell, channel):
        return NoOpening("already_open", found.in_rim)
    return found


def measure_opening(shell: CrownShell, channel: Channel) -> Opening | NoOpening:
    """Return where a channel that points out of the crown opens; see `find_opening`.

    Notes
    -----
    What counts is outer surface in front of the pivot that looks along the axis. The rim is
    measured square to the axis.
    """
    near = _near(shell, channel, channel.radius_mm + RIM_MM)
    piece, moment, cut = _pieces(shell, channel, near, channel.radius_mm)
    full = shell.area_mm2[near] * (shell.normals[near] @ channel.axis)
    share = np.clip(piece / full, 0.0, 1.0)
    around = _pieces(shell, channel, near, channel.radius_mm + RIM_MM)[0]
    in_opening, in_rim = np.zeros(shell.n_faces), np.zeros(shell.n_faces)
    in_opening[shell.face[near]] = share
    in_rim[shell.face[near]] = np.maximum(np.clip(around / full, 0.0, 1.0) - share, 0.0)
    section = np.pi * channel.radius_mm**2
    edge = rim_heights(*channel.seen(shell.corners[cut]), channel.radius_mm)
    if piece.sum() < (1.0 - WHOLE) * section or edge is None:
        return NoOpening(_why_not(shell, channel), in_rim)
    met = piece > 1e-9 * section
    place = moment[met] / piece[met, None]
    seen = channel.seen(shell.corners[near[met]])
    middle = channel.back(place, heights_at(*seen, place))
    area = share[met] * shell.area_mm2[near][met]
    normal = area @ shell.normals[near][met]
    return Opening(
        area @ middle / area.sum(),
        normal / np.linalg.norm(normal),
        float(area.sum()),
        float(piece.sum() / section),
        *edge,
        in_opening,
        in_rim,
    )


def ring_walls(
    shell: CrownShell, channel: Channel, top_mm: float, ring_mm: float = RING_MM
) -> tuple[Float64Array, Float64Array]:
    """Return the wall beside a channel, ring by ring from a height above the pivot downwards.

    Returns
    -------
    below_mm : (k + 1,)
        Bounds of the rings, from 0 at the top to the pivot.
    wall_mm : (k, 4)
        Least distance between the channel's wall and the axial walls that face each of `SIDES`;
        NaN where there is none at that height, 0 where the channel breaks through.
    """
    below = np.arange(0.0, max(top_mm, 0.0), ring_mm)
    below = np.append(below, max(top_mm, 0.0))
    if len(below) > 2 and below[-1] - below[-2] < 1e-9:
        below = below[:-1]
    beside = _beside(shell, channel)[2]
    flat, height = channel.seen(shell.corners[beside])
    side = shell.side[beside]
    found = np.full((len(below) - 1, len(SIDES)), np.nan)
    for k in range(len(SIDES)):
        own = side == k
        for ring in range(len(below) - 1):
            low_mm, high_mm = top_mm - below[ring + 1], top_mm - below[ring]
            least = least_radius(flat[own], height[own], low_mm, high_mm).min(initial=np.inf)
            if np.isfinite(least):
                found[ring, k] = max(float(least) - channel.radius_mm, 0.0)
    return below, found


def least_wall_mm(shell: CrownShell, channel: Channel, top_mm: float) -> float:
    """Return the least wall beside a channel below a height, mm; NaN where there is no wall."""
    radial, height, is_beside = _beside(shell, channel)
    beside = np.flatnonzero(is_beside)
    # A face whose middle lies at such a height is as near as its middle at least.
    known = is_beside & (height >= 0.0) & (height <= top_mm)
    nearest = radial[known].min(initial=np.inf)
    beside = beside[radial[beside] - shell.reach_mm[beside] <= nearest]
    flat, height = channel.seen(shell.corners[beside])
    least = least_radius(flat, height, 0.0, top_mm).min(initial=np.inf)
    return max(float(least) - channel.radius_mm, 0.0) if np.isfinite(least) else float("nan")


def _near(shell: CrownShell, channel: Channel, radius_mm: float) -> Int64Array:
    """Return the faces (k,) in front of the pivot that look along the axis and come so near it."""
    looks = np.flatnonzero(shell.normals @ channel.axis > LEAST_EXIT)
    flat, height = channel.seen(shell.middle[looks])
    reach = shell.reach_mm[looks]
    close = np.hypot(flat[:, 0], flat[:, 1]) < radius_mm + reach
    return looks[close & (height > -reach)]


def _beside(shell: CrownShell, channel: Channel) -> tuple[Float64Array, Float64Array, BoolArray]:
    """Return distance from the axis and height (n,) of the middle of faces, and which are beside.

    Those are the axial walls that look away from the channel and reach above its pivot.
    """
    flat, height = channel.seen(shell.middle)
    outward = np.einsum("ni,ni->n", shell.normals @ channel.across, flat)
    is_beside = (shell.side >= 0) & (outward > 0) & (height > -shell.reach_mm)
    return np.hypot(flat[:, 0], flat[:, 1]), height, is_beside


def _pieces(
    shell: CrownShell, channel: Channel, near: Int64Array, radius_mm: float
) -> tuple[Float64Array, Float64Array, Int64Array]:
    """Return what faces (k,) share with a cylinder, seen along it, and which of them it may cut.

    Area (k,), first moment (k, 2), and faces of the shell. Only those that the cylinder may cut are
    looked at corner by corner.
    """
    flat = channel.seen(shell.middle[near])[0]
    radial, reach = np.hypot(flat[:, 0], flat[:, 1]), shell.reach_mm[near]
    area = shell.area_mm2[near] * (shell.normals[near] @ channel.axis)
    area[radial + reach > radius_mm] = 0.0
    moment = area[:, None] * flat
    cut = np.flatnonzero(np.abs(radial - radius_mm) < reach)
    corners = channel.seen(shell.corners[near[cut]])[0]
    area[cut], moment[cut] = disc_pieces(corners, radius_mm)
    return area, moment, near[cut]


def _holds_channel(shell: CrownShell, channel: Channel) -> bool:
    """Return whether steep walls that face the axis stand around it: a channel already made.

    A quarter of the wall of a channel one millimetre deep; our choice.
    """
    flat, height = channel.seen(shell.middle)
    radial = np.hypot(flat[:, 0], flat[:, 1])
    facing = -np.einsum("ni,ni->n", shell.normals @ channel.across, flat)
    steep = np.abs(shell.normals @ channel.axis) < OPEN_WALL
    near = (radial < channel.radius_mm + 0.5 * RIM_MM) & (height > 0)
    is_wall = near & steep & (facing > 0.7 * radial)
    return float(shell.area_mm2[is_wall].sum()) > 0.25 * 2 * np.pi * channel.radius_mm


def _why_not(shell: CrownShell, channel: Channel) -> str:
    """Return whether a channel without an opening meets the inner surface alone, or nothing."""
    corners = shell.inner
    if len(corners) == 0:
        return "misses"
    flat, height = channel.seen(corners)
    forward = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ channel.axis
    met = (forward != 0) & (height.max(axis=1) > 0)
    area = np.abs(disc_pieces(flat[met], channel.radius_mm)[0]).sum()
    return "no_outer_wall" if area > 1e-9 else "misses"
