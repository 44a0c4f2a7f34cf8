"""What a bite scan is matched with on the arches, and how matches are picked and joined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array
from occlusim.geometry.transform import RigidTransform


@dataclass(frozen=True, slots=True)
class Poses:
    """The unknowns: the lower arch's pose and every bite scan's, in the upper scan's frame."""

    T_upper_lower: RigidTransform
    T_upper_bites: tuple[RigidTransform, ...]


@dataclass(frozen=True, slots=True)
class PartMatches:
    """The matches of one bite scan, all in the upper scan's frame.

    Attributes
    ----------
    vertex, row : (n,)
        Of the bite scan, and of its inner vertices.
    points, normals, directions : (n, 3)
        The vertex, the normal of the plane it is measured to, and the scan's own normal.
    residual_mm, area_mm2 : (n,)
        Distance from that plane; surface area of the vertex.
    weight_mm2 : (n,)
        That area, less where the vertex is to be trusted less (`trust`).
    is_lower : (n,)
        True where the plane belongs to the lower arch.
    cut_mm : float
        Tukey's cut: inliers have a smaller residual.
    """

    vertex: Int64Array
    row: Int64Array
    points: Float64Array
    normals: Float64Array
    directions: Float64Array
    residual_mm: Float64Array
    area_mm2: Float64Array
    weight_mm2: Float64Array
    is_lower: BoolArray
    cut_mm: float

    @property
    def is_inlier(self) -> BoolArray:
        """True (n,) where the residual is within Tukey's cut."""
        return np.abs(self.residual_mm) < self.cut_mm

    def pick(self, keep: BoolArray | Int64Array) -> PartMatches:
        """Return the matches where `keep` (n,) is true, or those of its numbers in their order."""
        at = np.flatnonzero(keep) if keep.dtype == np.bool_ else keep
        return PartMatches(
            self.vertex.take(at),
            self.row.take(at),
            self.points.take(at, axis=0),
            self.normals.take(at, axis=0),
            self.directions.take(at, axis=0),
            self.residual_mm.take(at),
            self.area_mm2.take(at),
            self.weight_mm2.take(at),
            self.is_lower.take(at),
            self.cut_mm,
        )


def mean_normals(part: PartMatches) -> Float64Array:
    """Return unit normals (n, 3) halfway between those of both surfaces.

    Neither part is the one that the other is measured to, and on curved surfaces the step is exact
    to one order more (Rusinkiewicz 2019, A symmetric objective function for ICP, ACM Trans. Graph.
    38:85).
    """
    both = part.normals + part.directions
    return both / np.linalg.norm(both, axis=1, keepdims=True)


def joined(a: PartMatches, b: PartMatches) -> PartMatches:
    """Return the matches of both in the order of their vertices, with the first's cut."""
    if len(b.vertex) == 0:
        return a.pick(np.argsort(a.vertex))
    both = PartMatches(
        np.concatenate([a.vertex, b.vertex]),
        np.concatenate([a.row, b.row]),
        np.concatenate([a.points, b.points]),
        np.concatenate([a.normals, b.normals]),
        np.concatenate([a.directions, b.directions]),
        np.concatenate([a.residual_mm, b.residual_mm]),
        np.concatenate([a.area_mm2, b.area_mm2]),
        np.concatenate([a.weight_mm2, b.weight_mm2]),
        np.concatenate([a.is_lower, b.is_lower]),
        a.cut_mm,
    )
    return both.pick(np.argsort(both.vertex))


def near(part: PartMatches, distance_mm: float) -> PartMatches:
    """Return the matches whose residual is within a distance."""
    return kept(part, np.abs(part.residual_mm) <= distance_mm)


def kept(part: PartMatches, keep: BoolArray) -> PartMatches:
    """Return the matches where `keep` (n,) is true; the same ones, not copied, where all are."""
    return part if keep.all() else part.pick(keep)


def is_determined(parts: dict[int, PartMatches]) -> bool:
    """Say whether every bite scan meets an arch, and any of them the lower one.

    A handful of matches is wanted before a step is tried; whether they fix the pose is left to
    the damped step and judged afterwards.
    """
    return all(len(p.vertex) >= 6 for p in parts.values()) and any(
        int(p.is_lower.sum()) >= 6 for p in parts.values()
    )
