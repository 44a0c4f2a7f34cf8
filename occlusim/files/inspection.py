"""What a mesh file holds, what is wrong with it, and whether it can be used."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.errors import MeshError
from occlusim.files.mesh_files import MeshFile, read_mesh
from occlusim.geometry.scan_check import Finding, check_scan
from occlusim.geometry.scan_parts import scan_parts


@dataclass(frozen=True, slots=True)
class MeshInspection:
    """What was found in one file; `facts` is empty where it could not be read at all."""

    path: Path
    facts: dict[str, Any]
    findings: tuple[Finding, ...]

    @property
    def usable(self) -> bool:
        """Whether there is no finding that makes numbers computed on the mesh wrong."""
        return all(finding.severity != "error" for finding in self.findings)

    def as_dict(self) -> dict[str, Any]:
        """Return all as plain values for JSON."""
        return {
            "file": str(self.path),
            "usable": self.usable,
            **self.facts,
            "findings": [asdict(finding) for finding in self.findings],
        }

    def lines(self) -> list[str]:
        """Return the report in words, one line a statement."""
        lines = [f"{self.path}: {'can be used' if self.usable else 'CANNOT BE USED'}"]
        facts = self.facts
        if facts:
            low, high = facts["box_mm"]
            size = " x ".join(f"{b - a:.2f}" for a, b in zip(low, high, strict=True))
            lines.append(
                f"  {facts['format']}, {facts['n_vertices']} vertices, {facts['n_faces']} "
                f"triangles, unit {facts['unit']}"
            )
            lines.append(f"  size {size} mm, area {facts['area_mm2']:.1f} mm2")
            if facts["closed"]:
                lines.append(f"  closed, volume {facts['volume_mm3']:.1f} mm3")
            else:
                lines.append(f"  open, border loops: {facts['border_loops']}")
            lines.append(f"  separate pieces: {facts['pieces']}")
            if facts["fields"]:
                lines.append(f"  numbers on the vertices: {', '.join(facts['fields'])}")
        lines += [f"  {finding.severity}: {finding.message}" for finding in self.findings]
        return lines


def inspect_mesh(path: Path | str, units: str = "mm", role: str = "") -> MeshInspection:
    """Return what a mesh file holds and what is wrong with it; a bad file is a finding.

    Parameters
    ----------
    path : Path or str
    units : str
        Unit of the file's coordinates, see `occlusim.files.mesh_files.MM_PER_UNIT`.
    role : str
        'upper', 'lower', 'bite', 'crown', or '' where unknown: tells which sizes are plausible
        and whether the mesh has to be closed.

    Raises
    ------
    InputError
        If the unit or the role is unknown.
    """
    try:
        file = read_mesh(path, units, role)
    except MeshError as error:
        found = Finding("error", "unreadable", str(error), role, 1)
        return MeshInspection(Path(path), {}, (found,))
    findings = check_scan(file.mesh, role)
    return MeshInspection(file.path, _facts(file), file.remarks + findings)


def _facts(file: MeshFile) -> dict[str, Any]:
    mesh = file.mesh
    corners: Float64Array = mesh.vertices[np.unique(mesh.faces)]
    facts: dict[str, Any] = {
        "format": file.format,
        "unit": file.unit,
        "sha256": file.sha256,
        "n_vertices": len(mesh.vertices),
        "n_faces": len(mesh.faces),
        "box_mm": [corners.min(axis=0).tolist(), corners.max(axis=0).tolist()],
        "area_mm2": float(mesh.face_areas().sum()),
        "double_precision": file.is_double,
        "fields": list(file.fields),
    }
    try:
        parts = scan_parts(mesh)
    except MeshError:
        return {**facts, "closed": False, "border_loops": 0, "pieces": 0}
    facts["closed"] = len(parts.open_edges) == 0
    facts["border_loops"] = len(parts.loop_length_mm)
    facts["pieces"] = len(parts.piece_area_mm2)
    if facts["closed"]:
        facts["volume_mm3"] = mesh.volume()
    return facts
