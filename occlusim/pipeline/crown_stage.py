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
)
from occlusim.crown.removed import removed_body
from occlusim.crown.thickness import CrownWalls
from occlusim.files.mesh_files import read_mesh, write_ply, write_stl
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.bridge import located, teeth_part, unit_loads, with_teeth
from occlusim.pipeline.crown_paths import (
    asked_paths,
    crown_orientation,
    crown_path,
    unit_places,
)
from occlusim.pipeline.crown_run import (
    CrownAgainst,
    MovementGaps,
    opposing_faces,
    paths_gaps,
)
from occlusim.pipeline.crown_walls import crown_walls
from occlusim.pipeline.guided import CrownGuidance, crown_guidance_part, guide_all_with_crown
from occlusim.pipeline.inputs import CrownInput, Inputs
from occlusim.pipeline.jaw_run import close_jaw
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.pressed import pressed_in_closure
from occlusim.pipeline.record import Placed
from occlusim.pipeline.results import closure_part, movement_part, spot_parts
from occlusim.pipeline.settling import Settled
from occlusim.pipeline.spike_findings import (
    crown_without_spikes,
)
from occlusim.pipeline.units import UM

MAP_REACH_MM = 10.0
CLEARANCE_LIMIT_MM = 0.1
NOISE_MM = 0.0005


@dataclass(frozen=True, slots=True)
class CrownState:
    """A crown, as designed or as adjusted, run along the paths; closed: light and heavy."""

    recorded_gap_mm: float
    supported_gap_mm: float
    movements: tuple[MovementGaps, ...]
    closures: dict[str, Any]
    pressed: tuple[Pressed, ...]
    guidance: tuple[CrownGuidance, ...]
    closed: tuple[Equilibrium, Equilibrium]


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
    crown: CrownInput
    least_spot_mm: float
    largest_violation_mm: float
    settled: Settled
    recorded_gap_with_spikes_mm: float | None
    findings: tuple[Finding, ...]
    region: Region
    orientation: CrownOrientation
    walls: CrownWalls
    adjusted_field: GapField
    reduction: Reduction
    residual_mm: dict[int, float]
    splits: dict[int, dict[str, Any]]

    @property
    def disagreement_um(self) -> float | None:
        """What free settling changes of the crown's height, um."""
        change = self.settled.disagreement_mm
        return None if change is None else abs(change) * UM

    @property
    def tooth(self) -> int:
        """The crown's tooth, ISO 3950; of a bridge the first one."""
        return self.crown.spec.iso[0]

    @property
    def closures(self) -> dict[str, Any]:
        """The closures with the crown in, as designed."""
        return self.first.closures

    def with_field(self, name: str, values: Float64Array) -> CrownStage:
        """Return the stage with one more number (V,) on the crown as designed."""
        fields = {**self.before.fields, name: values}
        return replace(self, before=PaintedMesh(self.before.mesh, fields))

    def with_field_after(self, name: str, values: Float64Array) -> CrownStage:
        """Return the stage with one more number (V',) on the adjusted crown."""
        fields = {**self.adjusted.fields, name: values}
        return replace(self, adjusted=PaintedMesh(self.adjusted.mesh, fields))

    def part(self) -> dict[str, Any]:
        """Return the crown's part of the results."""
        found = {
            **teeth_part(self.crown.spec),
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
            "spots": with_teeth(
                [
                    part | self.splits.get(part["id"], {})
                    for part in spot_parts(self.plan.spots, self.T_upper_crown, self.least_spot_mm)
                ],
                self.plan.spots,
                self.crown.units,
            ),
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
        for spot in found["spots"]:
            spot["residual_um"] = self.residual_mm[spot["id"]] * UM
        if self.recorded_gap_with_spikes_mm is not None:
            found["recorded_gap_with_spikes_um"] = self.recorded_gap_with_spikes_mm * UM
        return found


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
        direction=None if spec.milling.axis is None else np.array(spec.milling.axis),
        tool_radius_mm=spec.milling.tool_radius_mm,
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
    if inputs.crown_input.units is not None:
        places = unit_places(inputs, placed)
        plan = replace(plan, spots=located(plan.spots, places, inputs.crown_input))
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
    others: Sequence[Opposition] = (),
) -> CrownState:
    """Return a crown's gaps at the recorded bite and along the paths, and its closures.

    Closures are shared with the `others`, further crowns; along the paths a crown is alone among
    the natural teeth.
    """
    pair, mesh = region.against(field), field.surface.mesh
    pair = replace(pair, smooth=crown_without_spikes(inputs, field))
    paths = jaw.run.paths
    own = crown_opposition(inputs, region, mesh)
    everything = (jaw.run.near, own, *others)

    def closure(name: str, start: Equilibrium) -> tuple[dict[str, Any], Pressed, Equilibrium]:
        closed = close_jaw(jaw.model, (jaw.run.side.copy(), own, *others), start.load_N, start)
        platforms = platforms_at(inputs, closed.T_upper_lower)
        part = closure_part(closed, everything, 1, platforms)
        if inputs.crown_input.units is not None:
            part["crown_units"] = unit_loads(closed, 1, own, inputs.crown_spec.iso)
        return part, pressed_in_closure(name, closed, 1, len(mesh.faces)), closed

    gaps, (recorded, light, heavy, *further) = paths_gaps(
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
    closures = {"light": light[0], "heavy": heavy[0], "others": [part for part, *_ in further]}
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
        (light[2], heavy[2]),
    )


