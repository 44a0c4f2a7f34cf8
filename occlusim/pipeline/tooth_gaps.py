"""Exact gaps in a closure, with every tooth where the load has pushed it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import near_part
from occlusim.contact.least import least_gap
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import is_upper
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.units import BAND

SEEN_MM = 0.5
"""Natural teeth farther apart than this are not looked at."""


def crown_gap_mm(
    pair: CrownAgainst,
    antagonist_tooth: Int32Array,
    tooth: int,
    closed: Equilibrium,
    offset: Float64Array | None = None,
) -> float:
    """Return the least gap, mm, of a crown in a closure; NaN where no antagonist is known.

    Parameters
    ----------
    pair
        The crown and its antagonist.
    antagonist_tooth : (F,)
        Tooth of every face of the antagonist; 0 is left out.
    tooth
        The crown's, ISO 3950.
    closed
        The closure; how far its teeth have given way counts.
    offset : (3,), mm
        The crown is looked at so far from its place, in its own coordinates.
    """
    by_way: dict[bytes, tuple[Float64Array, list[int]]] = {}
    for other in np.unique(antagonist_tooth[antagonist_tooth > 0]).tolist():
        way = _way(closed, tooth, other)
        by_way.setdefault(way.tobytes(), (way, []))[1].append(other)
    mesh = pair.antagonist.surface.mesh
    tries = []
    for way, teeth in by_way.values():
        # The crown goes its way against the antagonist; of an upper one the pose is turned round.
        moved = _shifted(closed.T_upper_lower, -way if pair.crown_is_upper else way)
        T = pair.T_antagonist_crown(moved)
        if offset is not None:
            T = T @ RigidTransform.trusted(np.eye(3), offset)
        own = np.isin(antagonist_tooth, teeth)
        apart = _boxes_apart_mm(
            mesh.vertices[mesh.faces[own]].reshape(-1, 3),
            T.apply(pair.crown.surface.mesh.vertices),
        )
        tries.append((apart, T, own))
    least = np.nan
    for apart, T, own in sorted(tries, key=lambda one: one[0]):
        if least < apart:
            break
        found = least_gap(pair.antagonist, pair.crown, T, faces_a=own).gap_mm
        least = float(np.fmin(least, found))
    return least


def _boxes_apart_mm(a: Float64Array, b: Float64Array) -> float:
    """Return the distance between the boxes around points (n, 3) and (m, 3); 0 where they meet."""
    free = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
    return float(np.linalg.norm(np.maximum(free, 0.0)))


@dataclass(frozen=True, slots=True)
class NaturalGaps:
    """Gaps between natural teeth in a closure; built where a tooth carries nothing.

    near: the lower teeth within 0.5 mm of the upper ones.
    """

    natural: Opposition
    closed: Equilibrium
    lower: GapField
    lower_tooth: Int32Array

    @staticmethod
    def build(natural: Opposition, closed: Equilibrium) -> NaturalGaps | None:
        """Return the teeth near contact in a closure, or None where there are none."""
        pose = natural.T_field_body(closed.T_upper_lower)
        near = near_part(natural.field, natural.body, pose, SEEN_MM)
        if len(near.faces) == 0:
            return None
        lower = GapField.build(TriangleMesh(near.points, near.faces), BAND)
        return NaturalGaps(natural, closed, lower, near.tooth)

    def least_mm(self, tooth: int) -> float:
        """Return the least gap of a tooth to all opposing ones, mm; NaN beyond 0.5 mm."""
        upper = is_upper(tooth)
        others = np.unique(self.lower_tooth if upper else self.natural.field_tooth)
        least = np.nan
        for other in others[others > 0].tolist():
            above, below = (tooth, other) if upper else (other, tooth)
            least = float(np.fmin(least, self._pair_mm(above, below)))
        return least if least < SEEN_MM else float("nan")

    def _pair_mm(self, above: int, below: int) -> float:
        own, met = self.lower_tooth == below, self.natural.field_tooth == above
        if not (own.any() and met.any()):
            return float("nan")
        pose = _shifted(self.closed.T_upper_lower, _way(self.closed, below, above))
        return self._least(pose, met, own)

    def _least(self, pose: RigidTransform, met: BoolArray, own: BoolArray) -> float:
        return least_gap(self.natural.field, self.lower, pose, faces_a=met, faces_b=own).gap_mm


def _way(closed: Equilibrium, tooth: int, other: int) -> Float64Array:
    """Return how far a tooth has moved against another (3,), mm, in the upper frame."""
    nothing = np.zeros(3)
    return closed.yielded.get(tooth, nothing) - closed.yielded.get(other, nothing)


def _shifted(T_upper_lower: RigidTransform, way: Float64Array) -> RigidTransform:
    return RigidTransform.trusted(T_upper_lower.rotation, T_upper_lower.translation + way)


def tooth_load_N(closed: Equilibrium, tooth: int) -> float:
    """Return the vertical force that a tooth carries in a closure."""
    k = 0 if is_upper(tooth) else 1
    return float(sum(load for pair, load in closed.pair_N.items() if pair[k] == tooth))
