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
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.each_crown import CheckedCrown
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.record import Placed
from occlusim.pipeline.report_meshes import report_meshes
from occlusim.pipeline.units import UM
from occlusim.report.colour import NO_DATA_RGB, SURFACE_RGB, paint, quantity_of
from occlusim.report.html import write_report
from occlusim.report.pictures import write_pictures
from occlusim.report.several import turned_to

MAP_REACH_MM = 2.0


def write_outputs(
    placed: Placed,
    crowns: Sequence[CheckedCrown],
    arches: tuple[PaintedMesh, PaintedMesh],
    results: dict[str, Any],
    findings: list[Finding],
    clock: Clock,
    folder: Path,
    pictures: bool,
) -> None:
    """Write every file of a run into a folder, which is moved into place by the caller.

    `arches` are those of `arch_maps`. A further crown's files, its report among them, have its
    tooth in their names.
    """
    inputs = placed.inputs
    upper, lower = arches
    with clock.stage("maps", "writing the coloured meshes"):
        for name, arch in (("upper", upper), ("lower", lower)):
            path, source = folder / f"{name}_gap.ply", inputs.file_of(name)
            write_painted(path, arch, source, "gap_um", SURFACE_RGB)
        for one in crowns:
            file, suffix, before = one.inputs.crown_file, one.inputs.suffix, one.stage.before
            for name in ("gap_um", "reduction_um", "raise_um", "probability_high"):
                if name in before.fields:
                    path = folder / f"crown_{name.split('_')[0]}{suffix}.ply"
                    write_painted(path, before, file, name)
    meshes = [report_meshes(one.inputs, placed, one.jaw, one.stage, arches) for one in crowns]
    axes = np.vstack([
        placed.orientation.right, placed.orientation.anterior, placed.orientation.superior
    ])  # fmt: skip
    results["seconds"] = {name: round(s, 4) for name, s in clock.seconds.items()}
    if pictures:
        with clock.stage("pictures", "drawing the pictures"):
            for k, one in enumerate(crowns):
                target = folder / f"pictures{one.inputs.suffix}"
                _, seen = write_pictures(target, turned_to(results, k), meshes[k], axes)
                findings = [*findings, *seen]
        results["seconds"] = {name: round(s, 4) for name, s in clock.seconds.items()}
    results["findings"] = finding_parts(findings)
    write_results(folder, results)
    with clock.stage("report", "writing the report"):
        for k, one in enumerate(crowns):
            shown, suffix = turned_to(results, k), one.inputs.suffix
            write_spots_csv(folder / f"spots{suffix}.csv", shown["crown"]["spots"])
            write_report(folder / f"report{suffix}.html", shown, meshes[k], axes)


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


def arch_maps(
    inputs: Inputs, placed: Placed, light: Equilibrium
) -> tuple[PaintedMesh, PaintedMesh]:
    """Return both arches with the gap at the light closure, each in its own scan's frame.

    Where what is nearest is a place that a crown stands for, the gap is unknown.
    """
    T_upper_lower = light.T_upper_lower
    masks = {upper: placed.left_out(upper=upper) for upper in (True, False)}
    return (
        _gap_map(inputs.upper, inputs.lower, T_upper_lower.inverse(), masks[False]),
        _gap_map(inputs.lower, inputs.upper, T_upper_lower, masks[True]),
    )


def _gap_map(
    surface: Surface, other: Surface, T_other_points: RigidTransform, masked: BoolArray
) -> PaintedMesh:
    found = other.closest(surface.mesh.vertices, MAP_REACH_MM, T_other_points)
    gap = np.where((found.faces >= 0) & masked[found.faces], np.nan, found.distance_mm)
    return PaintedMesh(surface.mesh, {"gap_um": gap * UM})
