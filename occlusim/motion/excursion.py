"""Tooth-guided excursions: at every step the jaw closes until the teeth carry the light load.

The condyles' path gives each step's hinge; contact gives the rotation about it. Between solved
steps the rotation is interpolated; steps are added where a solved midpoint disagrees with the
interpolation, so that the path is continuous to the stated tolerance: a facet's edge bends it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from occlusim.arrays import Float64Array, frozen
from occlusim.contact.foundation import FoundationSettings
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Closure, ClosureSettings, Opposition, close_to_load
from occlusim.motion.hinge import Hinge


@dataclass(frozen=True, slots=True)
class ExcursionSettings:
    """Step and length of a path, and how well the interpolation must hold between steps."""

    step_mm: float = 0.1
    length_mm: float = 5.0
    interpolation_mm: float = 5e-4
    max_depth: int = 2

    def __post_init__(self) -> None:
        if not 0.01 <= self.step_mm <= self.length_mm:
            raise InputError(
                f"excursion: step {self.step_mm} mm and length {self.length_mm} mm given; the "
                "step must be 0.01 mm or more and no longer than the path"
            )


@dataclass(frozen=True, slots=True)
class GuidedPath:
    """A movement guided by the teeth: parameter_mm (n,) knots, opening_rad (n,) solved there."""

    name: str
    parameter_mm: Float64Array
    opening_rad: Float64Array
    hinge_at: Callable[[float], Hinge]
    worst_residual_N: float

    def __post_init__(self) -> None:
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


def follow(
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
) -> GuidedPath:  # noqa: PLR0913
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

    def solve(s: float, guess: float) -> float:
        if s not in solved:
            solved[s] = close_to_load(
                hinge_at(s), oppositions, superior, load_N, foundation, closure, start_rad=guess
            )
        return solved[s].opening_rad

    n_steps = max(1, round(settings.length_mm / settings.step_mm))
    grid = np.linspace(0.0, settings.length_mm, n_steps + 1)
    previous, slope = start_rad, 0.0
    for i, s in enumerate(grid):
        now = solve(float(s), previous + slope)
        slope = now - previous if i else 0.0
        previous = now
    _refine(list(grid), solve, solved, closure, settings)
    knots = np.array(sorted(solved))
    return GuidedPath(
        name,
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
    intervals = [(grid[i], grid[i + 1]) for i in range(len(grid) - 1)]
    for _ in range(settings.max_depth):
        knots = np.array(sorted(solved))
        between = PchipInterpolator(knots, [solved[s].opening_rad for s in knots])
        doubtful = []
        for a, b in intervals:
            middle = 0.5 * (a + b)
            guess = float(between(middle))
            error_mm = abs(solve(middle, guess) - guess) * closure.lever_mm
            if error_mm > settings.interpolation_mm:
                doubtful += [(a, middle), (middle, b)]
        intervals = doubtful
