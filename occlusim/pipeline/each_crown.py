"""Each crown of a case looked at on its own: sensitivity, screw access, verdict, its results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from occlusim.contact.field import GapField
from occlusim.geometry.scan_check import Finding
from occlusim.pipeline.access_stage import AccessStage, run_access
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_set import ProvedCrown
from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.kept_stage import KeptStage, run_kept
from occlusim.pipeline.probability_stage import ProbabilityStage, run_probability
from occlusim.pipeline.raise_stage import RaiseStage, raise_shown, run_raise
from occlusim.pipeline.record import Placed
from occlusim.pipeline.sensitivity_stage import SensitivityStage, run_sensitivity
from occlusim.pipeline.sides_stage import SidesStage
from occlusim.pipeline.units import UM
from occlusim.pipeline.verdict import verdict_part


@dataclass(frozen=True, slots=True)
class CheckedCrown:
    """Everything that is known of one crown; placed has the others of its arch in."""

    inputs: Inputs
    placed: Placed
    jaw: JawStage
    stage: CrownStage
    sides: SidesStage
    sides_after: dict[str, Any]
    sensitivity: SensitivityStage
    probability: ProbabilityStage
    kept: KeptStage
    low: RaiseStage | None
    access: AccessStage | None
    foil: list[dict[str, Any]]
    doubts: list[str]

    def part(self) -> dict[str, Any]:
        """Return the crown's part of the results."""
        found = self.stage.part() | {
            "sides": self.sides.part,
            "sensitivity": self.sensitivity.part(),
            "probability": self.probability.part(),
            "contacts_kept": self.kept.part(),
            "raise": self.low.part() if self.low else None,
        }
        found["after"]["sides"] = self.sides_after
        for spot in found["spots"]:
            if spot["id"] in self.probability.by_spot:
                spot["probability_high"] = self.probability.by_spot[spot["id"]]
        return found | ({"access": self.access.part()} if self.access else {})

    def closure_part(self) -> dict[str, Any]:
        """Return the closures without and with the crown."""
        found = self.jaw.closure_part()
        for load in ("light", "heavy"):
            found[load]["with_crown"] = self.stage.closures[load]
        for part, other in zip(found["others"], self.stage.closures["others"], strict=True):
            part["with_crown"] = other
        return found

    def datum_part(self) -> dict[str, Any]:
        """Return what the crown is high against."""
        more = {"disagreement_um": self.stage.disagreement_um, "foil": self.foil}
        return self.jaw.datum_part() | more

    def verdict_part(self) -> dict[str, Any]:
        """Return the verdict on this crown."""
        return verdict_part(self.placed, self.jaw, self.stage, self.doubts)

    def whole_part(self) -> dict[str, Any]:
        """Return the crown's part of the results, with what stands outside it of an only one."""
        return self.part() | {
            "verdict": self.verdict_part(),
            "closure": self.closure_part(),
            "datum": self.datum_part(),
            "axis_effect": self.sensitivity.axis_effect_part(),
        }

    @property
    def words(self) -> str:
        """What the crown is called among several."""
        return f"crown {', '.join(map(str, self.inputs.crown_spec.iso))}"


def look_at(
    proved: ProvedCrown,
    sides: SidesStage,
    field: GapField,
    foil: tuple[list[dict[str, Any]], list[str]],
    clock: Clock,
    folder: Path,
) -> CheckedCrown:
    """Return a crown with sensitivity, contacts, screw access, and its raise where it is low.

    `field` is that of its design; `foil` is what it showed, and what of that speaks against the
    rest, in words; a raised crown is written to the folder.
    """
    inputs, jaw = proved.inputs, proved.jaw
    after = proved.stage.adjusted_field
    crown = proved.stage.with_field("side_gap_um", sides.side_gap_um)
    crown = crown.with_field_after("side_gap_um", sides.gaps_again_um(after))
    sides_after = sides.again(after)
    with clock.stage("sensitivity", "sensitivity: other axes and condylar angles"):
        sensitivity = run_sensitivity(inputs, jaw, crown, field)
    with clock.stage("probability", "probability: how likely each place is high"):
        probability = run_probability(inputs, proved.placed, jaw, crown)
    with clock.stage("kept", "contacts kept: foil and load before and after"):
        kept = run_kept(inputs, jaw, crown, field)
    with clock.stage("raise", "low crown: the raise that would give its contact"):
        low = run_raise(inputs, jaw, crown, field, sides, folder)
    crown = probability.shown(raise_shown(crown, low))
    with clock.stage("access", "screw access: opening, contacts, walls, tilts"):
        access = run_access(inputs, jaw, crown)
    return CheckedCrown(
        inputs,
        proved.placed,
        jaw,
        crown,
        sides,
        sides_after,
        sensitivity,
        probability,
        kept,
        low,
        access,
        *foil,
    )


def crown_findings(crowns: Sequence[CheckedCrown], retruded: Sequence[Finding]) -> list[Finding]:
    """Return what is to be said of the crowns; of several, each finding names its crown.

    `retruded` are the retruded record's, which stand between a crown's own.
    """
    found: list[Finding] = []
    for k, one in enumerate(crowns):
        deepest_um = max((s.depth_mm for s in one.stage.plan.spots), default=0.0) * UM
        changed = one.sides.changes(one.sides_after, "adjusted")
        own = [*one.sides.findings, *changed, *one.stage.findings]
        own += [*one.kept.findings(), *(one.low.findings() if one.low else ())]
        own += retruded if k == 0 else ()
        own += one.access.findings() if one.access else ()
        least_um = one.inputs.case.targets.least_spot_um
        own += one.sensitivity.findings(deepest_um, least_um)
        if len(crowns) > 1:
            own = [
                replace(f, message=f"{one.words}: {f.message}") if f.role == "crown" else f
                for f in own
            ]
        found += own
    return found


def joined_verdict(crowns: Sequence[CheckedCrown]) -> dict[str, Any]:
    """Return the verdict on a case: the worst of its crowns', reasons named by crown."""
    parts = [one.verdict_part() for one in crowns]
    if len(parts) == 1:
        return parts[0]
    reasons: list[str] = []
    for one, part in zip(crowns, parts, strict=True):
        shared = [r for r in part["reasons"] if all(r in other["reasons"] for other in parts)]
        reasons += [r for r in shared if r not in reasons]
        reasons += [f"{one.words}: {r}" for r in part["reasons"] if r not in shared]
    high = [part["high"] for part in parts]
    return {
        "state": "doubtful" if reasons else "sound",
        "high": True if True in high else (None if None in high else False),
        "reasons": reasons,
        "coverage": min(part["coverage"] for part in parts),
    }
