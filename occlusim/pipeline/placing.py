"""Where everything stands: the jaw frame, the teeth, the crown's masked place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array
from occlusim.case import Case
from occlusim.crown.units import divide_units
from occlusim.errors import InputError, MeshError
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame, frame_from_condyles, frame_from_landmarks
from occlusim.jaw.landmarks import Landmarks, landmarks_of_row
from occlusim.jaw.mounting_scatter import GuidanceScatter
from occlusim.jaw.orientation import ArchOrientation, orient_arches
from occlusim.jaw.tooth_location import (
    LocatedRow,
    TeethOnScan,
    locate_row,
    locate_teeth,
    teeth_of_row,
)
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.units import UM, numbers

MASK_MM = 1.0


@dataclass(frozen=True, slots=True)
class Rows:
    """Where the teeth stand on both scans: the row of each arch, or the teeth that came labelled.

    A row is None where the scan's file names the teeth and no landmark is to be found on it.
    """

    orientation: ArchOrientation
    upper: LocatedRow | None
    lower: LocatedRow | None


def locate_rows(
    inputs: Inputs, T_upper_lower: RigidTransform, orientation: ArchOrientation
) -> Rows:
    """Return the orientation of the arches and their rows of teeth."""
    missing = tuple(int(t) for t in inputs.case.teeth.missing)
    needs_landmarks = inputs.case.mounting.incisal_mm is None
    wanted = (
        (inputs.upper, orientation, True, "upper" not in inputs.labels),
        (
            inputs.lower,
            orientation.transformed(T_upper_lower.inverse()),
            False,
            "lower" not in inputs.labels or needs_landmarks,
        ),
    )
    upper, lower = side_by_side([
        partial(locate_row, surface.mesh, there, is_upper, known_teeth(inputs, is_upper), missing)
        if is_wanted
        else (lambda: None)
        for surface, there, is_upper, is_wanted in wanted
    ])  # fmt: skip
    return Rows(orientation, upper, lower)


def known_teeth(inputs: Inputs, is_upper: bool) -> dict[int, Float64Array]:
    """Return the places of the crowns' teeth that stand in that arch, in its scan's frame."""
    found: dict[int, Float64Array] = {}
    for crown in inputs.crowns:
        if crown.spec.is_upper == is_upper:
            found |= crown.centres()
    return found


def with_units(
    inputs: Inputs, orientation: ArchOrientation, T_upper_lower: RigidTransform
) -> Inputs:
    """Return the inputs with every crown of several teeth divided into them.

    Raises
    ------
    InputError
        If a mesh cannot hold the teeth that it is said to hold.
    """
    if all(len(crown.spec.iso) == 1 for crown in inputs.crowns):
        return inputs
    crowns = []
    for crown in inputs.crowns:
        spec, units = crown.spec, None
        if len(spec.iso) > 1:
            there, arch = orientation, inputs.upper
            if not spec.is_upper:
                there, arch = orientation.transformed(T_upper_lower.inverse()), inputs.lower
            try:
                units = divide_units(crown.surface.mesh, spec.iso, there, arch.mesh)
            except InputError as error:
                raise InputError(f"{crown.file.path}: {error}") from None
        crowns.append(replace(crown, units=units))
    return replace(inputs, crowns=tuple(crowns))


def mount(inputs: Inputs, T_upper_lower: RigidTransform, rows: Rows) -> JawFrame:
    """Return the jaw frame: measured condyles, given landmarks, or found ones."""
    given = inputs.case.mounting
    if rows.lower is not None and given.incisal_mm is None:
        landmarks = landmarks_of_row(inputs.lower.mesh, rows.lower, known_teeth(inputs, False))
    else:
        landmarks = Landmarks(
            np.array(given.incisal_mm),
            np.array(given.right_molar_mm),
            np.array(given.left_molar_mm),
        )
    landmarks = landmarks.transformed(T_upper_lower)
    if given.right_condyle_mm is not None and given.left_condyle_mm is not None:
        return frame_from_condyles(
            given.right_condyle_mm, given.left_condyle_mm, landmarks, given.condyles
        )
    return frame_from_landmarks(landmarks)


def crown_centroid(inputs: Inputs, T_upper_lower: RigidTransform) -> Float64Array:
    """Return the crown's centroid (3,) at the recorded bite, in the upper scan's coordinates."""
    centroid = inputs.crown.mesh.vertices.mean(axis=0)
    return centroid if inputs.crown_spec.is_upper else T_upper_lower.apply(centroid)


@dataclass(frozen=True, slots=True)
class PlacedTeeth:
    """The teeth of both scans, each in its own frame, and what was noticed.

    upper_tooth, lower_tooth (F,): tooth of every face, 0 where there is none.
    """

    upper: TeethOnScan
    lower: TeethOnScan
    upper_tooth: Int32Array
    lower_tooth: Int32Array
    findings: tuple[Finding, ...]


def place_teeth(inputs: Inputs, rows: Rows) -> PlacedTeeth:
    """Return the teeth of both scans."""
    placed: list[TeethOnScan] = []
    found: list[Int32Array] = []
    findings: list[Finding] = []
    for is_upper, surface, row in (
        (True, inputs.upper, rows.upper),
        (False, inputs.lower, rows.lower),
    ):
        labels = inputs.labels.get("upper" if is_upper else "lower")
        if labels is not None or row is None:
            teeth = locate_teeth(surface, rows.orientation, is_upper=is_upper, labels=labels)
        else:
            teeth = teeth_of_row(surface.mesh, row, is_upper)
        placed.append(teeth)
        found.append(np.sort(teeth.tooth[surface.mesh.faces], axis=1)[:, 1].astype(np.int32))
        if teeth.confidence < 0.5:
            findings.append(
                Finding(
                    "warning",
                    "teeth_uncertain",
                    f"the teeth of the {'upper' if is_upper else 'lower'} scan were placed with "
                    f"low confidence ({teeth.confidence:.2f}); tooth numbers of contacts may be "
                    "wrong",
                    "upper" if is_upper else "lower",
                )
            )
    return PlacedTeeth(placed[0], placed[1], found[0], found[1], tuple(findings))


def mask_crown_place(inputs: Inputs, own_tooth: Int32Array) -> BoolArray:
    """Return which faces (F,) of its own arch the crown that is looked at stands for.

    Faces within 1 mm of the crown, or inside it, that are not a neighbour tooth's.

    Raises
    ------
    MeshError
        If nothing of the arch is left.
    """
    mesh = inputs.own_arch.mesh
    centre = mesh.vertices[mesh.faces].mean(axis=1)
    box_low = inputs.crown.mesh.vertices.min(axis=0) - MASK_MM
    box_high = inputs.crown.mesh.vertices.max(axis=0) + MASK_MM
    masked = np.zeros(len(mesh.faces), dtype=bool)
    inside = np.flatnonzero(((centre > box_low) & (centre < box_high)).all(axis=1))
    distance = inputs.crown.closest(centre[inside]).distance_mm
    near = ~(distance > MASK_MM)
    own = np.isin(own_tooth[inside], (0, *inputs.crown_spec.iso))
    masked[inside[near & own]] = True
    if masked.all():
        raise MeshError(f"{inputs.crown_file.path}: the crown covers its whole arch scan")
    return masked


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the teeth stand at a record.

    upper_tooth, lower_tooth (F,): tooth of every face, 0 where there is none. inputs are those
    whose crowns are divided into their teeth; masked holds for each crown which faces (F,) of its
    own arch it stands for.
    """

    inputs: Inputs
    rows: Rows
    frame: JawFrame
    teeth: PlacedTeeth
    masked: tuple[BoolArray, ...]

    def left_out(self, *, upper: bool) -> BoolArray:
        """Return which faces (F,) of an arch any crown stands for."""
        tooth = self.teeth.upper_tooth if upper else self.teeth.lower_tooth
        return left_out_faces(self.inputs, self.masked, len(tooth), upper=upper)