def crown_opposition(inputs: Inputs, region: Region, mesh: TriangleMesh) -> Opposition:
    """Return a crown that presses on its antagonist."""
    tooth = inputs.crown_input.tooth_of_faces(mesh)
    body = ContactBody("crown", mesh.vertices, mesh.faces, tooth)
    return Opposition(region.field, body, not inputs.crown_spec.is_upper, region.tooth)


def write_adjusted(inputs: Inputs, plan: ReductionPlan, folder: Path) -> TriangleMesh:
    """Write the adjusted crown as PLY and STL, and what was taken off.

    Returns the adjusted crown as read back from the PLY.
    """
    file = inputs.crown_file
    path = folder / f"crown_adjusted{inputs.suffix}.ply"
    mesh = PaintedMesh(plan.adjusted, {"reduction_um": plan.adjusted_depth_mm * UM})
    write_ply(path, mesh, float64=file.is_double, units=file.unit)
    write_stl(path.with_suffix(".stl"), plan.adjusted, units=file.unit)
    body = removed_body(inputs.crown.mesh, plan.adjusted, plan.vertex_origin)
    if body is not None:
        removed = folder / f"crown_removed{inputs.suffix}.ply"
        write_ply(removed, PaintedMesh(body), float64=file.is_double, units=file.unit)
    return read_mesh(path, units=file.unit).mesh


def shortfall_mm(state: CrownState, tolerance_mm: float) -> float | None:
    """Return by how much the crown misses its contact in closure, mm; None where it does not."""
    centric = next(m for m in state.movements if m.name == "centric")
    excess = centric.least_mm - float(centric.wanted_mm[0])
    return excess if excess > tolerance_mm else None


def platforms_at(inputs: Inputs, T_upper_lower: RigidTransform) -> dict[str, Float64Array]:
    """Return the platforms (3,) of the crown's implants, upper scan's coordinates at a pose.

    By the tooth that the case gives, or else the crown's own.
    """
    spec, found = inputs.crown_spec, {}
    for implant in inputs.case.implants_of(spec):
        point = np.array(implant.platform_mm)
        tooth = implant.tooth or str(spec.iso[0])
        found[tooth] = point if spec.is_upper else T_upper_lower.apply(point)
    return found


def painted(
    jaw: JawStage,
    crown: Surface,
    movements: Sequence[str],
    clearance_mm: Float64Array,
    is_upper: bool,
    plan: ReductionPlan | None,
) -> PaintedMesh:
    """Return the crown with its numbers: gap at the light closure, clearances, and the plan's.

    A clearance is gap less wanted gap, least over a movement, clearance_mm (V, M), or over all of
    them; the limit stands for whatever is more.
    """
    T_upper_lower = jaw.run.light.T_upper_lower
    T = T_upper_lower.inverse() if is_upper else T_upper_lower
    fields = {"gap_um": jaw.antagonist.exact(crown.mesh.vertices, T, MAP_REACH_MM) * UM}
    limited_um = np.minimum(clearance_mm, CLEARANCE_LIMIT_MM) * UM
    fields["clearance_um"] = limited_um.min(axis=1)
    for k, name in enumerate(movements):
        fields[f"clearance_{name}_um"] = limited_um[:, k]
    if plan is not None:
        fields["reduction_um"] = plan.depth_mm * UM
        fields["thickness_um"] = plan.thickness_before_mm * UM
    return PaintedMesh(crown.mesh, fields)
