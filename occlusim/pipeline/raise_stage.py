"""A low crown: the raise proposed for it, as a map, and the raised crown simulated again.

Nothing is applied: the raised crown is a file beside the others, for who designs the crown.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.field import GapField
from occlusim.crown.contacts_kept import Kept, judge
from occlusim.crown.integrity import is_watertight
from occlusim.crown.location import CrownRelief
from occlusim.crown.raising import PlaceRaise, RaiseMap, RaiseSettings, plan_raise
from occlusim.crown.reduction import remainder
from occlusim.files.mesh_files import read_mesh, write_ply, write_stl
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.pipeline.crown_paths import wanted_functions
from occlusim.pipeline.crown_stage import CrownStage, CrownState, crown_state, shortfall_mm
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.kept_stage import LOADS, AtLoad, Beside, crown_at_loads, foil_of
from occlusim.pipeline.results import movement_part
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.sides_stage import SidesStage
from occlusim.pipeline.units import BAND, UM, numbers

Way = Literal["by_cusp", "uniform"]
WAYS: tuple[Way, Way] = ("by_cusp", "uniform")


@dataclass(frozen=True, slots=True)
class RaiseProof:
    """A raised crown, run again: its state, contacts, what it misses still, high spots, sides.

    `changed` says which side contacts are called otherwise than as designed.
    """

    state: CrownState
    loads: dict[Any, AtLoad]
    kept: Kept
    missing_mm: float | None
    n_spots: int
    sides: dict[str, Any]
    changed: tuple[Finding, ...]

    def part(self) -> dict[str, Any]:
        """Return it in outside units."""
        return {
            "recorded_gap_um": self.state.recorded_gap_mm * UM,
            "movements": [movement_part(m) for m in self.state.movements],
            "n_spots": self.n_spots,
            "missing_contact_um": None if self.missing_mm is None else self.missing_mm * UM,
            "contacts": {load: self.loads[load].part() for load in LOADS},
            "contacts_met": self.kept.met,
            "contacts_reasons": list(self.kept.reasons),
            "sides": self.sides,
        }


@dataclass(frozen=True, slots=True)
class RaiseStage:
    """The raise of a low crown; a reason where none is proposed.

    maps, proofs: by way; a way without a raise has no proof. proposal: the way that is written.
    """

    reason: str | None
    missing_mm: float
    crown: CrownStage
    relief: CrownRelief
    before: TriangleMesh
    normals: Float64Array
    settings: RaiseSettings
    maps: dict[Way, RaiseMap]
    proofs: dict[Way, RaiseProof]
    proposal: Way | None

    def part(self) -> dict[str, Any]:
        """Return the part of the crown's results."""
        return {
            "state": "proposed" if self.proposal else "none",
            "reason": self.reason,
            "missing_um": self.missing_mm * UM,
            "direction": numbers(self.crown.T_upper_crown.rotate(self.crown.orientation.occlusal)),
            "limits": {
                "most_um": self.settings.most_mm * UM,
                "steepest_um_per_mm": self.settings.steepest * UM,
                "wall_mm": self.settings.wall_mm,
            },
            "proposal": self.proposal,
            **{way: self._map_part(way) for way in WAYS},
        }

    def _map_part(self, way: Way) -> dict[str, Any] | None:
        made = self.maps.get(way)
        if made is None:
            return None
        proof = self.proofs.get(way)
        is_up = (made.raise_mm > 0)[self.before.faces].all(axis=1)
        return {
            "greatest_um": float(made.raise_mm.max()) * UM,
            "area_mm2": float(self.before.face_areas()[is_up].sum()),
            "volume_mm3": made.raised.volume() - self.before.volume(),
            "watertight": is_watertight(made.raised),
            "reason": made.reason or None,
            "places": [self._place_part(place) for place in made.places],
            "proof": None if proof is None else proof.part(),
        }

    def _place_part(self, place: PlaceRaise) -> dict[str, Any]:
        nearest = int(np.argmin(np.linalg.norm(self.before.vertices - place.place, axis=1)))
        return {
            "cusp": place.name or None,
            "location": self.relief.describe(place.place, self.normals[nearest]),
            "place_mm": numbers(self.crown.T_upper_crown.apply(place.place)),
            "missing_um": place.missing_mm * UM,
            "wanted_um": place.wanted_mm * UM,
            "raise_um": place.raise_mm * UM,
            "limited_by": place.limited_by or None,
            "still_missing_um": place.still_missing_mm * UM,
        }

    def findings(self) -> list[Finding]:
        """Return what is not proposed, or reaches its end in part only, in words."""
        low = f"crown: in closing it lacks {self.missing_mm * UM:.0f} µm for its contact"
        if self.proposal is None:
            words = f"{low}, and no raise is proposed: {self.reason}"
            return [Finding("warning", "raise_not_proposed", words, "crown")]
        found = list(self.proofs[self.proposal].changed)
        left = [p for p in self.maps[self.proposal].places if p.limited_by]
        if not left:
            return found
        names = ", ".join(
            f"{p.name or 'the biting surface'} ({p.still_missing_mm * UM:.0f} µm)" for p in left
        )
        words = (
            f"{low}; the raise that is proposed does not give all of it: missing still on {names}"
        )
        return [Finding("warning", "raise_limited", words, "crown"), *found]


