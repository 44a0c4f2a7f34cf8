"""The crown of a case: gaps along the natural jaw's paths, spots, reduction, and the proof."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody
from occlusim.crown.access_contacts import Pressed
from occlusim.crown.clearance import CrownPath
from occlusim.crown.location import CrownOrientation
from occlusim.crown.missing import missing_contact
from occlusim.crown.reduction import (
    ReductionPlan,
    ReductionSettings,
    plan_reduction,
    remainder,
)
from occlusim.crown.thickness import CrownWalls
from occlusim.files.mesh_files import read_mesh, write_ply, write_stl
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import universal_from_iso
from occlusim.jaw.pose import incisal_opening
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_paths import (
    asked_paths,
    crown_orientation,
    crown_path,
    wanted_functions,
)
from occlusim.pipeline.crown_place import refuse_buried
from occlusim.pipeline.crown_run import (
    CrownAgainst,
    MovementGaps,
    coverage,
    opening_at_touch,
    opposing_faces,
    paths_gaps,
)
from occlusim.pipeline.crown_walls import crown_walls, wall_findings
from occlusim.pipeline.guided import CrownGuidance, crown_guidance_part, guide_all_with_crown
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import close_jaw
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.pressed import pressed_in_closure
from occlusim.pipeline.record import Placed
from occlusim.pipeline.results import closure_part, movement_part, spot_parts
from occlusim.pipeline.settling import Settled, settle_freely
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.spike_findings import crown_without_spikes, spikes_at_crown
from occlusim.pipeline.springs import joint_findings, other_springs, stiffer_shares
from occlusim.pipeline.units import BAND, UM

MAP_REACH_MM = 10.0
CLEARANCE_LIMIT_MM = 0.1
MOST_RAISED_MM = 1.5
NOISE_MM = 0.0005


@dataclass(frozen=True, slots=True)
class CrownState:
    """A crown, as designed or as adjusted, run along the paths."""

    recorded_gap_mm: float
    supported_gap_mm: float
    movements: tuple[MovementGaps, ...]
    closures: dict[str, Any]
    pressed: tuple[Pressed, ...]
    guidance: tuple[CrownGuidance, ...]


@dataclass(frozen=True, slots=True)
class CrownStage:
    """Everything about the crown: before, the plan, after, painted meshes, findings."""

    first: CrownState
    plan: ReductionPlan
    after: CrownState
    n_spots_after: int
    missing_contact_mm: float | None
    missing_raise_mm: float | None
    incisal_opening_mm: float
    coverage: float
    withheld: str | None
    before: PaintedMesh
    adjusted: PaintedMesh
    T_upper_crown: RigidTransform
    tooth: int
    least_spot_mm: float
    largest_violation_mm: float
    settled: Settled
    recorded_gap_with_spikes_mm: float | None
    findings: tuple[Finding, ...]
    region: Region
    orientation: CrownOrientation
    walls: CrownWalls

    @property
    def disagreement_um(self) -> float | None:
        """What free settling changes of the crown's height, um."""
        change = self.settled.disagreement_mm
        return None if change is None else abs(change) * UM

    @property
    def closures(self) -> dict[str, Any]:
        """The closures with the crown in, as designed."""
        return self.first.closures

    def with_field(self, name: str, values: Float64Array) -> CrownStage:
        """Return the stage with one more number (V,) on the crown as designed."""
        fields = {**self.before.fields, name: values}
        return replace(self, before=PaintedMesh(self.before.mesh, fields))

    def part(self) -> dict[str, Any]:
        """Return the crown's part of the results."""
        found = {
            "tooth": str(self.tooth),
            "universal": universal_from_iso(self.tooth),
            "recorded_gap_um": self.first.recorded_gap_mm * UM,
            "recorded_supported_gap_um": self.first.supported_gap_mm * UM,
            "incisal_opening_um": self.incisal_opening_mm * UM,
            "missing_contact_um": None
            if self.missing_contact_mm is None
            else self.missing_contact_mm * UM,
            "missing_contact_raise_um": None
            if self.missing_raise_mm is None
            else self.missing_raise_mm * UM,
            "movements": [movement_part(m) for m in self.first.movements],
            "guidance": [crown_guidance_part(g, self.tooth) for g in self.first.guidance],
            "spots": spot_parts(self.plan.spots, self.T_upper_crown, self.least_spot_mm),
            "largest_violation_um": self.largest_violation_mm * UM,
            "removed_volume_mm3": self.plan.volume_mm3,
            "after": {
                "recorded_gap_um": self.after.recorded_gap_mm * UM,
                "movements": [movement_part(m) for m in self.after.movements],
                "n_spots": self.n_spots_after,
                "guidance": [crown_guidance_part(g, self.tooth) for g in self.after.guidance],
                "closure": self.after.closures,
            },
        }
        if self.recorded_gap_with_spikes_mm is not None:
            found["recorded_gap_with_spikes_um"] = self.recorded_gap_with_spikes_mm * UM
        return found


