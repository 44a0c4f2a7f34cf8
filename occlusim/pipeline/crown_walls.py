"""The crown's walls as the case gives them, and what is to be said of them before any cut."""

from __future__ import annotations

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.crown.thickness import CrownWalls
from occlusim.errors import InputError
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.pipeline.inputs import Inputs

OUTSIDE_MM = 0.1
"""An inner surface that stands out of the crown by less may be a matter of the two meshes."""

MOST_OUTSIDE = 0.2
"""Share of an inner surface outside of the crown above which the two do not belong together."""


def crown_walls(inputs: Inputs, occlusal: Float64Array) -> CrownWalls:
    """Return the walls of a case's crown, with the inner surface from its own file if it has one.

    Raises
    ------
    InputError
        If the inner surface lies outside of the crown.
    """
    spec = inputs.crown_spec
    inner = read_mesh(spec.inner, inputs.case.scans.units).mesh if spec.inner else None
    if inner is not None:
        _check_inner(inputs, inner)
    return CrownWalls.build(inputs.crown, occlusal, inner)


def wall_findings(walls: CrownWalls, least_mm: float) -> tuple[Finding, ...]:
    """Return what is to be said of a crown's walls as they are, against the material's minimum."""
    if not walls.is_known:
        words = (
            "the crown is open and has no inner surface, so its walls are not known: nothing "
            f"holds the reduction to the minimum of {least_mm:g} mm; give a closed crown, or its "
            "inner surface as crown.inner"
        )
        return (Finding("warning", "walls_unknown", words, "crown", 1),)
    vertex, wall_mm = walls.thin_places(least_mm)
    if len(vertex) == 0:
        return ()
    x, y, z = walls.whole.mesh.vertices[vertex[np.argmin(wall_mm)]]
    share = np.isin(walls.whole.mesh.faces, vertex).mean(axis=1)
    words = (
        f"before any cut the wall is thinner than crown.min_thickness_mm = {least_mm:g} mm over "
        f"{share @ walls.whole.face_area_mm2:.2g} mm2, {wall_mm.min():.2f} mm at its thinnest at "
        f"({x:.1f}, {y:.1f}, {z:.1f}) mm, the margin left aside; nothing is taken off there: look "
        "at the design, and at the material's own minimum"
    )
    return (Finding("warning", "wall_thin", words, "crown", len(vertex)),)


def _check_inner(inputs: Inputs, inner: TriangleMesh) -> None:
    gap_mm = inputs.crown.signed_distance(inner.vertices)
    known = np.isfinite(gap_mm)
    share = float((gap_mm[known] > OUTSIDE_MM).mean()) if known.any() else 1.0
    if share > MOST_OUTSIDE:
        raise InputError(
            f"{inputs.crown_spec.inner}: {100 * share:.0f} % of the inner surface lies outside of "
            f"the crown {inputs.crown_file.path.name}, at most {100 * MOST_OUTSIDE:.0f} % are "
            "allowed: exchange crown.mesh and crown.inner if they are swapped, or export both in "
            "the coordinates of one scan"
        )
