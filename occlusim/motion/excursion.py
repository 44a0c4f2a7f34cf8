"""Tooth-guided excursions: at every step the jaw closes until the teeth carry the light load.

The condyles' path gives each step's hinge; contact gives the rotation about it. Between solved
steps the rotation is interpolated; steps are added where a solved midpoint disagrees with the
interpolation, so that the path is continuous to the stated tolerance: a facet's edge bends it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from occlusim.arrays import Float64Array, frozen
from occlusim.contact.foundation import FoundationSettings, near_part
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Closure, ClosureSettings, Opposition, close_to_load
from occlusim.motion.hinge import Hinge

TRUSTED_STEP_MM = 1e-3
"""A closure's last step that a path takes unasked: see `ClosureSettings`."""


@dataclass(frozen=True, slots=True)
class ExcursionSettings:
    """Step and length of a path, and how well the interpolation must hold between steps.

    interpolation_mm holds at the lever of the closure's settings, that of the incisors. A path
    that is_backward runs from 0 to -length_mm.
    """

    step_mm: float = 0.1
    length_mm: float = 5.0
    interpolation_mm: float = 5e-4
    max_depth: int = 3
    is_backward: bool = False

    def __post_init__(self) -> None:
        if not 0.01 <= self.step_mm <= self.length_mm:
            raise InputError(
                f"excursion: step {self.step_mm} mm and length {self.length_mm} mm given; the "
                "step must be 0.01 mm or more and no longer than the path"
            )


@dataclass(frozen=True, slots=True)
class GuidedPath:
    """A movement guided by the teeth.

    step_mm (m,): the even steps asked for; parameter_mm (n,): all solved knots, the steps among
    them; opening_rad (n,) solved there.
    """

    name: str
    step_mm: Float64Array
    parameter_mm: Float64Array
    opening_rad: Float64Array
    hinge_at: Callable[[float], Hinge]
    worst_residual_N: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "step_mm", frozen(self.step_mm, np.float64))
        object.__setattr__(self, "parameter_mm", frozen(self.parameter_mm, np.float64))
        object.__setattr__(self, "opening_rad", frozen(self.opening_rad, np.float64))

    def opening_at(self, parameter_mm: Float64Array) -> Float64Array:
        """Return the opening (m,), rad, interpolated between the solved steps."""
        if len(self.parameter_mm) == 1:
            return np.full(len(parameter_mm), self.opening_rad[0])
        return PchipInterpolator(self.parameter_mm, self.opening_rad)(parameter_mm)

    def poses(self, parameter_mm: Float64Array) -> list[RigidTransform]:
        """Return T_upper_lower at parameters (m,) within the path."""
        parameter_mm = np.atleast_1d(np.asarray(parameter_mm, dtype=np.float64))
        openings = self.opening_at(parameter_mm)
        return [
            self.hinge_at(float(s)).pose(float(o))
            for s, o in zip(parameter_mm, openings, strict=True)
        ]


class _Windows:
    """The faces near contact around a pose, found again where the jaw has not been yet.

    Only these are looked at, so a step costs what it touches and not what a scan holds.
    """

    def __init__(self, oppositions: tuple[Opposition, ...], reach_mm: float) -> None:
        self._whole = oppositions
        self._laid: list[tuple[RigidTransform, tuple[Opposition, ...]]] = []
        # A point so near has a node of the band beside it.
        self._within_mm = min(o.field.sdf.band_mm - o.field.sdf.voxel_mm for o in oppositions)
        self._corners = [o.body.corners for o in oppositions]
        self._slack_mm = self._within_mm - reach_mm

    def around(self, pose: RigidTransform) -> tuple[RigidTransform, tuple[Opposition, ...]]:
        """Return a pose not far off and the oppositions of the faces near it, which hold here."""
        for anchor, near in reversed(self._laid):
            if self._apart_mm(anchor, pose) <= 0.5 * self._slack_mm:
                return anchor, near
        near = tuple(
            replace(o, body=near_part(o.field, o.body, o.T_field_body(pose), self._within_mm))
            for o in self._whole
        )
        self._laid.append((pose, near))
        return pose, near

    def holds(self, anchor: RigidTransform, pose: RigidTransform) -> bool:
        """Return whether the faces near one pose still hold all within reach at another."""
        return self._apart_mm(anchor, pose) <= self._slack_mm

    def _apart_mm(self, anchor: RigidTransform, pose: RigidTransform) -> float:
        """Return the most that a point of a body lies apart at two poses."""
        most = 0.0
        for o, corners in zip(self._whole, self._corners, strict=True):
            apart = o.T_field_body(pose).apply(corners) - o.T_field_body(anchor).apply(corners)
            most = max(most, float(np.linalg.norm(apart, axis=1).max()))
        return most


