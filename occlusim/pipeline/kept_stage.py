"""Contacts kept: the crown before and after its adjustment, by load, area, patch and foil."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.crown.contacts_kept import (
    GONE_MM,
    LEAST_PATCH_MM2,
    Answer,
    CrownAtLoad,
    FoilRule,
    Height,
    Kept,
    Load,
    Neighbour,
    Patch,
    contact_patches,
    counted,
    judge,
    nearest_height,
    vanished,
)
from occlusim.crown.location import CrownRelief
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import distal_neighbour, mesial_neighbour
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.crown_stage import CrownStage, CrownState, Region, crown_opposition
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import close_jaw
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.tooth_gaps import NaturalGaps, crown_gap_mm, tooth_load_N
from occlusim.pipeline.units import UM, numbers

LOADS: tuple[Load, Load] = ("light", "heavy")
RULES: Mapping[str, str] = {
    "tooth": "a crown on a tooth holds foil at light and heavy load like its neighbours",
    "implant": "a crown on an implant lets foil slip at light load and holds it at heavy load "
    "with no more load than its neighbours",
}


@dataclass(frozen=True, slots=True)
class AtLoad:
    """A crown in one closure: what foil does, its share of the load, and where it presses."""

    crown: CrownAtLoad
    share: float
    patches: tuple[Patch, ...]

    def part(self) -> dict[str, Any]:
        """Return it in outside units."""
        crown = self.crown
        return {
            "n_contacts": len(counted(self.patches)),
            "area_mm2": float(sum(patch.area_mm2 for patch in self.patches)),
            "load_N": crown.load_N,
            "share": self.share,
            "gap_um": crown.gap_mm * UM,
            "foil": crown.foil,
            "neighbours": [
                {
                    "tooth": str(n.tooth),
                    "load_N": n.load_N,
                    "gap_um": n.gap_mm * UM,
                    "foil": n.foil,
                    "foil_without_crown": n.without,
                }
                for n in crown.neighbours
            ],
        }


class Beside:
    """The teeth beside a crown, and what foil does there with the crown left out."""

    def __init__(self, inputs: Inputs, jaw: JawStage, foil: FoilRule) -> None:
        spec, natural = inputs.crown_spec, jaw.natural
        beside = {t for own in spec.iso for t in (mesial_neighbour(own), distal_neighbour(own))}
        around = sorted(t for t in beside if t is not None and t not in spec.iso)
        placed = natural.field_tooth if spec.is_upper else natural.body.tooth
        self.foil = foil
        self.teeth = [t for t in around if (placed == t).any()]
        self._natural = natural
        self._without: dict[Load, dict[int, Answer]] = {
            load: {tooth: answer for tooth, _, _, answer in self._answers(closed)}
            for load, closed in zip(LOADS, (jaw.run.light, jaw.run.heavy), strict=True)
        }

    def at(self, load: Load, closed: Equilibrium) -> tuple[Neighbour, ...]:
        """Return the neighbours in a closure with the crown in."""
        without = self._without[load]
        return tuple(
            Neighbour(tooth, load_N, gap_mm, answer, without[tooth])
            for tooth, load_N, gap_mm, answer in self._answers(closed)
        )

    def _answers(self, closed: Equilibrium) -> list[tuple[int, float, float, Answer]]:
        """Return tooth, load, gap and answer; the gap of a tooth that carries load is not asked."""
        found, gaps = [], None
        for tooth in self.teeth:
            load_N, gap_mm = tooth_load_N(closed, tooth), float("nan")
            if load_N <= 0.0:
                gaps = gaps or NaturalGaps.build(self._natural, closed)
                gap_mm = gaps.least_mm(tooth) if gaps else gap_mm
            found.append((tooth, load_N, gap_mm, self.foil.answer(gap_mm, load_N)))
        return found


def foil_of(inputs: Inputs) -> FoilRule:
    """Return the foil of a case: its `[foil]`, else the published one of 8 um."""
    foil = inputs.case.foil
    return FoilRule() if foil is None else FoilRule(foil.thickness_um / UM)


def crown_at_loads(
    beside: Beside, region: Region, tooth: int, field: GapField, state: CrownState
) -> dict[Load, AtLoad]:
    """Return what a crown does in its light and heavy closure."""
    pair, mesh = region.against(field), field.surface.mesh

    def at(load: Load, k: int) -> AtLoad:
        closed, pressed = state.closed[k], state.pressed[k]
        load_N = float(closed.loads[1].vertical_N.sum())
        gap_mm = crown_gap_mm(pair, region.tooth, tooth, closed)
        crown = CrownAtLoad(
            load, gap_mm, load_N, beside.foil.answer(gap_mm, load_N), beside.at(load, closed)
        )
        forces = np.zeros(len(mesh.faces)) if pressed.load_N is None else pressed.load_N
        patches = contact_patches(mesh, pressed.area_mm2, forces)
        return AtLoad(crown, load_N / closed.support_N, patches)

    found = side_by_side([partial(at, load, k) for k, load in enumerate(LOADS)])
    return dict(zip(LOADS, found, strict=True))


@dataclass(frozen=True, slots=True)
class Advice:
    """The wanted gap in closure that would meet the rule, um, and how it was found."""

    centric_um: float
    given_um: float
    height: Height

    def part(self) -> dict[str, Any]:
        """Return it in outside units."""
        return {
            "centric_um": self.centric_um,
            "given_centric_um": self.given_um,
            "height_um": self.height.raise_mm * UM,
        }


@dataclass(frozen=True, slots=True)
class KeptStage:
    """The contacts of a crown before and after, and whether the rule is met after."""

    foil: FoilRule
    support: str
    before: dict[Load, AtLoad]
    after: dict[Load, AtLoad]
    kept: Kept
    lost: tuple[dict[str, Any], ...]
    advice: Advice | None
    is_asked: bool

    def part(self) -> dict[str, Any]:
        """Return the part of the crown's results."""
        return {
            "foil": {
                "thickness_um": self.foil.thickness_mm * UM,
                "holds_up_to_um": self.foil.holds_mm * UM,
                "slips_from_um": self.foil.slips_mm * UM,
                "published": self.foil.is_published,
            },
            "counted_from_mm2": LEAST_PATCH_MM2,
            "gone_beyond_mm": GONE_MM,
            "before": {load: at.part() for load, at in self.before.items()},
            "after": {load: at.part() for load, at in self.after.items()},
            "rule": {"support": self.support, "words": RULES[self.support]},
            "met": self.kept.met,
            "reasons": list(self.kept.reasons),
            "vanished": list(self.lost),
            "advice": None if self.advice is None else self.advice.part(),
            "advice_searched": self.is_asked,
        }

    def findings(self) -> list[Finding]:
        """Return the conflict as a finding, where there is one."""
        if self.kept.met is not False:
            return []
        words = f"contacts: {RULES[self.support]}; {'; '.join(self.kept.reasons)}"
        return [Finding("warning", "contacts_not_kept", words, "crown")]


