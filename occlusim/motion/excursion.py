"""Tooth-guided excursions: at every step the jaw closes until the teeth carry the light load.

The condyles' path gives each step's suspension; contact gives the three freedoms that are left.
Between solved steps they are interpolated; steps are added where a solved midpoint disagrees with
the interpolation, so that the path is continuous to the stated tolerance: a facet's edge bends it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from occlusim.arrays import Float64Array, frozen
from occlusim.contact.foundation import near_part
from occlusim.errors import DegenerateProblem, InputError, NotConverged
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import ClosureSettings, Opposition
from occlusim.motion.equilibrium import Equilibrium, Side, balance
from occlusim.motion.linear_jaw import LEVER_MM, Statics
from occlusim.motion.suspension import Suspension

TRUSTED_STEP_MM = 1e-3
"""A closure's last step that a path takes unasked: see `ClosureSettings`."""


LEAST_STEPS = 3
"""A path may end before a step without an equilibrium, but not before this one."""


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
    them; freedom (n, 3) of the suspension solved there; rest (m,): the equilibria at the steps.
    ended_by: in words, why the path is shorter than was asked for; None where it is not.
    """

    name: str
    step_mm: Float64Array
    parameter_mm: Float64Array
    freedom: Float64Array
    suspension_at: Callable[[float], Suspension]
    rest: tuple[Equilibrium, ...]
    worst_residual_N: float
    ended_by: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "step_mm", frozen(self.step_mm, np.float64))
        object.__setattr__(self, "parameter_mm", frozen(self.parameter_mm, np.float64))
        object.__setattr__(self, "freedom", frozen(self.freedom, np.float64))

    def freedom_at(self, parameter_mm: Float64Array) -> Float64Array:
        """Return the freedom (m, 3), interpolated between the solved steps."""
        if len(self.parameter_mm) == 1:
            return np.repeat(self.freedom, len(parameter_mm), axis=0)
        return PchipInterpolator(self.parameter_mm, self.freedom)(parameter_mm)

    def poses(self, parameter_mm: Float64Array) -> list[RigidTransform]:
        """Return T_upper_lower at parameters (m,) within the path."""
        parameter_mm = np.atleast_1d(np.asarray(parameter_mm, dtype=np.float64))
        return [
            self.suspension_at(float(s)).pose(freedom)
            for s, freedom in zip(parameter_mm, self.freedom_at(parameter_mm), strict=True)
        ]


class Windows:
    """The faces near contact around a pose, found again where the jaw has not been yet.

    Only these are looked at, so a step costs what it touches and not what a scan holds.
    """

    def __init__(
        self, oppositions: tuple[Opposition, ...], reach_mm: float, within_mm: float = np.inf
    ) -> None:
        self._whole = oppositions
        self._laid: list[tuple[RigidTransform, tuple[Side, ...]]] = []
        # A point so near has a node of the band beside it.
        seen_mm = min(o.field.sdf.band_mm - o.field.sdf.voxel_mm for o in oppositions)
        self._within_mm = min(seen_mm, within_mm)
        self._corners = [o.body.corners for o in oppositions]
        self._slack_mm = self._within_mm - reach_mm

    def around(self, pose: RigidTransform) -> tuple[RigidTransform, tuple[Side, ...]]:
        """Return a pose not far off and the oppositions of the faces near it, which hold here."""
        for anchor, near in reversed(self._laid):
            if self._apart_mm(anchor, pose) <= 0.5 * self._slack_mm:
                return anchor, near
        near = tuple(Side(nearby(o, pose, self._within_mm)) for o in self._whole)
        self._laid.append((pose, near))
        return pose, near

    def holds(self, anchor: RigidTransform, found: Equilibrium) -> bool:
        """Return whether the faces near one pose still hold all within reach at an equilibrium."""
        ways = [float(np.linalg.norm(way)) for way in found.yielded.values()]
        given_mm = 2.0 * max(ways, default=0.0)
        return self._apart_mm(anchor, found.T_upper_lower) + given_mm <= self._slack_mm

    def _apart_mm(self, anchor: RigidTransform, pose: RigidTransform) -> float:
        """Return the most that a point of a body lies apart at two poses."""
        most = 0.0
        for o, corners in zip(self._whole, self._corners, strict=True):
            apart = o.T_field_body(pose).apply(corners) - o.T_field_body(anchor).apply(corners)
            most = max(most, float(np.linalg.norm(apart, axis=1).max()))
        return most


def nearby(opposition: Opposition, pose: RigidTransform, within_mm: float) -> Opposition:
    """Return an opposition with those faces of its body alone that lie near at T_upper_lower."""
    o = opposition
    return replace(o, body=near_part(o.field, o.body, o.T_field_body(pose), within_mm))


def follow(  # noqa: PLR0913
    name: str,
    suspension_at: Callable[[float], Suspension],
    oppositions: Sequence[Opposition],
    load_N: float,
    statics: Statics,
    closure: ClosureSettings,
    settings: ExcursionSettings,
    *,
    start: Equilibrium | None = None,
    start_rad: float = 0.0,
    may_end: bool = False,
) -> GuidedPath:
    """Return the path on which the teeth carry `load_N` at every step.

    Parameters
    ----------
    name
        The movement.
    suspension_at
        Gives the jaw's freedoms at a parameter in mm; 0 is the recorded bite.
    oppositions, load_N, statics, closure
        As for `balance`.
    settings
        Step, length, tolerance of the interpolation.
    start, start_rad
        The equilibrium at parameter 0, or the opening to begin the search for it.
    may_end
        Where a step has no equilibrium, end the path before it, if a few steps have one.

    Raises
    ------
    NotConverged, DegenerateProblem
        As `balance`.
    """
    solved: dict[float, Equilibrium] = {}
    closure = replace(closure, trusted_step_mm=TRUSTED_STEP_MM)
    windows = Windows(tuple(oppositions), statics.foundation.reach_mm)

    def solve(s: float, near: Equilibrium | None, guess: Float64Array) -> Float64Array:
        if s not in solved:
            suspension = suspension_at(s)
            begin = None if near is None else replace(near, freedom=guess)
            anchor, windowed = windows.around(suspension.pose(guess))
            found = balance(
                suspension, windowed, load_N, statics, closure,
                start=begin, start_rad=guess[0], is_brief=True,
            )  # fmt: skip
            if not windows.holds(anchor, found):
                found = balance(
                    suspension, oppositions, load_N, statics, closure,
                    start=found, is_brief=True,
                )  # fmt: skip
            solved[s] = found
        return solved[s].freedom

    n_steps = max(1, round(settings.length_mm / settings.step_mm))
    end_mm = -settings.length_mm if settings.is_backward else settings.length_mm
    grid = np.linspace(0.0, end_mm, n_steps + 1)
    last = start
    ahead = _Ahead(np.array([start_rad, 0.0, 0.0]) if start is None else start.freedom)
    ended_by = None
    for k, s in enumerate(grid):
        try:
            ahead.follow(solve(float(s), last, ahead.guess))
        except (DegenerateProblem, NotConverged) as error:
            if not may_end or k < LEAST_STEPS:
                raise
            grid, ended_by = grid[:k], str(error)
            break
        last = solved[float(s)]
    grid = np.sort(grid)
    _refine(list(grid), solve, solved, closure, settings)
    knots = np.array(sorted(solved))
    return GuidedPath(
        name,
        grid,
        knots,
        np.array([solved[s].freedom for s in knots]),
        suspension_at,
        tuple(solved[float(s)] for s in grid),
        max(abs(c.support_N - c.load_N) for c in solved.values()),
        ended_by,
    )


class _Ahead:
    """Where even steps lead next: along a straight line or a parabola, as was right last time."""

    def __init__(self, guess: Float64Array) -> None:
        self.guess = guess
        self._guesses = (guess,)
        self._known: list[Float64Array] = []

    def follow(self, found: Float64Array) -> None:
        """Learn the freedom (3,) found at a step, and guess that of the next one."""
        off = [np.abs(guess - found) @ [LEVER_MM, 1.0, 1.0] for guess in self._guesses]
        best = int(np.argmin(off))
        self._known = [*self._known[-2:], found]
        guesses = [found]
        if len(self._known) > 1:
            guesses.append(2.0 * found - self._known[-2])
        if len(self._known) > 2:
            guesses.append(3.0 * (found - self._known[-2]) + self._known[-3])
        # One that was not tried yet follows the one below it.
        self.guess = guesses[-1 if best == len(self._guesses) - 1 else max(best, 1)]
        self._guesses = tuple(guesses)


def _refine(
    grid: list[float],
    solve: Callable[..., Float64Array],
    solved: dict[float, Equilibrium],
    closure: ClosureSettings,
    settings: ExcursionSettings,
) -> None:
    """Add solved midpoints until the interpolation holds, `max_depth` halvings at most."""
    in_mm = np.array([closure.lever_mm, 1.0, 1.0])
    freedoms = np.array([solved[s].freedom for s in grid]) * in_mm
    trusted = left_out_error(np.array(grid), freedoms)
    waiting = [
        (grid[i], grid[i + 1], 1)
        for i in reversed(range(len(grid) - 1))
        if max(trusted[i], trusted[i + 1]) > settings.interpolation_mm
    ]
    while waiting:
        a, b, depth = waiting.pop()
        knots = np.array(sorted(solved))
        between = PchipInterpolator(knots, [solved[s].freedom for s in knots])
        middle = 0.5 * (a + b)
        guess = between(middle)
        error_mm = float(np.abs((solve(middle, solved[a], guess) - guess) * in_mm).max())
        if error_mm > settings.interpolation_mm and depth < settings.max_depth:
            waiting += [(middle, b, depth + 1), (a, middle, depth + 1)]


def left_out_error(knots: Float64Array, values: Float64Array) -> Float64Array:
    """Return how far each inner row (n, k) lies from the interpolation without it; ends infinite.

    Where a bend lies between two even knots, leaving out one or the other of them errs at least
    half as much as the interpolation between them; where the path is smooth, several times as much.
    """
    error = np.full(len(knots), np.inf)
    for k in range(1, len(knots) - 1):
        rest = np.arange(len(knots)) != k
        if rest.sum() == 2:
            share = (knots[k] - knots[k - 1]) / (knots[k + 1] - knots[k - 1])
            guess = (1.0 - share) * values[k - 1] + share * values[k + 1]
        else:
            guess = PchipInterpolator(knots[rest], values[rest])(knots[k])
        error[k] = float(np.abs(values[k] - guess).max())
    return error
