"""What foil showed in the mouth before the crown, against what the closure predicts."""

from __future__ import annotations

from typing import Any

import numpy as np

from occlusim.case import Foil
from occlusim.contact.field import GapField
from occlusim.contact.foundation import near_part
from occlusim.contact.least import least_gap
from occlusim.crown.contacts_kept import FoilRule
from occlusim.geometry.mesh import TriangleMesh
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
    return [_judged(foil, jaw, closure, pair, what) for pair, what in seen]


def _judged(
    foil: Foil, jaw: JawStage, closure: Equilibrium, pair: tuple[str, str], observed: str
) -> dict[str, Any]:
    upper, lower = sorted((int(t) for t in pair), key=lambda tooth: tooth >= 30)
    load_N = closure.pair_N.get((upper, lower), 0.0)
    gap_mm = pair_gap_mm(jaw, closure, upper, lower)
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


def pair_gap_mm(jaw: JawStage, closure: Equilibrium, upper: int, lower: int) -> float:
    """Return the least gap of two teeth at a closure; NaN where they are not within 0.5 mm."""
    natural = jaw.natural
    pose = natural.T_field_body(closure.T_upper_lower)
    near = near_part(natural.field, natural.body, pose, SEEN_MM)
    own, met = near.tooth == lower, natural.field_tooth == upper
    if not own.any() or not met.any():
        return float("nan")
    body = GapField.build(TriangleMesh(near.points, near.faces), BAND)
    found = least_gap(natural.field, body, pose, faces_a=met, faces_b=own)
    return found.gap_mm if found.gap_mm < SEEN_MM else float("nan")


def foil_words(part: list[dict[str, Any]]) -> list[str]:
    """Return in words where foil and prediction disagree."""
    return [
        f"foil of {one['thickness_um']:g} um at {one['load']} closure: {one['upper_tooth']}/"
        f"{one['lower_tooth']} {one['observed']} in the mouth, {one['predicted']} by prediction"
        for one in part
        if one["agrees"] is False
    ]
