"""A crown planned, and proved once everything else is as it will be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.field import GapField
from occlusim.crown.reduction import ReductionPlan, Remainder, remainder
from occlusim.crown.residual import spot_residuals
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.pose import incisal_opening
from occlusim.motion.closure import Opposition
from occlusim.pipeline.bridge import unit_findings
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_paths import wanted_functions
from occlusim.pipeline.crown_place import refuse_buried
from occlusim.pipeline.crown_run import coverage, opening_at_touch
from occlusim.pipeline.crown_stage import (
    NOISE_MM,
    CrownStage,
    CrownState,
    Reduction,
    Region,
    crown_opposition,
    crown_state,
    painted,
    reduce_crown,
    shortfall_mm,
    write_adjusted,
)
from occlusim.pipeline.crown_walls import wall_findings
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.settling import Settled, settle_freely
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.spike_findings import SpikesAtCrown, spikes_at_crown
from occlusim.pipeline.split_part import split_parts
from occlusim.pipeline.springs import joint_findings, other_springs, stiffer_shares
from occlusim.pipeline.units import BAND, UM

MOST_RAISED_MM = 1.5


@dataclass(frozen=True, slots=True)
class PlannedCrown:
    """A crown as designed, and what is to be taken off it; written is it adjusted, as on disk."""

    inputs: Inputs
    placed: Placed
    jaw: JawStage
    region: Region
    wanted: dict[str, Callable[[Float64Array], Float64Array]]
    first: CrownState
    reduction: Reduction
    plan: ReductionPlan
    missing_contact_mm: float | None
    missing_raise_mm: float | None
    largest_violation_mm: float
    incisal_opening_mm: float
    coverage: float
    settled: Settled
    spikes: SpikesAtCrown
    findings: tuple[Finding, ...]
    written: TriangleMesh


def plan_crown(
    inputs: Inputs,
    placed: Placed,
    jaw: JawStage,
    field: GapField,
    others: Sequence[Opposition],
    beside: Sequence[Callable[[], Any]],
    clock: Clock,
    folder: Path,
) -> tuple[PlannedCrown, list[Any]]:
    """Return a crown's gaps and plan; the adjusted crown is written to the folder.

    `field` is the crown's; `others` are the case's other crowns on what they meet, which share the
    load of closures. What is to be done `beside` is done too, and its answers are returned.
    """
    spec, targets = inputs.crown_spec, inputs.case.targets
    least_spot_mm = targets.least_spot_um / UM
    wanted = wanted_functions(inputs, jaw)
    hinge = jaw.model.hinge_at("centric")(0.0)
    with clock.stage("crown", "crown: gaps along every movement"):
        region = Region.build(inputs, jaw)
        refuse_buried(inputs, region.field, jaw.model.T_upper_lower)
        pair = region.against(field)
        own = crown_opposition(inputs, region, inputs.crown.mesh)
        jobs: list[Callable[[], Any]] = [
            partial(crown_state, inputs, jaw, region, field, wanted, others),
            partial(other_springs, jaw, pair, spec.iso),
            partial(settle_freely, placed, jaw, pair, spec.iso),
            partial(stiffer_shares, jaw, own, others),
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
            plan = plan.untouched(inputs.crown.mesh)
        written = write_adjusted(inputs, plan, folder)
        spikes = spikes_at_crown(inputs, pair, placed.T_upper_lower, first.recorded_gap_mm)
    thin = wall_findings(reduction.walls, spec.min_thickness_mm)
    joints = [] if inputs.index else joint_findings(jaw)
    opened = incisal_opening(placed.frame, hinge.pose(touch), placed.T_upper_lower)
    planned = PlannedCrown(
        inputs,
        placed,
        jaw,
        region,
        wanted,
        first,
        reduction,
        plan,
        low_mm,
        raise_mm,
        largest_mm,
        float(np.sign(touch) * opened),
        covered,
        settled,
        spikes,
        (*springs, *joints, *spikes.findings, *thin, *unit_findings(inputs.crown_input)),
        written,
    )
    return planned, answers


def prove_crown(
    planned: PlannedCrown,
    jaw: JawStage,
    others: Sequence[Opposition],
    clock: Clock,
) -> CrownStage:
    """Return a crown with its proof: the adjusted crown as written, run again.

    `jaw` and `others` hold the case's other crowns adjusted as well. Where they have changed what
    the crown meets since its plan was made, all of it is looked at anew.
    """
    inputs, placed, plan = planned.inputs, planned.placed, planned.plan
    spec, crown = inputs.crown_spec, inputs.crown.mesh
    least_spot_mm = inputs.case.targets.least_spot_um / UM
    with clock.stage("proof", "proof: the adjusted crown as written, run again"):
        again = GapField.build(planned.written, BAND)
        region = planned.region
        is_same = jaw.antagonist is planned.jaw.antagonist
        if not is_same:
            region = Region.build(inputs, jaw)
        jobs: list[Callable[[], Any]] = [
            partial(crown_state, inputs, jaw, region, again, planned.wanted, others),
        ]
        if is_same:
            settings = planned.reduction.settings
            jobs.append(partial(remainder, planned.written, region.field, settings, crown, plan))
        else:
            jobs.append(partial(_remaining, planned, again, jaw, region))
        after, left = side_by_side(jobs)
    T_upper_crown = RigidTransform.identity() if spec.is_upper else placed.T_upper_lower
    return CrownStage(
        planned.first,
        plan,
        after,
        int((left.depth_mm >= least_spot_mm).sum()),
        planned.missing_contact_mm,
        planned.missing_raise_mm,
        planned.incisal_opening_mm,
        planned.coverage,
        planned.reduction.withheld,
        painted(
            planned.jaw,
            inputs.crown,
            plan.movements,
            plan.clearance_by_movement_mm,
            spec.is_upper,
            plan,
        ),
        painted(
            jaw, again.surface, plan.movements, left.clearance_by_movement_mm, spec.is_upper, None
        ),
        T_upper_crown,
        inputs.crown_input,
        least_spot_mm,
        planned.largest_violation_mm,
        planned.settled,
        planned.spikes.gap_with_mm,
        planned.findings,
        planned.region,
        planned.reduction.orientation,
        planned.reduction.walls,
        again,
        planned.reduction,
        spot_residuals(crown, planned.written, plan.spots, region.field, plan.table, NOISE_MM),
        split_parts(
            crown,
            plan,
            planned.region.field,
            planned.region.tooth,
            placed.T_upper_lower if spec.is_upper else RigidTransform.identity(),
        ),
    )


def _remaining(planned: PlannedCrown, again: GapField, jaw: JawStage, region: Region) -> Remainder:
    """Return what an adjusted crown violates against teeth and crowns that have changed."""
    crown = replace(planned.inputs.crown_input, surface=again.surface)
    inputs = planned.inputs.with_crown(crown)
    plan = reduce_crown(inputs, planned.placed, jaw, region, again, planned.wanted).plan
    depths = np.array([spot.normal_depth_mm for spot in plan.spots])
    return Remainder(plan.clearance_mm, plan.clearance_by_movement_mm, depths)


def _up(jaw: JawStage, crown_is_upper: bool) -> Float64Array:
    if not crown_is_upper:
        return jaw.model.superior
    return -jaw.run.light.T_upper_lower.inverse().rotate(jaw.model.superior)
