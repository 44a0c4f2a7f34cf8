"""The crown's continuous path in front of its antagonist, and the table that stands for it.

A movement comes as poses at any parameter. The sweep needs them as a table that may be read by
linear interpolation, so the table is split until a chord is short and until the true pose in the
middle of every interval agrees with the interpolated one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array, frozen
from occlusim.errors import InputError

SHORTEST_INTERVAL_MM = 1e-4
MOST_SPLITS = 16


@dataclass(frozen=True, slots=True)
class CrownPath:
    """One movement of the crown in its antagonist's frame, continuous between its knots.

    Attributes
    ----------
    name : str
        `centric`, `protrusion`, `laterotrusion_right`, ...
    parameter_mm : (n,)
        Knots, with |s| increasing; one knot stands for a resting pose.
    poses : callable
        (m,) parameters to rotations (m, 3, 3) and translations (m, 3) of T_antagonist_crown.
    wanted_gap_mm : callable
        (m,) parameters to the wanted gap (m,), mm.
    """

    name: str
    parameter_mm: Float64Array
    poses: Callable[[Float64Array], tuple[Float64Array, Float64Array]]
    wanted_gap_mm: Callable[[Float64Array], Float64Array]

    def __post_init__(self) -> None:
        knots = frozen(self.parameter_mm, np.float64)
        if knots.ndim != 1 or len(knots) == 0 or not np.isfinite(knots).all():
            raise InputError(f"path {self.name}: finite knots (n,) with n > 0 wanted")
        steps = np.diff(knots)
        if not (np.all(steps > 0) or np.all(steps < 0)):
            raise InputError(f"path {self.name}: knots are not strictly monotone")
        object.__setattr__(self, "parameter_mm", knots)


@dataclass(frozen=True, slots=True)
class PathTable:
    """Poses of all movements, one after the other, to be read by linear interpolation.

    Attributes
    ----------
    names : tuple of str
        The M movements.
    start : (M + 1,)
        Movement k owns the rows start[k] to start[k + 1].
    parameter_mm, wanted_mm : (N,)
        Parameter and wanted gap of each row.
    rotations : (N, 3, 3)
    translations : (N, 3), mm
    """

    names: tuple[str, ...]
    start: Int64Array
    parameter_mm: Float64Array
    wanted_mm: Float64Array
    rotations: Float64Array
    translations: Float64Array

    def inverse(self) -> PathTable:
        """Return the table of T_crown_antagonist with the same wanted gaps."""
        rotations = np.ascontiguousarray(np.swapaxes(self.rotations, 1, 2))
        translations = -np.einsum("nij,nj->ni", rotations, self.translations)
        return PathTable(
            self.names, self.start, self.parameter_mm, self.wanted_mm, rotations, translations
        )

    def travel_mm(self, points: Float64Array, margin_mm: float = 0.0) -> Float64Array:
        """Return a sum (N,), mm: no point's gap less its wanted gap changes more between two rows.

        Points (n, 3) may leave their bounding box by the margin. Chords between neighbouring rows
        and changes of the wanted gap, added up; what lies between two movements counts for nothing.
        """
        placed = _placed(_corners(points, margin_mm), self.rotations, self.translations)
        step = np.linalg.norm(np.diff(placed, axis=0), axis=2).max(axis=1)
        return np.concatenate([[0.0], np.cumsum(step + np.abs(np.diff(self.wanted_mm)))])

    def parameter_at(self, row: Float64Array) -> Float64Array:
        """Return the parameter (n,) at fractional rows (n,); NaN stays NaN."""
        return _between(self.parameter_mm, row)

    def wanted_at(self, row: Float64Array) -> Float64Array:
        """Return the wanted gap (n,), mm, at fractional rows (n,)."""
        return _between(self.wanted_mm, row)

    def pose_at(self, row: float) -> tuple[Float64Array, Float64Array]:
        """Return rotation (3, 3) and translation (3,) at one fractional row."""
        rotation, translation = self.poses_at(np.array([row], dtype=np.float64))
        return rotation[0], translation[0]

    def poses_at(self, row: Float64Array) -> tuple[Float64Array, Float64Array]:
        """Return rotations (n, 3, 3) and translations (n, 3) at fractional rows (n,)."""
        last = len(self.wanted_mm) - 1
        low = np.clip(np.floor(row).astype(np.int64), 0, last)
        high, u = np.minimum(low + 1, last), (row - low)[:, None]
        return (
            (1 - u)[:, None] * self.rotations[low] + u[:, None] * self.rotations[high],
            (1 - u) * self.translations[low] + u * self.translations[high],
        )


def _between(values: Float64Array, row: Float64Array) -> Float64Array:
    last = len(values) - 1
    known = np.isfinite(row)
    safe = np.where(known, row, 0.0)
    low = np.clip(np.floor(safe).astype(np.int64), 0, last)
    high = np.minimum(low + 1, last)
    u = safe - low
    return np.where(known, (1 - u) * values[low] + u * values[high], np.nan)


@dataclass(frozen=True, slots=True)
class TableSettings:
    """How finely a path is tabulated: longest chord, and the error of interpolation allowed."""

    chord_mm: float = 0.05
    error_mm: float = 1e-4


def tabulate(
    paths: Sequence[CrownPath], points: Float64Array, settings: TableSettings | None = None
) -> PathTable:
    """Return the table of some movements for a crown.

    Parameters
    ----------
    paths : sequence of CrownPath
        Their order does not matter for any result but the order of columns.
    points : (n, 3), mm
        The crown's vertices; only their bounding box is used.
    settings : TableSettings

    Raises
    ------
    InputError
        If there is no path, two share a name, or a pose or wanted gap is not finite.

    Notes
    -----
    Intervals are halved until no corner of the crown's bounding box moves further than `chord_mm`
    within one and the true pose and wanted gap at its middle agree with linear interpolation
    within `error_mm`. A jump in the path stops the halving at 0.1 um of parameter.
    """
    if not paths:
        raise InputError("paths: at least one movement is wanted")
    names = tuple(path.name for path in paths)
    if len(set(names)) != len(names):
        raise InputError(f"paths: the names {', '.join(names)} are not all different")
    rule = settings or TableSettings()
    corners = _corners(points)
    parts = [_tabulate_one(path, corners, rule) for path in paths]
    lengths = [len(part[0]) for part in parts]
    parameter, rotations, translations, wanted = (
        np.ascontiguousarray(np.concatenate([part[k] for part in parts])) for k in range(4)
    )
    start = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    return PathTable(names, start, parameter, wanted, rotations, translations)


def _corners(points: Float64Array, margin_mm: float = 0.0) -> Float64Array:
    low, high = points.min(axis=0) - margin_mm, points.max(axis=0) + margin_mm
    picks = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T
    return np.where(picks == 0, low, high).astype(np.float64)


def _evaluate(
    path: CrownPath, parameter: Float64Array
) -> tuple[Float64Array, Float64Array, Float64Array]:
    rotations, translations = path.poses(parameter)
    wanted = np.broadcast_to(np.asarray(path.wanted_gap_mm(parameter), float), parameter.shape)
    rotations = np.asarray(rotations, dtype=np.float64).reshape(len(parameter), 3, 3)
    translations = np.asarray(translations, dtype=np.float64).reshape(len(parameter), 3)
    finite = np.isfinite(rotations).all() and np.isfinite(translations).all()
    if not (finite and np.isfinite(wanted).all()):
        raise InputError(f"path {path.name}: a pose or a wanted gap is not finite")
    return rotations, translations, np.array(wanted)


def _needs_split(
    corners: Float64Array,
    rows: Int64Array,
    ends: tuple[Float64Array, Float64Array, Float64Array],
    middle: tuple[Float64Array, Float64Array, Float64Array],
    rule: TableSettings,
) -> BoolArray:
    """Return which intervals (k,), each from a row of the ends to the next, are to be halved."""
    low, high = (_placed(corners, ends[0][at], ends[1][at]) for at in (rows, rows + 1))
    at_middle = _placed(corners, middle[0], middle[1])
    chord = np.linalg.norm(high - low, axis=2).max(axis=1)
    error = np.linalg.norm(at_middle - 0.5 * (high + low), axis=2).max(axis=1)
    wanted_error = np.abs(middle[2] - 0.5 * (ends[2][rows + 1] + ends[2][rows]))
    return (chord > rule.chord_mm) | (error > rule.error_mm) | (wanted_error > rule.error_mm)


def _placed(
    corners: Float64Array, rotations: Float64Array, translations: Float64Array
) -> Float64Array:
    """Return corners (8, 3) at some poses: (n, 8, 3)."""
    return corners @ np.swapaxes(rotations, 1, 2) + translations[:, None]


def _tabulate_one(
    path: CrownPath, corners: Float64Array, rule: TableSettings
) -> tuple[Float64Array, Float64Array, Float64Array, Float64Array]:
    parameter = path.parameter_mm
    ends = _evaluate(path, parameter)
    if len(parameter) == 1:
        return parameter, ends[0], ends[1], ends[2]
    settled = np.zeros(len(parameter) - 1, dtype=bool)
    for _ in range(MOST_SPLITS):
        open_ = np.flatnonzero(~settled & (np.abs(np.diff(parameter)) > SHORTEST_INTERVAL_MM))
        if len(open_) == 0:
            break
        middle = 0.5 * (parameter[open_] + parameter[open_ + 1])
        values = _evaluate(path, middle)
        split = _needs_split(corners, open_, ends, values, rule)
        settled[open_[~split]] = True
        at = open_[split] + 1
        parameter = np.insert(parameter, at, middle[split])
        ends = (
            np.insert(ends[0], at, values[0][split], axis=0),
            np.insert(ends[1], at, values[1][split], axis=0),
            np.insert(ends[2], at, values[2][split]),
        )
        settled = np.insert(settled, at, False)
        settled[at + np.arange(len(at)) - 1] = False
    return parameter, ends[0], ends[1], ends[2]
