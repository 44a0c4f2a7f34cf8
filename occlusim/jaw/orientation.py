"""Which way a pair of arches looks: right, anterior and superior, from their shape alone.

The scans may be in any frame. Superior comes from the facing of the arches: the two crown rows
meet in a layer, whose plane gives the direction and whose sides (lower arch, upper arch) give
the sign. Anterior comes from the horseshoe, which is open behind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array
from occlusim.errors import DegenerateProblem, InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.axes import ArchOrientation, mesh_of
from occlusim.jaw.tooth_location import row_cost

__all__ = ["ArchOrientation", "orient_arches"]

LAYER_MM = 3.0
"""How much further than the nearest part of the other arch a piece of the layer may be."""

MAX_PIECES = 16_000
"""Faces looked at in each arch; more are thinned by their index, which no motion changes."""

N_DIRECTIONS = 72
"""Directions tried for the horseshoe before the best is refined."""


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Faces as points (n, 3) with area vectors (n, 3), mm and mm2."""

    points: Float64Array
    vectors: Float64Array

    @property
    def areas(self) -> Float64Array:
        return np.linalg.norm(self.vectors, axis=1)


def _pieces(mesh: TriangleMesh, T_new_mesh: RigidTransform | None = None) -> _Pieces:
    step = max(1, -(-len(mesh.faces) // MAX_PIECES))
    faces = mesh.faces[::step]
    a, b, c = (mesh.vertices[faces[:, k]] for k in range(3))
    points, vectors = (a + b + c) / 3.0, 0.5 * np.cross(b - a, c - a)
    if T_new_mesh is not None:
        points, vectors = T_new_mesh.apply(points), T_new_mesh.rotate(vectors)
    return _Pieces(points, vectors)


def orient_arches(
    upper: Any, lower: Any, T_upper_lower: RigidTransform | None = None, *, check_swap: bool = True
) -> ArchOrientation:
    """Return right, anterior and superior in the upper scan's frame, from the arches' shape.

    Parameters
    ----------
    upper, lower
        The arches: meshes, or scans that hold one, in their own frames.
    T_upper_lower
        The bite; identity if the arches share a frame.
    check_swap
        Refuse arches that look exchanged. Switch off for a jaw whose lower arch truly lies
        outside the upper one all around.

    Raises
    ------
    DegenerateProblem
        If the shape does not tell: arches that do not face each other, no horseshoe (one side
        only), arches that lie within one another.
    InputError
        If the arches look exchanged.
    """
    up = _pieces(mesh_of(upper))
    low = _pieces(mesh_of(lower), T_upper_lower)
    upward = _lower_to_upper(up, low)
    points, weights = _layer(up, low)
    superior, origin = _layer_plane(points, weights, upward)
    if check_swap:
        _check_facing(up, low, superior)
    flat = points - origin
    anterior, sharpness = _open_horseshoe(flat, weights, superior)
    orientation = ArchOrientation(
        np.cross(anterior, superior), anterior, superior, origin, sharpness
    )
    if check_swap:
        _check_overlap(up, low, orientation, (mesh_of(upper), mesh_of(lower)), T_upper_lower)
    return orientation


def _lower_to_upper(up: _Pieces, low: _Pieces) -> Float64Array:
    difference = np.average(up.points, axis=0, weights=up.areas) - np.average(
        low.points, axis=0, weights=low.areas
    )
    if np.linalg.norm(difference) < 1.0:
        raise DegenerateProblem(
            "arches: the middles of the upper and lower scan are less than 1 mm apart, so the "
            "scans lie within one another; give a start for T_upper_lower, or scans of two arches"
        )
    return difference / np.linalg.norm(difference)


def _layer(up: _Pieces, low: _Pieces) -> tuple[Float64Array, Float64Array]:
    """Return points (n, 3) and weights (n,) of the layer where the arches meet."""
    to_low = KDTree(low.points).query(up.points)[0]
    to_up = KDTree(up.points).query(low.points)[0]
    nearest = min(np.quantile(to_low, 0.02), np.quantile(to_up, 0.02))
    if nearest > 12.0:
        raise DegenerateProblem(
            f"arches: the scans are {nearest:.1f} mm apart where they are nearest, too far to tell "
            "how they face each other; give T_upper_lower, or bite scans"
        )
    in_up, in_low = to_low < nearest + LAYER_MM, to_up < nearest + LAYER_MM
    points = np.vstack([up.points[in_up], low.points[in_low]])
    weights = np.concatenate([up.areas[in_up], low.areas[in_low]])
    # Either arch counts the same, however finely it is meshed and however much of it is near.
    weights[: in_up.sum()] /= max(weights[: in_up.sum()].sum(), 1e-12)
    weights[in_up.sum() :] /= max(weights[in_up.sum() :].sum(), 1e-12)
    return points, weights


def _layer_plane(
    points: Float64Array, weights: Float64Array, upward: Float64Array
) -> tuple[Float64Array, Float64Array]:
    """Return the unit normal (3,) towards the upper arch, and the middle (3,), of the layer."""
    w = weights.copy()
    centre, spread, axes = np.zeros(3), np.zeros(3), np.eye(3)
    for _ in range(10):
        centre = np.average(points, axis=0, weights=w)
        q = points - centre
        spread, axes = np.linalg.eigh((q * w[:, None]).T @ q / w.sum())
        height = q @ axes[:, 0]
        w = weights / (1.0 + (height / 2.0) ** 2)
    sd = np.sqrt(np.maximum(spread, 0.0))
    if sd[1] < 6.0 or sd[1] < 2.0 * sd[0]:
        raise DegenerateProblem(
            f"arches: where they meet, the layer of teeth spreads {sd[2]:.1f} x {sd[1]:.1f} x "
            f"{sd[0]:.1f} mm (standard deviations); a horseshoe of both sides spreads by 8 mm or "
            "more in two directions. Scans of one side only do not tell front from back: give "
            "measured condyles, or landmarks"
        )
    normal = axes[:, 0]
    facing = float(normal @ upward)
    if abs(facing) < 0.5:
        raise DegenerateProblem(
            "arches: the upper arch does not lie above the layer where the arches meet (the "
            f"directions are {np.rad2deg(np.arccos(abs(facing))):.0f} degrees apart); check the "
            "bite, T_upper_lower"
        )
    return normal * np.sign(facing), centre


def _check_facing(up: _Pieces, low: _Pieces, superior: Float64Array) -> None:
    """Refuse open scans whose teeth point away from the other arch."""
    for name, pieces, sign in (("upper", up, 1.0), ("lower", low, -1.0)):
        net = pieces.vectors.sum(axis=0) / pieces.areas.sum()
        if float(net @ superior) * sign > 0.15:
            raise InputError(
                f"arches: the teeth of the {name} scan point away from the other arch. Either "
                "the upper and lower scans are exchanged, or their faces are inside out, or the "
                "bite puts them on the wrong sides of each other: check which file is which"
            )


def _open_horseshoe(
    flat: Float64Array, weights: Float64Array, superior: Float64Array
) -> tuple[Float64Array, float]:
    """Return the unit vector (3,) to the closed end of the horseshoe, and how sure from 0 to 1."""
    step = max(1, len(flat) // 3000)
    flat, weights = flat[::step], weights[::step]
    q = flat - np.outer(flat @ superior, superior)
    _, axes = np.linalg.eigh((q * weights[:, None]).T @ q)
    e1 = axes[:, 2]
    e2 = np.cross(superior, e1)
    plane = np.column_stack([q @ e1, q @ e2])
    scale = float(np.sqrt(np.average(np.sum(plane**2, axis=1), weights=weights)))
    turns = 2 * np.pi * np.arange(N_DIRECTIONS) / N_DIRECTIONS
    misfits = np.array([_misfit(plane / scale, weights, turn) for turn in turns])
    best = int(np.argmin(misfits))
    turn = _parabola_minimum(turns, misfits, best)
    away = np.abs((turns - turns[best] + np.pi) % (2 * np.pi) - np.pi) > np.deg2rad(50)
    other = float(misfits[away].min())
    sharpness = 1.0 - float(misfits[best]) / other
    if not np.isfinite(misfits[best]) or sharpness < 0.2:
        raise DegenerateProblem(
            "arches: no horseshoe open on one side is seen where they meet, so front and back "
            "cannot be told apart; give measured condyles, or landmarks"
        )
    return np.cos(turn) * e1 + np.sin(turn) * e2, sharpness


def _misfit(plane: Float64Array, weights: Float64Array, turn: float) -> float:
    """Return the robust misfit of y = a + b x + c x^2 + d x^4 with y along `turn`."""
    c, s = np.cos(turn), np.sin(turn)
    y = plane @ np.array([c, s])
    x = plane @ np.array([s, -c])
    basis = np.column_stack([np.ones_like(x), x, x**2, x**4])
    w = weights.copy()
    coefficients = np.zeros(4)
    residual = y
    for _ in range(4):
        weighted = basis * w[:, None]
        coefficients = np.linalg.solve(weighted.T @ basis, weighted.T @ y)
        residual = y - basis @ coefficients
        w = weights / (1.0 + (residual / 0.2) ** 2)
    edge = np.quantile(np.abs(x), 0.95)
    drop = coefficients[2] * edge**2 + coefficients[3] * edge**4
    if drop > -0.3:
        return np.inf
    # Distance across the curve, not along y: the branches of the horseshoe are steep.
    slope = coefficients[1] + 2 * coefficients[2] * x + 4 * coefficients[3] * x**3
    across = residual / np.sqrt(1.0 + slope**2)
    return float(np.average(np.minimum(np.abs(across), 0.5), weights=weights))


def _parabola_minimum(turns: Float64Array, misfits: Float64Array, best: int) -> float:
    n = len(turns)
    left, mid, right = misfits[(best - 1) % n], misfits[best], misfits[(best + 1) % n]
    bend = left - 2 * mid + right
    step = 2 * np.pi / n
    if not np.isfinite(bend) or bend <= 0:
        return float(turns[best])
    return float(turns[best] + step * np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


def _check_overlap(
    up: _Pieces,
    low: _Pieces,
    orientation: ArchOrientation,
    meshes: tuple[TriangleMesh, TriangleMesh],
    T_upper_lower: RigidTransform | None,
) -> None:
    """Refuse a pair whose upper arch lies inside the lower, unless the teeth's widths speak for it.

    In a natural bite the upper teeth stand outside the lower ones: overjet in front 2 to 3 mm
    (common practice), buccal cusps at the sides. Exchanged arches show the reverse; so does a rare
    natural bite, but its upper incisors are still wider than its lower ones.
    """
    overlap = _outline(up, orientation, 1.0) - _outline(low, orientation, -1.0)
    middle = np.abs(_SECTORS_DEG + 5.0)
    front = overlap[(middle < 40) & np.isfinite(overlap)]
    around = overlap[(middle < 100) & np.isfinite(overlap)]
    if len(front) < 4 or len(around) < 10:
        return
    if np.median(front) > -0.5 or np.mean(around < -0.2) < 0.7:
        return
    if _widths_speak_for_it(orientation, meshes, T_upper_lower):
        return
    raise InputError(
        f"arches: the upper arch lies inside the lower by {-float(np.median(front)):.1f} mm in "
        f"front and {-float(np.median(around)):.1f} mm around, and its teeth have not the widths "
        "of upper teeth, as when the upper and lower scans are exchanged: check which file is which"
    )


def _widths_speak_for_it(
    orientation: ArchOrientation,
    meshes: tuple[TriangleMesh, TriangleMesh],
    T_upper_lower: RigidTransform | None,
) -> bool:
    """Whether the rows fit the handbook's widths clearly better as given than exchanged."""
    T_lower_upper = (T_upper_lower or RigidTransform.identity()).inverse()
    try:
        given, exchanged = (
            row_cost(meshes[0], orientation, is_upper=True, named_upper=first)
            + row_cost(
                meshes[1], orientation.transformed(T_lower_upper), is_upper=False,
                named_upper=not first,
            )
            for first in (True, False)
        )  # fmt: skip
    except DegenerateProblem:
        return False
    return given < exchanged - 3.0


_SECTORS_DEG = np.arange(-120.0, 120.0, 10.0)
_CROWN_MM = 7.0


def _outline(pieces: _Pieces, orientation: ArchOrientation, sign: float) -> Float64Array:
    """Return the outer radius of the crowns in each sector about the middle; NaN where unseen."""
    q = orientation.to_patient(pieces.points)
    q = q[(sign * q[:, 2] > -2.0) & (sign * q[:, 2] < _CROWN_MM)]
    angle = np.rad2deg(np.arctan2(q[:, 0], q[:, 1]))
    radius = np.hypot(q[:, 0], q[:, 1])
    outline = np.full(len(_SECTORS_DEG), np.nan)
    for k, start in enumerate(_SECTORS_DEG):
        inside = (angle >= start) & (angle < start + 10.0)
        if inside.sum() > 20:
            outline[k] = np.quantile(radius[inside], 0.95)
    return outline
