"""What foil showed in the mouth before the crown, against what the closure predicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.case import Foil
from occlusim.contact.field import GapField
from occlusim.contact.foundation import near_part
from occlusim.contact.least import least_gap
from occlusim.crown.contacts_kept import FoilRule
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.units import BAND, UM

SEEN_MM = 0.5


def foil_part(foil: Foil | None, jaw: JawStage) -> list[dict[str, Any]]:
    """Return for every pair that was looked at what was seen and what is predicted.

    The gap is that of the surfaces as scanned, at the light or heavy closure without the crown; a
    pair that carries load is predicted to hold.
    """
    if foil is None:
        return []
    closure = jaw.run.light if foil.load == "light" else jaw.run.heavy
    seen = [(pair, "holds") for pair in foil.holds] + [(pair, "slips") for pair in foil.slips]
    gaps = PairGaps.around(jaw.natural, closure)
    return [_judged(foil, gaps, closure, pair, what) for pair, what in seen]


def upper_and_lower(pair: tuple[str, str]) -> tuple[int, int]:
    """Return the upper and the lower tooth of a pair, named in whichever order."""
    upper, lower = sorted((int(tooth) for tooth in pair), key=lambda tooth: tooth >= 30)
    return upper, lower


def _judged(
    foil: Foil, gaps: PairGaps, closure: Equilibrium, pair: tuple[str, str], observed: str
) -> dict[str, Any]:
    upper, lower = upper_and_lower(pair)
    load_N = closure.pair_N.get((upper, lower), 0.0)
    gap_mm = gaps.least(closure.T_upper_lower, upper, lower).gap_mm
    predicted = FoilRule(foil.thickness_um / UM).answer(gap_mm, load_N)
    return {
        "upper_tooth": str(upper),
        "lower_tooth": str(lower),
        "load": foil.load,
        "thickness_um": foil.thickness_um,
        "observed": observed,
        "predicted": predicted,
        "gap_um": None if np.isnan(gap_mm) else gap_mm * UM,
        "load_N": load_N,
        "agrees": None if predicted == "uncertain" else predicted == observed,
    }


class PairGap(NamedTuple):
    """The least gap of two teeth, mm; NaN where they are not within 0.5 mm.

    It is taken at `point` (3,) and grows as the lower tooth moves along `away` (3,), unit length;
    both in the upper scan's frame.
    """

    gap_mm: float
    point: Float64Array
    away: Float64Array


NO_GAP = PairGap(float("nan"), np.zeros(3), np.zeros(3))


@dataclass(frozen=True, slots=True)
class PairGaps:
    """The gaps of pairs of teeth, upper and lower, at closures that differ little.

    body: the lower teeth near contact, None where there are none; tooth (F,) of its faces.
    """

    natural: Opposition
    body: GapField | None
    tooth: Int32Array

    @staticmethod
    def around(natural: Opposition, closure: Equilibrium) -> PairGaps:
        """Return the gaps of natural teeth around a closure."""
        pose = natural.T_field_body(closure.T_upper_lower)
        near = near_part(natural.field, natural.body, pose, SEEN_MM)
        is_near = len(near.faces) > 0
        body = GapField.build(TriangleMesh(near.points, near.faces), BAND) if is_near else None
        return PairGaps(natural, body, near.tooth)

    def least(self, T_upper_lower: RigidTransform, upper: int, lower: int) -> PairGap:
        """Return the least gap of two teeth at a pose."""
        own, met = self.tooth == lower, self.natural.field_tooth == upper
        if self.body is None or not own.any() or not met.any():
            return NO_GAP
        field, pose = self.natural.field, self.natural.T_field_body(T_upper_lower)
        found = least_gap(field, self.body, pose, faces_a=met, faces_b=own)
        if not found.gap_mm < SEEN_MM:
            return NO_GAP
        if found.on == "b":
            away = field.surface.closest(found.point[None]).normals[0]
        else:
            there = pose.inverse().apply(found.point)
            away = -pose.rotate(self.body.surface.closest(there[None]).normals[0])
        return PairGap(found.gap_mm, found.point, away)


def foil_words(part: list[dict[str, Any]]) -> list[str]:
    """Return in words where foil and prediction disagree."""
    return [
        f"foil of {one['thickness_um']:g} um at {one['load']} closure: {one['upper_tooth']}/"
        f"{one['lower_tooth']} {one['observed']} in the mouth, {one['predicted']} by prediction"
        for one in part
        if one["agrees"] is False
    ]
