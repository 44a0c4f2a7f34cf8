"""The bite scans in space, coloured by how far each lies off its arch, for the page's script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from occlusim.arrays import Float64Array
from occlusim.geometry.mesh import PaintedMesh
from occlusim.report.colour import RESIDUAL
from occlusim.report.figures import shading, still_scene
from occlusim.report.meshes import Orientation, ReportMeshes, thinned
from occlusim.report.scene import as_bytes, packed
from occlusim.report.words import WORDS

MAX_BITE_FACES = 16_000
SPAN = 1.6
"""Bite scans are long and their plots narrow."""


def bite_scenes(
    results: Mapping[str, Any], meshes: ReportMeshes | None, orientation: Orientation
) -> list[dict[str, Any]]:
    """Return one scene for each bite scan of the record, seen from the side that it shows.

    Parameters
    ----------
    results : the content of ``results.json``, plain
    meshes : ``bites`` carry ``residual_um``, in the upper scan's coordinates
    orientation : directions in the upper scan's coordinates
    """
    if meshes is None or not meshes.bites:
        return []
    parts = (results.get("registration") or {}).get("bites") or []
    middle = meshes.upper.mesh.vertices.mean(axis=0)
    return [
        _scene(painted, _name(parts, number), middle, orientation)
        for number, painted in enumerate(meshes.bites)
    ]


def _name(parts: Sequence[Mapping[str, Any]], number: int) -> str:
    file = parts[number].get("file") if number < len(parts) else None
    return str(file or number + 1)


def _scene(
    painted: PaintedMesh, name: str, middle: Float64Array, orientation: Orientation
) -> dict[str, Any]:
    drawn = thinned(painted, MAX_BITE_FACES)
    to_eye, up = _side(drawn.mesh.vertices.mean(axis=0) - middle, orientation), orientation.superior
    return {
        **packed(drawn),
        "shade": as_bytes(shading(drawn.mesh, to_eye, up), "<f4"),
        "values": as_bytes(drawn.fields["residual_um"], "<f4"),
        "quantity": RESIDUAL.name,
        "caption": WORDS["bite_map"].format(file=name),
        "scene": still_scene(drawn.mesh.vertices, to_eye, up, SPAN),
    }


def _side(towards: Float64Array, orientation: Orientation) -> Float64Array:
    """Return from where a bite scan is seen: its own side of the arch, or from in front."""
    right = float(towards @ orientation.right)
    forward = float(towards @ orientation.anterior)
    if abs(right) <= max(forward, 0.0):
        return orientation.anterior
    return orientation.right if right > 0 else -orientation.right