def run_crown(
    inputs: Inputs,
    placed: Placed,
    jaw: JawStage,
    field: GapField,
    beside: Sequence[Callable[[], Any]],
    clock: Clock,
    folder: Path,
) -> tuple[CrownStage, list[Any]]:
    """Return a crown's gaps, plan and proof; the adjusted crown is written to the folder.

    `field` is the crown's. What is to be done `beside` is done too, and its answers are returned.
    """
    spec, targets = inputs.crown_spec, inputs.case.targets
    least_spot_mm = targets.least_spot_um / UM
    wanted = wanted_functions(inputs, jaw)
    hinge = jaw.model.hinge_at("centric")(0.0)
    with clock.stage("crown", "crown: gaps along every movement"):
        region = Region.build(inputs, jaw)
        refuse_buried(inputs, region.field, jaw.model.T_upper_lower)
        pair = region.against(field)
        jobs: list[Callable[[], Any]] = [
            partial(crown_state, inputs, jaw, region, field, wanted),
            partial(other_springs, jaw, pair, spec.iso[0]),
            partial(settle_freely, placed, jaw, pair, spec.iso[0]),
            partial(stiffer_shares, jaw, crown_opposition(inputs, region, inputs.crown.mesh)),
            partial(opening_at_touch, pair, hinge, jaw.model.closure.lever_mm),
            partial(coverage, pair, jaw.run.light.T_upper_lower, _up(jaw, spec.is_upper)),
        ]
        first, springs, settled, stiffer, touch, covered, *answers = side_by_side([*jobs, *beside])
        for load, share in stiffer.items():
            first.closures[load]["crown_share_stiffer"] = share
    with clock.stage("reduction", "reduction: what to take off"):
        reduction = reduce_crown(inputs, placed, jaw, region, field, wanted)
        plan = reduction.plan
        low_mm = shortfall_mm(first, targets.tolerance_um / UM)
        raise_mm = None
        if low_mm is not None and low_mm < MOST_RAISED_MM:
            raise_mm = reduction.raise_mm(inputs, region)
        largest_mm = max((s.normal_depth_mm for s in plan.spots), default=0.0)
        if largest_mm < least_spot_mm:
            plan = left_alone(plan, inputs.crown.mesh)
    with clock.stage("proof", "proof: the adjusted crown as written, run again"):
        written = write_adjusted(inputs, plan, folder)
        again = GapField.build(written, BAND)
        crown = inputs.crown.mesh
        jobs = [
            partial(crown_state, inputs, jaw, region, again, wanted),
            partial(remainder, written, region.field, reduction.settings, crown, plan),
        ]
        after, left = side_by_side(jobs)
        spiky = spikes_at_crown(inputs, pair, placed.T_upper_lower, first.recorded_gap_mm)
        findings = [*springs, *joint_findings(jaw), *spiky.findings]
        findings += wall_findings(reduction.walls, spec.min_thickness_mm)
    T_upper_crown = RigidTransform.identity() if spec.is_upper else placed.T_upper_lower
    stage = CrownStage(
        first,
        plan,
        after,
        int((left.depth_mm >= least_spot_mm).sum()),
        low_mm,
        raise_mm,
        float(
            np.sign(touch) * incisal_opening(placed.frame, hinge.pose(touch), placed.T_upper_lower)
        ),
        covered,
        reduction.withheld,
        painted(jaw, inputs.crown, plan.clearance_mm, spec.is_upper, plan),
        painted(jaw, again.surface, left.clearance_mm, spec.is_upper, None),
        T_upper_crown,
        spec.iso[0],
        least_spot_mm,
        largest_mm,
        settled,
        spiky.gap_with_mm,
        tuple(findings),
        region,
        reduction.orientation,
        reduction.walls,
    )
    return stage, answers


