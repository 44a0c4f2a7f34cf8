"""The meshes that a check hands to its report: the crown, its antagonist at poses, bite scans."""

from __future__ import annotations

import numpy as np

from occlusim.geometry.mesh import PaintedMesh
from occlusim.geometry.surface import Surface
from occlusim.pipeline.crown_run import MovementGaps
from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.sensitivity_stage import BEYOND_SHARE
from occlusim.pipeline.units import UM
from occlusim.registration.evidence import BiteEvidence
from occlusim.report.meshes import AntagonistPose, ReportMeshes

NEAR_CROWN_MM = 4.0


def report_meshes(
    inputs: Inputs,
    placed: Placed,
    jaw: JawStage,
    crown: CrownStage,
    arches: tuple[PaintedMesh, PaintedMesh],
) -> ReportMeshes:
    """Return everything that the report draws; `arches` are each in its own scan's frame."""
    upper, lower = arches
    registration = placed.record.registration
    bites = ()
    if registration is not None and registration.bites:
        pairs = zip(inputs.bites, registration.bites, strict=True)
        bites = tuple(painted_bite(surface, bite) for surface, bite in pairs)
    return ReportMeshes(
        crown.before,
        crown.adjusted,
        antagonist_near_crown(inputs, placed, jaw),
        upper,
        PaintedMesh(lower.mesh.transformed(placed.T_upper_lower), lower.fields),
        antagonist_poses(inputs, placed, jaw, crown),
        bites,
    )


def painted_bite(surface: Surface, bite: BiteEvidence) -> PaintedMesh:
    """Return a bite scan in the upper scan's coordinates with its distance from its arch.

    ``residual_um`` is negative inside the arch, NaN where the scan matches neither.
    """
    residual_um = np.full(len(surface.mesh.vertices), np.nan)
    residual_um[bite.vertex] = UM * bite.residual_mm
    return PaintedMesh(surface.mesh.transformed(bite.T_upper_bite), {"residual_um": residual_um})


def antagonist_near_crown(inputs: Inputs, placed: Placed, jaw: JawStage) -> PaintedMesh:
    """Return the opposing teeth near the crown at the recorded bite, in the crown's coordinates."""
    T_upper_lower = placed.T_upper_lower
    T_crown_antagonist = T_upper_lower if inputs.crown_spec.is_upper else T_upper_lower.inverse()
    mesh = jaw.antagonist.surface.mesh.transformed(T_crown_antagonist)
    low = inputs.crown.mesh.vertices.min(axis=0) - NEAR_CROWN_MM
    high = inputs.crown.mesh.vertices.max(axis=0) + NEAR_CROWN_MM
    inside = ((mesh.vertices > low) & (mesh.vertices < high)).all(axis=1)
    faces = np.flatnonzero(inside[mesh.faces].all(axis=1))
    if len(faces) == 0:
        faces = np.arange(len(mesh.faces))
    return PaintedMesh(mesh.submesh(faces.astype(np.int32))[0])


def antagonist_poses(
    inputs: Inputs, placed: Placed, jaw: JawStage, crown: CrownStage
) -> tuple[AntagonistPose, ...]:
    """Return where the opposing teeth stand at the light closure and at each movement's worst.

    The worst is where the crown's gap falls most short of the wanted one, the first half of the
    ramp left out: there every movement is still the closure.
    """
    is_upper = inputs.crown_spec.is_upper
    recorded = placed.T_upper_lower
    least_mm = BEYOND_SHARE * inputs.case.targets.ramp_mm
    stand = [("light", 0.0, jaw.run.light.T_upper_lower)]
    gaps = {movement.name: movement for movement in crown.first.movements}
    for path in jaw.run.paths:
        if path.name != "centric" and path.name in gaps:
            at_mm = worst_step_mm(gaps[path.name], least_mm)
            stand.append((path.name, at_mm, path.poses(np.array([at_mm]))[0]))
    return tuple(
        AntagonistPose(
            name,
            at_mm,
            pose @ recorded.inverse() if is_upper else pose.inverse() @ recorded,
        )
        for name, at_mm, pose in stand
    )


def worst_step_mm(movement: MovementGaps, least_mm: float) -> float:
    """Return the step from `least_mm` on whose gap falls most short of the wanted one, mm.

    A path that ends before is looked at whole; where no gap is known it is the last step.
    """
    step_mm = movement.parameter_mm
    short_mm = np.asarray(movement.wanted_mm) - movement.gap_mm
    beyond = np.abs(step_mm) >= least_mm
    candidates = np.isfinite(short_mm) & (beyond if beyond.any() else True)
    if not candidates.any():
        return float(step_mm[-1])
    return float(step_mm[np.argmax(np.where(candidates, short_mm, -np.inf))])
