"""What is told of a bridge unit by unit: its teeth, its spots' places, its loads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from occlusim.case import Crown
from occlusim.crown.location import CrownOrientation, CrownRelief
from occlusim.crown.spots import Spot
from occlusim.crown.units import Units
from occlusim.geometry.scan_check import Finding
from occlusim.jaw.numbering import universal_from_iso
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.inputs import CrownInput


def teeth_part(spec: Crown) -> dict[str, Any]:
    """Return the crown's tooth; of a bridge the first one, and all from right to left."""
    found: dict[str, Any] = {
        "tooth": str(spec.iso[0]),
        "universal": universal_from_iso(spec.iso[0]),
    }
    if len(spec.iso) > 1:
        found["teeth"] = [str(tooth) for tooth in spec.iso]
    return found


def unit_findings(crown: CrownInput) -> list[Finding]:
    """Return whether a bridge's length speaks for another number of teeth."""
    units = crown.units
    if units is None or not units.is_doubtful:
        return []
    words = (
        f"the bridge is {units.length_share:.2f} times as long as its teeth "
        f"({', '.join(map(str, units.teeth))}) are wide in the mean: check which teeth it replaces"
    )
    return [Finding("warning", "bridge_length", words, "crown")]


def with_teeth(
    parts: list[dict[str, Any]], spots: Sequence[Spot], units: Units | None
) -> list[dict[str, Any]]:
    """Return the results of spots, of a bridge with the tooth that each is on."""
    if units is None or not spots:
        return parts
    teeth = units.tooth_at(np.array([spot.worst_point for spot in spots]))
    return [part | {"tooth": str(tooth)} for part, tooth in zip(parts, teeth, strict=True)]


def located(
    spots: Sequence[Spot], places: Mapping[int, CrownOrientation], crown: CrownInput
) -> tuple[Spot, ...]:
    """Return the spots of a bridge with their places in words, each by its own unit's relief."""
    units = crown.units
    if units is None or not spots:
        return tuple(spots)
    mesh, normals = crown.surface.mesh, crown.surface.vertex_normals
    tooth = units.tooth_of_faces(mesh)
    reliefs: dict[int, CrownRelief] = {}
    found = []
    for spot in spots:
        worst = np.linalg.norm(mesh.vertices[spot.vertices] - spot.worst_point, axis=1).argmin()
        own = int(units.tooth_at(spot.worst_point[None])[0])
        if own not in reliefs:
            part, vertex = mesh.submesh(np.flatnonzero(tooth == own).astype(np.int32))
            reliefs[own] = CrownRelief(part.vertices, part.faces, normals[vertex], places[own])
        words = reliefs[own].describe(spot.centroid, normals[spot.vertices[worst]])
        found.append(replace(spot, location=f"tooth {own}, {words}"))
    return tuple(found)


def unit_loads(
    closure: Equilibrium, index: int, opposition: Opposition, teeth: Sequence[int]
) -> list[dict[str, Any]]:
    """Return what each tooth of a bridge carries of a closure; share is of all that teeth carry."""
    load_N = closure.loads[index].vertical_N
    tooth = opposition.body.tooth[closure.prints[index].face]
    return [
        {
            "tooth": str(t),
            "load_N": float(load_N[tooth == t].sum()),
            "share": float(load_N[tooth == t].sum()) / closure.support_N,
        }
        for t in teeth
    ]
