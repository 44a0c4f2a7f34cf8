"""What a case reads: scans and crown, checked and made ready, with every finding listed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.case import Case, Crown
from occlusim.crown.units import Units
from occlusim.errors import InputError, MeshError
from occlusim.files.mesh_files import MeshFile, read_mesh
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import Finding, check_scan, clean_scan
from occlusim.geometry.scan_parts import scan_parts
from occlusim.geometry.surface import Surface
from occlusim.pipeline.side_by_side import side_by_side

NEAR_ARCH_MM = 3.0


@dataclass(frozen=True, slots=True)
class CrownInput:
    """A crown of a case: what the case says of it, its surface and its file.

    units divides a crown of several teeth into them; it is known once the arches are oriented.
    """

    spec: Crown
    surface: Surface
    file: MeshFile
    units: Units | None = None

    def tooth_of_faces(self, mesh: TriangleMesh) -> Int32Array:
        """Return the tooth (F,) that each face of the crown, or of it adjusted, belongs to."""
        if self.units is None:
            return np.full(len(mesh.faces), self.spec.iso[0], dtype=np.int32)
        return self.units.tooth_of_faces(mesh)

    def centres(self) -> dict[int, Float64Array]:
        """Return the middle (3,) of each of its teeth, in its arch scan's frame."""
        if self.units is None:
            return {self.spec.iso[0]: self.surface.mesh.vertices.mean(axis=0)}
        return self.units.centres(self.surface.mesh)


@dataclass(frozen=True, slots=True)
class Inputs:
    """The surfaces of a case: each scan in its own frame, the crown in its arch scan's.

    `retruded_bites` are those of a second record, taken in the retruded position. `crowns` are all
    of the case, in its order. What needs one crown asks for `crown_spec`, `crown` or `crown_file`,
    which are those of the crown `index` and raise an `InputError` where the case has none;
    `for_crown` turns to another.
    """

    case: Case
    upper: Surface
    lower: Surface
    bites: tuple[Surface, ...]
    crowns: tuple[CrownInput, ...]
    files: tuple[tuple[str, MeshFile], ...]
    labels: Mapping[str, Int32Array]
    findings: tuple[Finding, ...]
    retruded_bites: tuple[Surface, ...] = ()
    index: int = 0

    def for_crown(self, index: int) -> Inputs:
        """Return the same inputs, turned to another crown."""
        return replace(self, index=index)

    def with_crown(self, crown: CrownInput) -> Inputs:
        """Return the same inputs with another crown in the place of that which is looked at."""
        crowns = [crown if k == self.index else c for k, c in enumerate(self.crowns)]
        return replace(self, crowns=tuple(crowns))

    @property
    def suffix(self) -> str:
        """What the names of a further crown's files end with, such as `_36`."""
        return f"_{self.crown_spec.iso[0]}" if self.index else ""

    @property
    def crown_input(self) -> CrownInput:
        """The crown that is looked at."""
        if not self.crowns:
            raise _no_crown(self.case)
        return self.crowns[self.index]

    @property
    def crown_spec(self) -> Crown:
        """What the case says of the crown."""
        return self.crown_input.spec

    @property
    def crown(self) -> Surface:
        """The crown, in its arch scan's frame."""
        return self.crown_input.surface

    @property
    def crown_file(self) -> MeshFile:
        """The file that the crown came from."""
        return self.crown_input.file

    def file_of(self, role: str) -> MeshFile:
        """Return the first file of a role."""
        return next(file for name, file in self.files if name == role)

    @property
    def bite_files(self) -> tuple[MeshFile, ...]:
        """The files of the bite scans, in their order."""
        return self.files_of("bite")

    def files_of(self, role: str) -> tuple[MeshFile, ...]:
        """Return the files of a role, in their order."""
        return tuple(file for name, file in self.files if name == role)

    @property
    def own_arch(self) -> Surface:
        """The arch that the crown stands in."""
        return self.upper if self.crown_spec.is_upper else self.lower

    @property
    def opposing_arch(self) -> Surface:
        """The arch that the crown meets."""
        return self.lower if self.crown_spec.is_upper else self.upper

    def input_parts(self) -> list[dict[str, Any]]:
        """Return role, file, hash and size of every input."""
        return [
            {
                "role": role,
                "file": file.path.name,
                "sha256": file.sha256,
                "n_vertices": len(file.mesh.vertices),
                "n_faces": len(file.mesh.faces),
            }
            for role, file in self.files
        ]


