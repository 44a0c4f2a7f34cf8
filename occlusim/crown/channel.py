"""A screw channel, and the crown's outer surface as a channel meets it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, unit_vector
from occlusim.crown.location import WALL_DEG, CrownOrientation
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh

ISLAND_SHARE = 0.05
SIDES = ("mesial", "buccal", "distal", "inner")
"""The axial walls by the way they face; `inner` is lingual or palatal."""


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel: pivot (3,) mm at the screw's seat, unit axis (3,) out of the crown, radius.

    across (3, 2) holds two unit vectors that make a right-handed frame with the axis.
    """

    pivot: Float64Array
    axis: Float64Array
    radius_mm: float
    across: Float64Array = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "axis", unit_vector(self.axis, "access axis"))
        if not (np.isfinite(self.pivot).all() and np.shape(self.pivot) == (3,)):
            raise InputError(f"access: pivot {self.pivot} given, three coordinates in mm wanted")
        if not self.radius_mm > 0:
            raise InputError(f"access: radius {self.radius_mm} mm given, more than 0 wanted")
        first = np.cross(self.axis, np.eye(3)[np.argmin(np.abs(self.axis))])
        first /= np.linalg.norm(first)
        across = np.stack([first, np.cross(self.axis, first)], axis=1)
        object.__setattr__(self, "across", across)

    def seen(self, points: Float64Array) -> tuple[Float64Array, Float64Array]:
        """Return places (..., 2) square to the axis, seen from outside, and heights (...)."""
        moved = (points - self.pivot).reshape(-1, 3)
        flat, height = moved @ self.across, moved @ self.axis
        return flat.reshape(*points.shape[:-1], 2), height.reshape(points.shape[:-1])

    def back(self, place: Float64Array, height: Float64Array) -> Float64Array:
        """Return points (n, 3) from places (n, 2) square to the axis and heights (n,)."""
        return self.pivot + place @ self.across.T + height[:, None] * self.axis


@dataclass(frozen=True, slots=True)
class CrownShell:
    """A crown's outer faces (n), each with its place in the crown's list of `n_faces`.

    corners (n, 3, 3) mm; normals (n, 3); area (n,); middle (n, 3) mm and reach (n,) mm, the way
    from there to the farthest corner. An axial wall stands steeper than 65 degrees to the occlusal
    direction: `side` (n,) counts in `SIDES`, -1 elsewhere. Steep islands in the biting surface,
    such as the walls of a fissure, are none. inner (m, 3, 3) mm: all other faces.
    """

    face: Int64Array
    corners: Float64Array
    normals: Float64Array
    area_mm2: Float64Array
    side: Int64Array
    middle: Float64Array
    reach_mm: Float64Array
    inner: Float64Array
    orientation: CrownOrientation
    n_faces: int

    @staticmethod
    def build(mesh: TriangleMesh, is_outer: BoolArray, orientation: CrownOrientation) -> CrownShell:
        """Return the shell of a crown; `is_outer` (V,) marks the vertices of its outer surface."""
        outer = is_outer[mesh.faces].all(axis=1)
        vectors = mesh.face_vectors()
        length = np.linalg.norm(vectors, axis=1)
        face = np.flatnonzero(outer & (length > 0))
        normals = vectors[face] / length[face, None]
        m, b = normals @ orientation.mesial, normals @ orientation.buccal
        along = np.abs(m) >= np.abs(b)
        side = np.where(along, np.where(m > 0, 0, 2), np.where(b > 0, 1, 3))
        steep = normals @ orientation.occlusal < np.cos(np.radians(WALL_DEG))
        steep[steep] = ~_is_island(mesh.faces[face[steep]], length[face[steep]])
        corners = mesh.vertices[mesh.faces[face]]
        middle = corners.mean(axis=1)
        return CrownShell(
            face,
            corners,
            normals,
            0.5 * length[face],
            np.where(steep, side, -1),
            middle,
            np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1, initial=0.0),
            mesh.vertices[mesh.faces[~outer]],
            orientation,
            len(mesh.faces),
        )

    def part(self, kept: BoolArray) -> CrownShell:
        """Return the shell of some of these faces (n,)."""
        return CrownShell(
            self.face[kept], self.corners[kept], self.normals[kept], self.area_mm2[kept],
            self.side[kept], self.middle[kept], self.reach_mm[kept], self.inner,
            self.orientation, self.n_faces,
        )  # fmt: skip


def _is_island(faces: Int32Array, area: Float64Array) -> BoolArray:
    """Return which of some faces (n, 3) belong to a connected part of less than 5 % of their area.

    Our choice: a fissure has a few square millimetres of wall, the crown's sides have a hundred.
    """
    if len(faces) == 0:
        return np.zeros(0, dtype=np.bool_)
    corner = np.unique(faces, return_inverse=True)[1].reshape(-1, 3)
    ends = np.concatenate([corner[:, [0, 1]], corner[:, [1, 2]]])
    n = int(corner.max()) + 1
    links = coo_matrix((np.ones(len(ends)), ends.T), shape=(n, n))
    part = connected_components(links, directed=False)[1][corner[:, 0]]
    share = np.bincount(part, weights=area) / area.sum()
    return share[part] < ISLAND_SHARE


def tilted(channel: Channel, tilt_rad: float, towards: Float64Array) -> Channel:
    """Return a channel turned about its pivot by an angle towards a direction (3,)."""
    flat = towards - (towards @ channel.axis) * channel.axis
    flat = unit_vector(flat, "direction of the tilt")
    axis = np.cos(tilt_rad) * channel.axis + np.sin(tilt_rad) * flat
    return Channel(channel.pivot, axis, channel.radius_mm)
