"""The jaw's movements in the results: where the incisal point and the condyles go.

Everything is read from the poses of the paths that the natural teeth guide, so it holds however
a path was found. The border figure adds what the rigid guidance implies: opening on the hinge from
the end of each movement. It is no measurement of border movements: muscles, ligaments and soft
tissue set the real limits, and beyond a rotation of about 20 mm the condyles glide forward.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame
from occlusim.jaw.movements import RETRUSIVE_SLIDE
from occlusim.jaw.pose import condyle_positions, motion_in_jaw, opening_angle
from occlusim.motion.excursion import GuidedPath
from occlusim.pipeline.retruded import Retruded
from occlusim.pipeline.units import numbers

HINGE_OPENING_MM = 20.0
"""Opening by rotation alone, up to about 20 mm: Posselt 1957, J Prosthet Dent (from memory).

Measured here as the distance of the lower incisal point from its place at the end of the movement:
the upper incisor is no landmark of the mounting, and overbite is left out.
"""

OPENING_STEPS = 21


def motion_part(
    frame: JawFrame,
    T_upper_lower: RigidTransform,
    paths: Sequence[GuidedPath],
    retruded: Retruded | None,
) -> dict[str, Any]:
    """Return the motion's part of the results.

    Parameters
    ----------
    frame
        The jaw frame.
    T_upper_lower
        The recorded bite, from which displacements and openings count.
    paths
        The movements guided by the natural teeth, closure among them.
    retruded
        The retruded record, if the case has one.
    """
    part: dict[str, Any] = {
        "incisal_jaw_mm": numbers(frame.incisal_jaw),
        "movements": [_movement(frame, T_upper_lower, path) for path in paths],
        "border": _border(frame, T_upper_lower, paths),
    }
    if retruded is not None:
        part["slide"] = retruded.part() | _slide(frame, T_upper_lower, paths)
    return part


def _movement(frame: JawFrame, recorded: RigidTransform, path: GuidedPath) -> dict[str, Any]:
    poses = path.poses(path.step_mm)
    incisal = _incisal(frame, recorded, poses)
    condyles = np.array([condyle_positions(frame, pose, recorded) for pose in poses])
    opening = np.array([opening_angle(frame, pose, recorded) for pose in poses])
    return {
        "name": path.name,
        "parameter_mm": numbers(path.step_mm),
        "incisal_jaw_mm": numbers(incisal),
        "right_condyle_jaw_mm": numbers(condyles[:, 0]),
        "left_condyle_jaw_mm": numbers(condyles[:, 1]),
        "incisal_displacement_mm": numbers(np.linalg.norm(incisal - frame.incisal_jaw, axis=1)),
        "opening_deg": numbers(np.rad2deg(opening)),
    }


def _incisal(
    frame: JawFrame, recorded: RigidTransform, poses: Sequence[RigidTransform]
) -> Float64Array:
    """Return the lower incisal point at some poses, (n, 3), mm, jaw frame."""
    at = frame.incisal_jaw
    return np.array([motion_in_jaw(frame, pose, recorded).apply(at) for pose in poses])


def _border(
    frame: JawFrame, recorded: RigidTransform, paths: Sequence[GuidedPath]
) -> dict[str, Any]:
    opening_mm = np.linspace(0.0, HINGE_OPENING_MM, OPENING_STEPS)
    return {
        "opening_mm": numbers(opening_mm),
        "arcs": [
            {
                "name": path.name,
                "incisal_jaw_mm": numbers(
                    opening_arc(frame, recorded, _end(path, farthest=True), opening_mm)
                ),
            }
            for path in paths
        ],
    }


def _end(path: GuidedPath, *, farthest: bool) -> RigidTransform:
    """Return the pose at the end of a path that is farthest from closure, or nearest to it."""
    order = np.argsort(np.abs(path.step_mm))
    return path.poses(path.step_mm[[order[-1 if farthest else 0]]])[0]


def opening_arc(
    frame: JawFrame,
    T_upper_lower_recorded: RigidTransform,
    T_upper_lower: RigidTransform,
    opening_mm: Float64Array,
) -> Float64Array:
    """Return the lower incisal point as the jaw opens on its hinge, (n, 3), mm, jaw frame.

    Parameters
    ----------
    frame
        The jaw frame.
    T_upper_lower_recorded
        The recorded bite.
    T_upper_lower
        The pose that the jaw opens from; its condyles stay where they are.
    opening_mm : (n,)
        How far the incisal point has moved, in a straight line: 2 r sin(angle / 2), where r is its
        distance from the axis.
    """
    right, left = condyle_positions(frame, T_upper_lower, T_upper_lower_recorded)
    start = motion_in_jaw(frame, T_upper_lower, T_upper_lower_recorded).apply(frame.incisal_jaw)
    axis = (right - left) / np.linalg.norm(right - left)
    foot = left + ((start - left) @ axis) * axis
    radius_mm = float(np.linalg.norm(start - foot))
    angles = 2.0 * np.arcsin(np.asarray(opening_mm, dtype=np.float64) / (2.0 * radius_mm))
    turns = [RigidTransform.rotation_about(foot, axis, -float(angle)) for angle in angles]
    return np.array([turn.apply(start) for turn in turns])


def _slide(
    frame: JawFrame, recorded: RigidTransform, paths: Sequence[GuidedPath]
) -> dict[str, Any]:
    """Return how the incisal point goes from the retruded contact to the intercuspal one."""
    path = next((path for path in paths if path.name == RETRUSIVE_SLIDE), None)
    if path is None:
        return dict.fromkeys(("length_mm", "forward_mm", "right_mm", "up_mm"))
    ends = [_end(path, farthest=True), _end(path, farthest=False)]
    start, end = _incisal(frame, recorded, ends)
    right, forward, up = (end - start).tolist()
    return {
        "length_mm": float(np.linalg.norm(end - start)),
        "forward_mm": forward,
        "right_mm": right,
        "up_mm": up,
    }
