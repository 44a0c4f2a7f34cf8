"""The verdict on a case: high or not, and how far the answer can be trusted."""

from __future__ import annotations

from typing import Any

from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.settling import DOUBTFUL_UM
from occlusim.pipeline.springs import cut_short_words
from occlusim.pipeline.units import UM

LEAST_COVERAGE = 0.98


def verdict_part(
    placed: Placed,
    jaw: JawStage,
    crown: CrownStage,
    foil: list[str],
) -> dict[str, Any]:
    """Return state, whether the crown is high, the reasons for doubt, and the coverage.

    `foil`: in words, what foil showed that speaks against the rest.
    """
    reasons = [f"{reason}: the recorded bite is the datum" for reason in jaw.datum.reasons]
    reasons += [f"bite record: {reason}" for reason in placed.record.verdict.reasons]
    change_um = crown.disagreement_um
    if change_um is not None and change_um > DOUBTFUL_UM:
        reasons.append(
            f"settled freely on its natural teeth the bite puts the crown {change_um:.0f} um "
            "higher or lower than closed on the hinge"
        )
    reasons += foil
    reasons += cut_short_words(jaw.run.paths)
    if crown.coverage < LEAST_COVERAGE:
        reasons.append(
            f"the opposing scan ends within 1 mm of {100 * (1 - crown.coverage):.0f} % of the "
            "crown's facing surface: its gap there is not known"
        )
    if crown.withheld:
        reasons.append(crown.withheld)
    reasons += [
        f"spot {spot.id}: {'; '.join(spot.reasons).replace(' um', ' µm')}; "
        f"{spot.shortfall_mm * UM:.0f} µm are left"
        for spot in crown.plan.spots
        if not spot.feasible
    ]
    high: bool | None = len(crown.plan.spots) > 0
    if not high and (crown.coverage < LEAST_COVERAGE or crown.withheld):
        high = None
    return {
        "state": "doubtful" if reasons else "sound",
        "high": high,
        "reasons": reasons,
        "coverage": crown.coverage,
    }