def follow(  # noqa: PLR0913
    name: str,
    hinge_at: Callable[[float], Hinge],
    oppositions: Sequence[Opposition],
    superior: Float64Array,
    load_N: float,
    foundation: FoundationSettings,
    closure: ClosureSettings,
    settings: ExcursionSettings,
    *,
    start_rad: float,
) -> GuidedPath:
    """Return the path on which the teeth carry `load_N` at every step.

    Parameters
    ----------
    name
        The movement.
    hinge_at
        Gives the hinge at a parameter in mm; 0 is the recorded bite's hinge.
    oppositions, superior, load_N, foundation, closure
        As for `close_to_load`.
    settings
        Step, length, tolerance of the interpolation.
    start_rad
        Opening of the closure at parameter 0.

    Raises
    ------
    NotConverged, DegenerateProblem
        As `close_to_load`.
    """
    solved: dict[float, Closure] = {}
    closure = replace(closure, trusted_step_mm=TRUSTED_STEP_MM)
    windows = _Windows(tuple(oppositions), foundation.reach_mm)

    def solve(s: float, guess: float) -> float:
        if s not in solved:
            hinge = hinge_at(s)
            anchor, near = windows.around(hinge.pose(guess))
            found = close_to_load(
                hinge, near, superior, load_N, foundation, closure, start_rad=guess
            )
            if not windows.holds(anchor, found.T_upper_lower):
                found = close_to_load(
                    hinge, oppositions, superior, load_N, foundation, closure,
                    start_rad=found.opening_rad,
                )  # fmt: skip
            solved[s] = found
        return solved[s].opening_rad

    n_steps = max(1, round(settings.length_mm / settings.step_mm))
    end_mm = -settings.length_mm if settings.is_backward else settings.length_mm
    grid = np.linspace(0.0, end_mm, n_steps + 1)
    previous, slope = start_rad, 0.0
    for i, s in enumerate(grid):
        now = solve(float(s), previous + slope)
        slope = now - previous if i else 0.0
        previous = now
    grid = np.sort(grid)
    _refine(list(grid), solve, solved, closure, settings)
    knots = np.array(sorted(solved))
    return GuidedPath(
        name,
        grid,
        knots,
        np.array([solved[s].opening_rad for s in knots]),
        hinge_at,
        max(abs(c.support_N - c.load_N) for c in solved.values()),
    )


def _refine(
    grid: list[float],
    solve: Callable[[float, float], float],
    solved: dict[float, Closure],
    closure: ClosureSettings,
    settings: ExcursionSettings,
) -> None:
    """Add solved midpoints until the interpolation holds, `max_depth` halvings at most."""
    openings = np.array([solved[s].opening_rad for s in grid])
    trusted = left_out_error(np.array(grid), openings) * closure.lever_mm
    waiting = [
        (grid[i], grid[i + 1], 1)
        for i in reversed(range(len(grid) - 1))
        if max(trusted[i], trusted[i + 1]) > settings.interpolation_mm
    ]
    while waiting:
        a, b, depth = waiting.pop()
        knots = np.array(sorted(solved))
        between = PchipInterpolator(knots, [solved[s].opening_rad for s in knots])
        middle = 0.5 * (a + b)
        guess = float(between(middle))
        error_mm = abs(solve(middle, guess) - guess) * closure.lever_mm
        if error_mm > settings.interpolation_mm and depth < settings.max_depth:
            waiting += [(middle, b, depth + 1), (a, middle, depth + 1)]


def left_out_error(knots: Float64Array, values: Float64Array) -> Float64Array:
    """Return how far each inner value (n,) lies from the interpolation without it; ends infinite.

    Where a bend lies between two even knots, leaving out one or the other of them errs at least
    half as much as the interpolation between them; where the path is smooth, several times as much.
    """
    error = np.full(len(knots), np.inf)
    for k in range(1, len(knots) - 1):
        rest = np.arange(len(knots)) != k
        if rest.sum() == 2:
            guess = float(np.interp(knots[k], knots[rest], values[rest]))
        else:
            guess = float(PchipInterpolator(knots[rest], values[rest])(knots[k]))
        error[k] = abs(values[k] - guess)
    return error