def run_raise(
    inputs: Inputs,
    jaw: JawStage,
    crown: CrownStage,
    field: GapField,
    sides: SidesStage,
    folder: Path,
) -> RaiseStage | None:
    """Return the raise of a low crown, written to the folder; None where the crown is not low."""
    if crown.missing_contact_mm is None:
        return None
    surface, rule = field.surface, RaiseSettings(tolerance_mm=inputs.case.targets.tolerance_um / UM)
    relief = CrownRelief(
        surface.mesh.vertices, surface.mesh.faces, surface.vertex_normals, crown.orientation
    )

    def stage(
        reason: str | None,
        maps: dict[Way, RaiseMap] | None = None,
        proofs: dict[Way, RaiseProof] | None = None,
        proposal: Way | None = None,
    ) -> RaiseStage:
        return RaiseStage(
            reason, crown.missing_contact_mm or 0.0, crown, relief, surface.mesh,
            surface.vertex_normals, rule, maps or {}, proofs or {}, proposal,
        )  # fmt: skip

    biting = relief.biting_surface()
    if crown.withheld or len(biting) == 0:
        return stage(crown.withheld or "the crown shows no biting surface")
    slopes = relief.cusp_slopes()
    plan = plan_raise(
        surface.mesh,
        crown.region.field,
        crown.reduction.paths,
        crown.orientation.occlusal,
        biting,
        crown.walls.is_outer,
        {name: slopes[name] for name in functional_cusps(list(slopes), inputs.crown_spec.is_upper)},
        rule,
    )
    if plan is None:
        return stage("no vertex of the biting surface lacks it: what is low lies between them")
    maps: dict[Way, RaiseMap] = {"uniform": plan.uniform}
    if plan.by_cusp is not None:
        maps["by_cusp"] = plan.by_cusp
    proposal = chosen_way(maps)
    if proposal is None:
        return stage(plan.uniform.reason or "a movement stands in the way of the contact", maps)
    written = write_raised(inputs, maps, proposal, folder)
    ways: list[Way] = [way for way in WAYS if way in maps and maps[way].raise_mm.any()]
    beside = Beside(inputs, jaw, foil_of(inputs))
    proofs: dict[Way, RaiseProof] = {}
    for way in ways:
        mesh = written if way == proposal else maps[way].raised
        proofs[way] = _proof(inputs, jaw, crown, beside, sides, mesh)
    return stage(None, maps, proofs, proposal)


def raise_shown(crown: CrownStage, low: RaiseStage | None) -> CrownStage:
    """Return the stage with the raise that is proposed as numbers on the crown as designed."""
    if low is None or low.proposal is None:
        return crown
    crown = crown.with_field("raise_um", low.maps[low.proposal].raise_mm * UM)
    if "by_cusp" in low.maps:
        crown = crown.with_field("raise_uniform_um", low.maps["uniform"].raise_mm * UM)
    return crown


def functional_cusps(names: list[str], crown_is_upper: bool) -> list[str]:
    """Return the cusps that stand in the opposing teeth: buccal ones below, palatal ones above.

    Glossary of Prosthodontic Terms, supporting cusp; a crossbite is not looked for. Of a lower
    first molar the third buccal cusp is called distal.
    """
    if crown_is_upper:
        return [name for name in names if name.endswith("palatal")]
    return [name for name in names if name.endswith("buccal") or name == "distal"]


def chosen_way(maps: dict[Way, RaiseMap]) -> Way | None:
    """Return the way to propose: cusp by cusp where all get their contact, else as one piece.

    Where neither gives all of it, cusp by cusp where that gives some, else the other if it does.
    """
    able: list[Way] = [way for way in WAYS if way in maps and maps[way].helps]
    whole: list[Way] = [way for way in able if maps[way].reaches]
    return whole[0] if whole else able[0] if able else None


def write_raised(
    inputs: Inputs, maps: dict[Way, RaiseMap], proposal: Way, folder: Path
) -> TriangleMesh:
    """Write the raised crown as PLY and STL and return it as read back from the PLY."""
    file, made = inputs.crown_file, maps[proposal]
    path = folder / f"crown_raised{inputs.suffix}.ply"
    painted = PaintedMesh(made.raised, {"raise_um": made.raise_mm * UM})
    write_ply(path, painted, float64=file.is_double, units=file.unit)
    write_stl(path.with_suffix(".stl"), made.raised, units=file.unit)
    return read_mesh(path, units=file.unit).mesh


def _proof(
    inputs: Inputs,
    jaw: JawStage,
    crown: CrownStage,
    beside: Beside,
    sides: SidesStage,
    raised: TriangleMesh,
) -> RaiseProof:
    """Return a raised crown, run again like the adjusted one."""
    field, region, reduction = GapField.build(raised, BAND), crown.region, crown.reduction
    jobs = [
        partial(crown_state, inputs, jaw, region, field, wanted_functions(inputs, jaw)),
        partial(
            remainder,
            raised,
            region.field,
            reduction.settings,
            inputs.crown.mesh,
            reduction.plan.untouched(inputs.crown.mesh),
        ),
    ]
    state, left = side_by_side(jobs)
    loads = crown_at_loads(beside, region, crown.tooth, field, state)
    again = sides.again(field)
    return RaiseProof(
        state,
        loads,
        judge(inputs.crown_spec.support, loads["light"].crown, loads["heavy"].crown, beside.foil),
        shortfall_mm(state, inputs.case.targets.tolerance_um / UM),
        int((left.depth_mm >= crown.least_spot_mm).sum()),
        again,
        tuple(sides.changes(again, "raised")),
    )