def left_out_faces(
    inputs: Inputs, masked: tuple[BoolArray, ...], n_faces: int, *, upper: bool
) -> BoolArray:
    """Return which of an arch's n faces (n,) any crown stands for."""
    found = np.zeros(n_faces, dtype=np.bool_)
    for crown, mask in zip(inputs.crowns, masked, strict=True):
        if crown.spec.is_upper == upper:
            found |= mask
    return found


def stand(inputs: Inputs, T_upper_lower: RigidTransform) -> Standing:
    """Return where the teeth stand at a pose of the lower scan.

    Raises
    ------
    DegenerateProblem
        If the arches' shape does not tell.
    InputError
        If the arches look exchanged, or a crown's mesh cannot hold its teeth.
    """
    orientation = orient_arches(inputs.upper, inputs.lower, T_upper_lower)
    inputs = with_units(inputs, orientation, T_upper_lower)
    rows = locate_rows(inputs, T_upper_lower, orientation)
    frame = mount(inputs, T_upper_lower, rows)
    teeth = place_teeth(inputs, rows)
    masked = []
    for index, crown in enumerate(inputs.crowns):
        own = teeth.upper_tooth if crown.spec.is_upper else teeth.lower_tooth
        masked.append(mask_crown_place(inputs.for_crown(index), own))
    return Standing(inputs, rows, frame, teeth, tuple(masked))