def run_kept(inputs: Inputs, jaw: JawStage, crown: CrownStage, field: GapField) -> KeptStage:
    """Return whether the contacts of a crown are kept; `field` is the crown's as designed.

    Where they are not, the wanted gap is looked for at which they would be; not of a low crown,
    whose raise is proposed instead.
    """
    foil, support, tooth = foil_of(inputs), inputs.crown_spec.support, crown.tooth
    beside = Beside(inputs, jaw, foil)
    before = crown_at_loads(beside, crown.region, tooth, field, crown.first)
    after = before
    if crown.adjusted_field.surface.mesh is not field.surface.mesh:
        after = crown_at_loads(beside, crown.region, tooth, crown.adjusted_field, crown.after)
    kept = judge(support, after["light"].crown, after["heavy"].crown, foil)
    is_asked = kept.met is False and crown.missing_contact_mm is None
    advice = _advice(inputs, jaw, crown, beside, kept) if is_asked else None
    lost = _lost(field, crown, before, after)
    return KeptStage(foil, support, before, after, kept, lost, advice, is_asked)


def _lost(
    field: GapField, crown: CrownStage, before: dict[Load, AtLoad], after: dict[Load, AtLoad]
) -> tuple[dict[str, Any], ...]:
    """Return the contacts that are gone on the adjusted crown, named by place."""
    surface = field.surface
    found, relief = [], None
    for load in LOADS:
        for patch in vanished(before[load].patches, after[load].patches):
            relief = relief or CrownRelief(
                surface.mesh.vertices, surface.mesh.faces, surface.vertex_normals, crown.orientation
            )
            found.append(
                {
                    "load": load,
                    "location": relief.describe(patch.centroid, patch.normal),
                    "area_mm2": patch.area_mm2,
                    "load_N": patch.load_N,
                    "centroid_mm": numbers(crown.T_upper_crown.apply(patch.centroid)),
                }
            )
    return tuple(found)


def _advice(
    inputs: Inputs, jaw: JawStage, crown: CrownStage, beside: Beside, kept: Kept
) -> Advice | None:
    """Return the wanted gap at which the rule would be met, by the adjusted crown moved as one."""
    field, up = crown.adjusted_field, crown.orientation.occlusal
    pair, region, tooth = crown.region.against(field), crown.region, crown.tooth

    def kept_at(raise_mm: float) -> Kept:
        offset = raise_mm * up
        moved = TriangleMesh(field.surface.mesh.vertices + offset, field.surface.mesh.faces)
        own = crown_opposition(inputs, region, moved)

        def at(load: Load, start: Equilibrium) -> CrownAtLoad:
            closed = close_jaw(
                jaw.model, (jaw.run.side.copy(), own), start.load_N, start, is_rough=True
            )
            load_N = float(closed.loads[1].vertical_N.sum())
            gap_mm = crown_gap_mm(pair, region.tooth, tooth, closed, offset)
            foil = beside.foil.answer(gap_mm, load_N)
            return CrownAtLoad(load, gap_mm, load_N, foil, beside.at(load, closed))

        starts: Sequence[Equilibrium] = crown.after.closed
        jobs = [partial(at, load, start) for load, start in zip(LOADS, starts, strict=True)]
        light, heavy = side_by_side(jobs)
        return judge(inputs.crown_spec.support, light, heavy, beside.foil)

    height = nearest_height(kept_at, kept)
    if height is None:
        return None
    T = pair.T_antagonist_crown(jaw.run.light.T_upper_lower)
    T = T @ RigidTransform.trusted(np.eye(3), height.raise_mm * up)
    gap_mm = least_gap(pair.antagonist, pair.crown, T, faces_a=pair.antagonist_teeth).gap_mm
    return Advice(
        float(np.round((gap_mm - jaw.datum.g_nat_mm) * UM)),
        inputs.case.centric_um(inputs.crown_spec),
        height,
    )