@dataclass(frozen=True, slots=True)
class Reduction:
    """What to take off a crown, and what that was worked out from; withheld says what was not."""

    plan: ReductionPlan
    settings: ReductionSettings
    orientation: CrownOrientation
    paths: tuple[CrownPath, ...]
    withheld: str | None
    walls: CrownWalls

    def raise_mm(self, inputs: Inputs, region: Region) -> float | None:
        """Return how far a low crown is to be raised for contact, mm; None where unknown."""
        closure = next(path for path in self.paths if path.name == "centric")
        occlusal = self.orientation.occlusal
        found = missing_contact(inputs.crown.mesh, region.field, closure, occlusal)
        return found.raise_mm if found and np.isfinite(found.raise_mm) else None


def reduce_crown(
    inputs: Inputs,
    placed: Placed,
    jaw: JawStage,
    region: Region,
    field: GapField,
    wanted: dict[str, Callable[[Float64Array], Float64Array]],
) -> Reduction:
    """Return what to take off the crown along the movements that the case asks for."""
    spec, targets = inputs.crown_spec, inputs.case.targets
    settings = ReductionSettings(
        min_thickness_mm=spec.min_thickness_mm,
        tolerance_mm=targets.tolerance_um / UM,
        clearance_limit_mm=CLEARANCE_LIMIT_MM,
        margin_mm=NOISE_MM,
        noise_mm=NOISE_MM,
    )
    orientation = crown_orientation(inputs, placed)
    used, withheld = asked_paths(inputs, jaw.run.paths)
    paths = tuple(crown_path(p, wanted[p.name], spec.is_upper) for p in used)
    walls = crown_walls(inputs, orientation.occlusal)
    plan = plan_reduction(
        inputs.crown.mesh,
        region.field,
        paths,
        settings,
        walls=walls,
        orientation=orientation,
        surface=field,
    )
    return Reduction(plan, settings, orientation, paths, withheld, walls)


@dataclass(frozen=True, slots=True)
class Region:
    """The part of the opposing arch that the crown can come near to; tooth (F,) of its faces."""

    field: GapField
    tooth: Int32Array
    crown_is_upper: bool

    @staticmethod
    def build(inputs: Inputs, jaw: JawStage) -> Region:
        """Return the region of a case: around the crown at every pose of every movement."""
        is_upper = inputs.crown_spec.is_upper
        poses = [pose for path in jaw.run.paths for pose in path.poses(path.step_mm)]
        poses.append(jaw.model.T_upper_lower)
        face = opposing_faces(
            jaw.antagonist.surface,
            inputs.crown,
            [pose.inverse() if is_upper else pose for pose in poses],
        )
        return Region(jaw.antagonist.part(face), jaw.antagonist_tooth[face], is_upper)

    def against(self, crown: GapField) -> CrownAgainst:
        """Return the crown with the opposing teeth."""
        return CrownAgainst(crown, self.field, self.tooth > 0, self.crown_is_upper)


def crown_state(
    inputs: Inputs,
    jaw: JawStage,
    region: Region,
    field: GapField,
    wanted: dict[str, Callable[[Float64Array], Float64Array]],
) -> CrownState:
    """Return a crown's gaps at the recorded bite and along the paths, and its closures."""
    pair, mesh = region.against(field), field.surface.mesh
    pair = replace(pair, smooth=crown_without_spikes(inputs, field))
    paths = jaw.run.paths
    own = crown_opposition(inputs, region, mesh)
    both = (jaw.run.near, own)

    def closure(name: str, start: Equilibrium) -> tuple[dict[str, Any], Pressed]:
        closed = close_jaw(jaw.model, (jaw.run.side.copy(), own), start.load_N, start)
        part = closure_part(closed, both, 1, platform_at(inputs, closed.T_upper_lower))
        return part, pressed_in_closure(name, closed, 1, len(mesh.faces))

    gaps, (recorded, light, heavy, *others) = paths_gaps(
        pair,
        paths,
        [wanted[p.name](p.step_mm) for p in paths],
        beside=(
            partial(pair.least_gap, jaw.model.T_upper_lower, supported=True),
            partial(closure, "light", jaw.run.light),
            partial(closure, "heavy", jaw.run.heavy),
            *(partial(closure, f"{start.load_N:g} N", start) for start in jaw.run.others),
        ),
    )
    closures = {"light": light[0], "heavy": heavy[0], "others": [part for part, _ in others]}
    moved = [(p, gap) for p, gap in zip(paths, gaps, strict=True) if p.name != "centric"]
    guided = guide_all_with_crown(
        jaw.model, jaw.natural, own, [p for p, _ in moved], [gap.gap_mm for _, gap in moved]
    )
    return CrownState(
        recorded.gap_mm,
        recorded.supported_gap_mm,
        gaps,
        closures,
        (light[1], heavy[1]),
        guided,
    )