def propped_finding(
    inputs: Inputs, antagonist: Surface, masked: BoolArray, T_antagonist_own: RigidTransform
) -> list[Finding]:
    """Return a finding where the masked place itself overlaps the antagonist at the record."""
    mesh = inputs.own_arch.mesh
    used = np.unique(mesh.faces[masked])
    if len(used) == 0:
        return []
    gap = antagonist.closest(
        mesh.vertices[used], max_distance_mm=1.0, T_surface_points=T_antagonist_own
    ).distance_mm
    least = float(np.nanmin(gap)) if np.isfinite(gap).any() else np.inf
    if least >= 0:
        return []
    return [
        Finding(
            "warning",
            "record_propped",
            f"at the crown's place the scan overlaps the opposing teeth by {-least * UM:.0f} um in "
            "the bite record: if the bite was taken on it, the record is propped open",
            "upper" if inputs.crown_spec.is_upper else "lower",
            int((gap < 0).sum()),
        )
    ]


def guidance_scatter(case: Case) -> GuidanceScatter:
    """Return the scatter of the guidance that a case's settings ask for."""
    given = case.sensitivity
    return GuidanceScatter(
        inclination_rad=float(np.deg2rad(given.inclination_sigma_deg)),
        bennett_rad=float(np.deg2rad(given.bennett_sigma_deg)),
        side_shift_mm=given.side_shift_mm,
    )


def mounting_part(case: Case, frame: JawFrame) -> dict[str, Any]:
    """Return the mounting's part of the results."""
    marks = frame.landmarks
    guidance = case.guidance
    return {
        "method": frame.method,
        "assumptions": list(frame.assumptions),
        "right_condyle_mm": numbers(frame.right_condyle),
        "left_condyle_mm": numbers(frame.left_condyle),
        "incisal_mm": numbers(marks.incisal),
        "right_molar_mm": numbers(marks.right_molar),
        "left_molar_mm": numbers(marks.left_molar),
        "T_jaw_upper": numbers(frame.T_jaw_upper.matrix, 12),
        "guidance": guidance.model_dump(),
        "axis_scatter": {
            "forward_mm": frame.scatter.forward_mm,
            "vertical_mm": frame.scatter.vertical_mm,
            "source": frame.scatter.words,
        },
        "guidance_scatter": {
            "inclination_sigma_deg": case.sensitivity.inclination_sigma_deg,
            "bennett_sigma_deg": case.sensitivity.bennett_sigma_deg,
            "side_shift_mm": list(case.sensitivity.side_shift_mm),
            "source": guidance_scatter(case).words(),
        },
    }
