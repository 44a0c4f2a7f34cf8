"""Steps of a joint fit: twists that fit matched planes, and what is left after some of them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.registration.matches import PartMatches, Poses
from occlusim.registration.point_to_plane import assemble_moved, move_about

WEIGHTS_SETTLED = 0.01
"""Weights follow the residuals until a step changes by so little of itself: as exact as the
matched planes are."""

FASTEST = 0.5
"""Steps that do not halve are no geometric series."""


@dataclass(frozen=True, slots=True)
class StepSettings:
    """How a step is taken.

    Attributes
    ----------
    damping : float
        Relative to the mean diagonal of the normal equations.
    longest_mm : float
        A longer step is shortened to this.
    n_weights : int
        So often do the robust weights follow the residuals.
    is_near : bool
        Whether the weights are about those of the end.
    """

    damping: float
    longest_mm: float
    n_weights: int = 1
    is_near: bool = False


@dataclass(frozen=True, slots=True)
class Arm:
    """How far the lower scan (`reach_mm`) reaches from its middle (3,), lower frame."""

    middle: Float64Array
    reach_mm: float

    def length_mm(self, twists: Float64Array) -> float:
        """Return how long twists (k, 6) are: the longest turn at the arm's end, or shift."""
        turns = self.reach_mm * np.linalg.norm(twists[:, :3], axis=1)
        return float(max(turns.max(), np.linalg.norm(twists[:, 3:], axis=1).max()))

    def lengths(self, twists: Float64Array) -> Float64Array:
        """Return twists (k, 6) as one vector of lengths (6 k,), turns at the arm's end."""
        return (twists * ([self.reach_mm] * 3 + [1.0] * 3)).ravel()


def fitting_twists(
    parts: Collection[PartMatches], centre: Float64Array, arm: Arm, settings: StepSettings
) -> Float64Array:
    """Return the twists (1 + K, 6) about `centre` that fit the matched planes, lower jaw first.

    The robust weights follow the residuals, which change by their rows meanwhile; nothing is
    matched anew. After the first time, or from the first on where the end is near, by Newton's
    method: it is off by about the share of the cut that its step is long.
    """
    total = np.zeros((1 + len(parts), 6))
    cut_mm = min(part.cut_mm for part in parts)
    for turn in range(settings.n_weights):
        is_newton = settings.is_near or turn > 0
        equations = assemble_moved(parts, centre, total, is_newton=is_newton)
        if is_newton and not equations.is_positive:
            is_newton = False
            equations = assemble_moved(parts, centre, total)
        more = equations.step(arm.reach_mm, settings.damping)
        total += more
        size_mm = arm.length_mm(more)
        left_mm = size_mm * (size_mm / cut_mm if is_newton else 1.0)
        if left_mm <= WEIGHTS_SETTLED * arm.length_mm(total):
            break
    return total * min(1.0, settings.longest_mm / max(arm.length_mm(total), 1e-300))


def after_twists(
    poses: Poses, chosen: Collection[int], twists: Float64Array, centre: Float64Array
) -> Poses:
    """Return the poses after twists (1 + K, 6) of the lower jaw and the chosen bite scans."""
    bites = list(poses.T_upper_bites)
    for twist, k in zip(twists[1:], chosen, strict=True):
        bites[k] = move_about(twist, centre, bites[k])
    return Poses(move_about(twists[0], centre, poses.T_upper_lower), tuple(bites))


def moved_mm(before: Poses, after: Poses, arm: Arm) -> float:
    """Return the largest movement of the lower scan from one pose to another."""
    old, new = (poses.T_upper_lower.apply(arm.middle) for poses in (before, after))
    turn = (after.T_upper_lower @ before.T_upper_lower.inverse()).log()[:3]
    return float(np.linalg.norm(new - old) + np.linalg.norm(turn) * arm.reach_mm)


def with_the_rest(before: Float64Array, last: Float64Array, arm: Arm) -> Float64Array:
    """Return the last twists (k, 6) and all that follow if they shrink as they did (Aitken).

    In the end one direction is the slowest, and steps along it form a geometric series.
    """
    a, b = arm.lengths(before), arm.lengths(last)
    share = float(a @ b) / max(float(a @ a), 1e-300)
    return last / (1.0 - share) if 0.0 < share < FASTEST else last


def still_to_come_mm(steps_mm: list[float]) -> float:
    """Return how far all further steps go together, after steps of these lengths.

    In the end steps shrink by one factor, that of the slowest direction: a geometric series. Its
    factor is taken as the larger of the last two, for the first steps shrink faster; unknown,
    infinite, before three steps and where they do not halve.
    """
    if steps_mm and steps_mm[-1] == 0:
        return 0.0
    if len(steps_mm) < 3:
        return float("inf")
    first, second, last = steps_mm[-3:]
    factor = max(last / second, second / first)
    return last * factor / (1.0 - factor) if factor < FASTEST else float("inf")