def crown_opposition(inputs: Inputs, region: Region, mesh: TriangleMesh) -> Opposition:
    """Return a crown that presses on its antagonist."""
    spec = inputs.crown_spec
    tooth = np.full(len(mesh.faces), spec.iso[0])
    body = ContactBody("crown", mesh.vertices, mesh.faces, tooth)
    return Opposition(region.field, body, not spec.is_upper, region.tooth)


def write_adjusted(inputs: Inputs, plan: ReductionPlan, folder: Path) -> TriangleMesh:
    """Write the adjusted crown as PLY and STL and return it as read back from the PLY."""
    file = inputs.crown_file
    mesh = PaintedMesh(plan.adjusted, {"reduction_um": plan.depth_mm * UM})
    write_ply(folder / "crown_adjusted.ply", mesh, float64=file.is_double, units=file.unit)
    write_stl(folder / "crown_adjusted.stl", plan.adjusted, units=file.unit)
    return read_mesh(folder / "crown_adjusted.ply", units=file.unit).mesh


def left_alone(plan: ReductionPlan, crown: TriangleMesh) -> ReductionPlan:
    """Return the plan that takes nothing off."""
    nothing = np.zeros(len(crown.vertices))
    return replace(
        plan,
        depth_mm=nothing,
        thickness_after_mm=plan.thickness_before_mm,
        spots=(),
        adjusted=crown,
        volume_mm3=0.0,
    )


def shortfall_mm(state: CrownState, tolerance_mm: float) -> float | None:
    """Return by how much the crown misses its contact in closure, mm; None where it does not."""
    centric = next(m for m in state.movements if m.name == "centric")
    excess = centric.least_mm - float(centric.wanted_mm[0])
    return excess if excess > tolerance_mm else None


def platform_at(inputs: Inputs, T_upper_lower: RigidTransform) -> Float64Array | None:
    """Return the implant's platform (3,), upper scan's coordinates at a pose; None if unknown."""
    if inputs.case.implant is None:
        return None
    point = np.array(inputs.case.implant.platform_mm)
    return point if inputs.crown_spec.is_upper else T_upper_lower.apply(point)


def painted(
    jaw: JawStage,
    crown: Surface,
    clearance_mm: Float64Array,
    is_upper: bool,
    plan: ReductionPlan | None,
) -> PaintedMesh:
    """Return the crown with its numbers: gap at the light closure, clearance, and the plan's."""
    T_upper_lower = jaw.run.light.T_upper_lower
    T = T_upper_lower.inverse() if is_upper else T_upper_lower
    fields = {"gap_um": jaw.antagonist.exact(crown.mesh.vertices, T, MAP_REACH_MM) * UM}
    is_far = clearance_mm >= CLEARANCE_LIMIT_MM
    fields["clearance_um"] = np.where(is_far, np.nan, clearance_mm) * UM
    if plan is not None:
        fields["reduction_um"] = plan.depth_mm * UM
        fields["thickness_um"] = plan.thickness_before_mm * UM
    return PaintedMesh(crown.mesh, fields)


def _up(jaw: JawStage, crown_is_upper: bool) -> Float64Array:
    if not crown_is_upper:
        return jaw.model.superior
    return -jaw.run.light.T_upper_lower.inverse().rotate(jaw.model.superior)
