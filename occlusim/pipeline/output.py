"""Everything a run writes: painted meshes, results, table, report, pictures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import BoolArray
from occlusim.files.mesh_files import MeshFile, write_ply
from occlusim.files.results_file import write_results, write_spots_csv
from occlusim.geometry.mesh import PaintedMesh
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.report_meshes import report_meshes
from occlusim.pipeline.units import UM
from occlusim.report.colour import NO_DATA_RGB, SURFACE_RGB, paint, quantity_of
from occlusim.report.html import write_report
from occlusim.report.pictures import write_pictures

MAP_REACH_MM = 2.0


def write_outputs(  # noqa: PLR0913
    inputs: Inputs,
    placed: Placed,
    jaw: JawStage,
    crown: CrownStage,
    arches: tuple[PaintedMesh, PaintedMesh],
    results: dict[str, Any],
    findings: list[Finding],
    clock: Clock,
    folder: Path,
    pictures: bool,
) -> None:
    """Write every file of a run into a folder, which is moved into place by the caller.

    `arches` are those of `arch_maps`.
    """
    upper, lower = arches
    with clock.stage("maps", "writing the coloured meshes"):
        for name, arch in (("upper", upper), ("lower", lower)):
            path, source = folder / f"{name}_gap.ply", inputs.file_of(name)
            write_painted(path, arch, source, "gap_um", SURFACE_RGB)
        write_painted(folder / "crown_gap.ply", crown.before, inputs.crown_file, "gap_um")
        write_painted(
            folder / "crown_reduction.ply", crown.before, inputs.crown_file, "reduction_um"
        )
        if "raise_um" in crown.before.fields:
            write_painted(folder / "crown_raise.ply", crown.before, inputs.crown_file, "raise_um")
    meshes = report_meshes(inputs, placed, jaw, crown, arches)
    axes = np.vstack([
        placed.orientation.right, placed.orientation.anterior, placed.orientation.superior
    ])  # fmt: skip
    results["seconds"] = {name: round(s, 4) for name, s in clock.seconds.items()}
    if pictures:
        with clock.stage("pictures", "drawing the pictures"):
            _, seen = write_pictures(folder / "pictures", results, meshes, axes)
            findings = [*findings, *seen]
        results["seconds"] = {name: round(s, 4) for name, s in clock.seconds.items()}
    results["findings"] = finding_parts(findings)
    write_results(folder, results)
    write_spots_csv(folder / "spots.csv", results["crown"]["spots"])
    with clock.stage("report", "writing the report"):
        write_report(folder / "report.html", results, meshes, axes)


def finding_parts(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Return findings as the results hold them."""
    return [
        {"severity": f.severity, "code": f.code, "message": f.message, "role": f.role}
        | ({"count": f.count} if f.count else {})
        for f in findings
    ]


def write_painted(
    path: Path,
    painted: PaintedMesh,
    source: MeshFile,
    shown: str,
    nothing: tuple[int, int, int] = NO_DATA_RGB,
) -> None:
    """Write a painted mesh in the unit and precision of the file it came from.

    `nothing` is the colour where the number `shown` is not known.
    """
    write_ply(
        path,
        painted,
        colours=paint(painted.fields[shown], quantity_of(shown), nothing),
        float64=source.is_double,
        units=source.unit,
    )


def arch_maps(inputs: Inputs, placed: Placed, jaw: JawStage) -> tuple[PaintedMesh, PaintedMesh]:
    """Return both arches with the gap at the light closure, each in its own scan's frame.

    Where what is nearest is the place that the crown stands for, the gap is unknown.
    """
    T_upper_lower = jaw.run.light.T_upper_lower
    is_upper = inputs.crown_spec.is_upper
    return (
        _gap_map(
            inputs.upper, inputs.lower, T_upper_lower.inverse(), None if is_upper else placed.masked
        ),
        _gap_map(inputs.lower, inputs.upper, T_upper_lower, placed.masked if is_upper else None),
    )


def _gap_map(
    surface: Surface, other: Surface, T_other_points: RigidTransform, masked: BoolArray | None
) -> PaintedMesh:
    found = other.closest(surface.mesh.vertices, MAP_REACH_MM, T_other_points)
    gap = found.distance_mm
    if masked is not None:
        gap = np.where((found.faces >= 0) & masked[found.faces], np.nan, gap)
    return PaintedMesh(surface.mesh, {"gap_um": gap * UM})
