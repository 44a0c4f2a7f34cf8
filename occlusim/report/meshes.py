"""The meshes that a report draws, and how they are laid and thinned for drawing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array
from occlusim.errors import InputError
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.transform import RigidTransform

LOWER_QUADRANTS = (3, 4, 7, 8)
"""Quadrant digits of the lower jaw, permanent and deciduous teeth (ISO 3950)."""


@dataclass(frozen=True, slots=True)
class AntagonistPose:
    """Where the opposing teeth stand at one pose of the jaw.

    ``name`` is ``light`` for the closure at light load, else a movement's; ``at_mm`` the step along
    it. ``T_posed_drawn`` carries the antagonist from where it is drawn, in the crown's coordinates.
    """

    name: str
    at_mm: float
    T_posed_drawn: RigidTransform


@dataclass(frozen=True, slots=True)
class ReportMeshes:
    """What the report draws, coordinates in mm.

    ``crown`` carries ``gap_um`` (closure at light load), ``clearance_um`` (gap less wanted gap,
    least over all movements), ``clearance_<movement>_um``, ``reduction_um``, ``thickness_um``,
    ``probability_high`` and ``side_gap_um``; ``adjusted`` what of it holds after the adjustment;
    ``antagonist`` is the opposing teeth near the crown at the recorded bite, and ``poses`` where
    else they can stand. These are in the crown's coordinates. ``upper`` and ``lower`` carry
    ``gap_um`` and ``bites`` ``residual_um``; all of them are in the upper scan's coordinates.
    """

    crown: PaintedMesh
    adjusted: PaintedMesh
    antagonist: PaintedMesh
    upper: PaintedMesh
    lower: PaintedMesh
    poses: tuple[AntagonistPose, ...] = ()
    bites: tuple[PaintedMesh, ...] = ()


@dataclass(frozen=True, slots=True)
class Orientation:
    """Unit directions (3,) in the upper scan's coordinates: patient's right, front, up."""

    right: Float64Array
    anterior: Float64Array
    superior: Float64Array

    @staticmethod
    def of(directions: ArrayLike | Orientation) -> Orientation:
        """Return the orientation of a (3, 3) stack (right, anterior, superior).

        Raises
        ------
        InputError
            If they are not three unit directions at right angles (1e-3), right-handed.
        """
        if isinstance(directions, Orientation):
            return directions
        rows = np.asarray(directions, dtype=np.float64)
        if rows.shape != (3, 3) or not np.allclose(rows @ rows.T, np.eye(3), rtol=0, atol=1e-3):
            raise InputError(
                "report: orientation must be three unit directions at right angles "
                f"(right, anterior, superior); {rows.tolist()} given"
            )
        if np.linalg.det(rows) < 0:
            raise InputError(
                "report: orientation is left-handed; right x anterior = superior wanted"
            )
        return Orientation(rows[0], rows[1], rows[2])


def crown_teeth(results: Mapping[str, Any]) -> list[str]:
    """Return the ISO 3950 numbers of the crown as words; empty where the results do not say."""
    crown = results.get("crown") or {}
    teeth = crown.get("teeth") or ([crown["tooth"]] if crown.get("tooth") else [])
    return [str(tooth) for tooth in teeth]


def is_lower_crown(results: Mapping[str, Any], meshes: ReportMeshes) -> bool:
    """Return whether the crown stands in the lower arch.

    By its tooth number; where the results give none, by which of the two arch scans the crown lies
    nearer to once it is carried along with the lower scan.
    """
    teeth = crown_teeth(results)
    if teeth and teeth[0][:1].isdigit():
        return int(teeth[0][0]) in LOWER_QUADRANTS
    vertices = meshes.crown.mesh.vertices
    carried = _transform(results).apply(vertices)
    to_upper, _ = KDTree(meshes.upper.mesh.vertices).query(vertices)
    to_lower, _ = KDTree(meshes.lower.mesh.vertices).query(carried)
    return bool(np.median(to_lower) < np.median(to_upper))


def in_upper_frame(results: Mapping[str, Any], meshes: ReportMeshes) -> tuple[ReportMeshes, bool]:
    """Return the meshes all in the upper scan's coordinates, and whether the crown is a lower one.

    Spots and contacts are given in the upper scan's coordinates; a lower crown is carried there by
    the registered bite, so that one frame serves every view.
    """
    is_lower = is_lower_crown(results, meshes)
    if not is_lower:
        return meshes, False
    T_upper_lower = _transform(results)

    def carried(painted: PaintedMesh) -> PaintedMesh:
        return PaintedMesh(painted.mesh.transformed(T_upper_lower), painted.fields)

    def posed(pose: AntagonistPose) -> AntagonistPose:
        T = T_upper_lower @ pose.T_posed_drawn @ T_upper_lower.inverse()
        return AntagonistPose(pose.name, pose.at_mm, T)

    moved = replace(
        meshes,
        crown=carried(meshes.crown),
        adjusted=carried(meshes.adjusted),
        antagonist=carried(meshes.antagonist),
        poses=tuple(posed(pose) for pose in meshes.poses),
    )
    return moved, True


def _transform(results: Mapping[str, Any]) -> RigidTransform:
    matrix = (results.get("registration") or {}).get("T_upper_lower")
    return RigidTransform.identity() if matrix is None else RigidTransform.from_matrix(matrix)


def thinned(painted: PaintedMesh, max_faces: int) -> PaintedMesh:
    """Return a mesh of at most about `max_faces` faces for drawing; numbers stay exact.

    Vertices are gathered in cubic cells; each cell keeps the one vertex nearest to the cell's mean,
    with its own place and numbers, so that what is shown under the pointer is a computed number and
    never an average. A mesh that is small enough comes back as it is.
    """
    mesh = painted.mesh
    if len(mesh.faces) <= max_faces:
        return painted
    cell_mm = float(np.sqrt(2.0 * mesh.face_areas().sum() / max_faces))
    while True:
        result = _clustered(painted, cell_mm)
        if len(result.mesh.faces) <= max_faces:
            return result
        cell_mm *= 1.15


def _clustered(painted: PaintedMesh, cell_mm: float) -> PaintedMesh:
    vertices = painted.mesh.vertices
    keys = np.floor((vertices - vertices.min(axis=0)) / cell_mm).astype(np.int64)
    _, cell = np.unique(keys, axis=0, return_inverse=True)
    cell = cell.reshape(-1)
    count = np.bincount(cell)
    mean = np.stack([np.bincount(cell, vertices[:, k]) / count for k in range(3)], axis=1)
    offset = np.linalg.norm(vertices - mean[cell], axis=1)
    order = np.lexsort((offset, cell))
    kept = order[np.r_[True, np.diff(cell[order]) > 0]]
    faces = cell[painted.mesh.faces]
    sound = (
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    )
    faces = np.unique(_rolled(faces[sound]), axis=0)
    fields = {name: values[kept] for name, values in painted.fields.items()}
    return PaintedMesh(TriangleMesh(vertices[kept], faces.astype(np.int32)), fields)


def _rolled(faces: np.ndarray) -> np.ndarray:
    """Return faces (F, 3) turned so that the least index comes first, winding kept."""
    first = np.argmin(faces, axis=1)
    turn = (first[:, None] + np.arange(3)) % 3
    return np.take_along_axis(faces, turn, axis=1)