def load_inputs(case: Case, *, needs_crown: bool = True) -> Inputs:
    """Return the checked surfaces of a case.

    Parameters
    ----------
    case
        The case, its paths absolute.
    needs_crown
        Refuse a case without a crown. A crown that is given is read either way.

    Raises
    ------
    MeshError
        If a file cannot be read or used.
    InputError
        If the case asks for what this version does not do, or lacks a crown that is needed.
    """
    if needs_crown and not case.crowns:
        raise _no_crown(case)
    units = case.scans.units
    wanted = [
        ("upper", case.scans.upper),
        ("lower", case.scans.lower),
        *(("bite", path) for path in case.scans.bites),
        *(("retruded_bite", path) for path in case.scans.retruded_bites),
        *(("crown", spec.mesh) for spec in case.crowns),
    ]
    scans = side_by_side([partial(_scan, path, role, units) for role, path in wanted])
    by_role = [(role, scan) for (role, _), scan in zip(wanted, scans, strict=True)]
    crowns = [scan for role, scan in by_role if role == "crown"]
    inputs = Inputs(
        case,
        scans[0].surface,
        scans[1].surface,
        tuple(scan.surface for role, scan in by_role if role == "bite"),
        tuple(
            CrownInput(spec, scan.surface, scan.file)
            for spec, scan in zip(case.crowns, crowns, strict=True)
        ),
        tuple((role, scan.file) for role, scan in by_role),
        {role: scan.labels for role, scan in by_role[:2] if scan.labels is not None},
        tuple(finding for scan in scans for finding in scan.findings),
        tuple(scan.surface for role, scan in by_role if role == "retruded_bite"),
    )
    for index in range(len(crowns)):
        _check_crown_place(inputs.for_crown(index))
    return inputs


@dataclass(frozen=True, slots=True)
class _Scan:
    """One mesh, read and checked; labels (V,) are the teeth that came with it."""

    file: MeshFile
    surface: Surface
    labels: Int32Array | None
    findings: tuple[Finding, ...]


def _scan(path: Any, role: str, units: str) -> _Scan:
    file = read_mesh(path, units=units, role=role)
    mesh = file.mesh
    try:
        parts = scan_parts(mesh)
    except MeshError:
        parts = None  # the check says so in the words of its role
    found = check_scan(mesh, role, parts)
    _stop_at_errors(found, file)
    if parts is None:
        raise MeshError(f"{file.path}: none of its faces has an area")
    findings = [*file.remarks, *found]
    if role == "crown":
        return _Scan(file, Surface.build(mesh, parts.topology), None, tuple(findings))
    cleaned = clean_scan(mesh, found, parts)
    findings.extend(cleaned.left_out)
    labels = None
    if "tooth" in file.fields:
        labels = np.asarray(file.fields["tooth"][cleaned.vertex], dtype=np.int32)
    topology = parts.topology if cleaned.mesh is mesh else None
    return _Scan(file, Surface.build(cleaned.mesh, topology), labels, tuple(findings))


def _no_crown(case: Case) -> InputError:
    return InputError(
        f"case {case.id}: no [crown] given, one is wanted to check it: add [crown] with mesh, "
        "tooth and support; the bite alone is judged by occlusim register"
    )


def _stop_at_errors(findings: tuple[Finding, ...], file: MeshFile) -> None:
    errors = [f.message for f in findings if f.severity == "error"]
    if errors:
        raise MeshError(f"{file.path}: " + "; ".join(errors))


def _check_crown_place(inputs: Inputs) -> None:
    """Refuse a crown that does not stand near its own arch."""
    spec = inputs.crown_spec
    arch = "upper" if spec.is_upper else "lower"
    vertices = inputs.crown.mesh.vertices
    sample = vertices[:: max(1, len(vertices) // 2000)]
    nearest_mm = float(np.nanmin(inputs.own_arch.closest(sample).unsigned_mm))
    if nearest_mm <= NEAR_ARCH_MM:
        return
    hint = "Export the crown together with its arch, and check the tooth number and the unit"
    if float(np.nanmin(inputs.opposing_arch.closest(sample).unsigned_mm)) <= NEAR_ARCH_MM:
        hint = (
            "It lies on the other scan: exchange upper and lower in [scans] if they are swapped, "
            "or check the tooth number"
        )
    raise MeshError(
        f"{inputs.crown_file.path}: the crown for tooth {spec.iso[0]} is {nearest_mm:.1f} mm away "
        f"from the {arch} scan; it must be in the coordinates of that scan, within "
        f"{NEAR_ARCH_MM:g} mm. {hint}"
    )
