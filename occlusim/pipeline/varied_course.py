"""The crown's least gap along a movement of many varied jaws, by a model of the gap that learns.

Where the condyles are told, the teeth decide the rest: along one movement a gap depends on the
places of the condyles and on the axis alone, so jaws that differ pass near one another. Every pose
that is solved teaches a model of gap and opening over these few coordinates (radial basis
functions); the model says where a jaw's gap is least, that pose is solved, and so on until the
model expects nothing lower. Every gap that is reported is one at a pose that was solved.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import RBFInterpolator

from occlusim.arrays import Float64Array, frozen
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.guidance import condyle_paths
from occlusim.jaw.movements import Movement
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium, balance
from occlusim.motion.excursion import GuidedPath, Windows
from occlusim.motion.suspension import Suspension
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.jaw_run import JawModel

TRUSTED_STEP_MM = 0.02
"""A last step at the incisors that is taken unasked: some 12 um at a molar.

Gaps change linearly over it but for step^2 / (2 r): 0.15 um over a cusp of 0.5 mm radius.
"""

EXACT_STEP_MM = 1e-3
"""The same where a derivative is wanted: below 0.01 um."""

WORTH_MM = 1e-3
"""A place is solved if the gap is expected this much lower there."""

SAME_PLACE_MM = 0.008
MOST_SOLVED = 10
MOST_TAUGHT = 600
"""The model learns from so many poses, the nominal path's among them, then from a jaw's own."""

BLOCK = 24
"""Jaws that are solved side by side; fixed, as they learn from those before."""

OPENED_RAD = 0.02
"""A shift of the axis moves the teeth by about this share of it: a jaw opens by a degree."""

DOUBT = 0.1
MOST_DOUBT_MM = 0.2
"""The model may be wrong by this share of the way to the jaw's nearest solved place, up to here.

Chosen by cost: twice as much takes 40 % longer and lowers one jaw in ten by some micrometres.
"""

SEEDS_MM = (0.4, 0.7, 1.1, 1.6)
SEED_APART_MM = 0.1
SEED_DOUBT_MM = 0.04
"""Places of which the model may be wrong by this, until the jaw was solved near by."""

NEAR_LOW_MM = 0.05
"""The nominal gap is known closely where it is within this of the excursion's least."""

WITHIN_MM = 0.3
"""Faces so near are looked at: like jaws at one place lie within a tenth of a millimetre."""

AGAIN = 2
"""Blocks that are looked at again with what was learned from the later ones."""


@dataclass(frozen=True, slots=True)
class NominalCourse:
    """The crown's gap along the nominal path: gap_mm (m,) at parameter_mm (m,), the start first.

    beyond_mm is where the excursion proper begins.
    """

    path: GuidedPath
    parameter_mm: Float64Array
    gap_mm: Float64Array
    beyond_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "parameter_mm", frozen(self.parameter_mm, np.float64))
        object.__setattr__(self, "gap_mm", frozen(self.gap_mm, np.float64))

    @property
    def name(self) -> Movement:
        """The movement."""
        return self.path.name

    @property
    def length_mm(self) -> float:
        """The path's end."""
        return float(self.path.step_mm[-1])


def places(length_mm: float, beyond_mm: float) -> Float64Array:
    """Return the places (m,), mm, where a gap may be least: close together near the start."""
    near = np.arange(0.04, 0.6, 0.01)
    middle, far = np.arange(0.6, 1.5, 0.05), np.arange(1.5, length_mm, 0.1)
    all_ = np.concatenate([near, middle, far, [beyond_mm, length_mm]])
    all_ = np.unique(all_[all_ <= length_mm])
    return all_[np.append(np.diff(all_) > 1e-6, True)]


def nominal_course(
    pair: CrownAgainst, path: GuidedPath, gap_mm: Float64Array, beyond_mm: float
) -> NominalCourse:
    """Return the course of the nominal path: its steps, and closer together where it is low.

    Parameters
    ----------
    pair
        The crown and its antagonist.
    path
        The guided path.
    gap_mm : (n,)
        The crown's least gap at the path's steps, mm.
    beyond_mm
        Where the excursion proper begins; the path's end where it is shorter.
    """
    steps = path.step_mm
    known = np.isfinite(gap_mm)
    beyond_mm = min(beyond_mm, float(steps[-1]))
    fine = places(float(steps[-1]), beyond_mm)[::2]
    guess = np.interp(fine, steps[known], gap_mm[known])
    low_mm = guess[fine >= beyond_mm].min(initial=np.inf) + NEAR_LOW_MM
    fine = np.append(fine[(guess < low_mm) & (fine > 0.5 * beyond_mm)], beyond_mm)
    fine = np.unique(fine[np.abs(fine[:, None] - steps).min(axis=1) > SAME_PLACE_MM])
    more = pair.least_gaps(path.poses(fine), 2e-4) if len(fine) else np.empty(0)
    at, gap = np.append(steps[known], fine), np.append(gap_mm[known], more)
    order = np.argsort(at)
    at, gap = at[order], gap[order]
    return NominalCourse(path, at[np.isfinite(gap)], gap[np.isfinite(gap)], beyond_mm)


def _solve_step(
    model: JawModel, near: Windows, suspension: Suspension, start: Equilibrium, trusted_mm: float
) -> Equilibrium:
    """Return where the jaw comes to rest at a step under the light load.

    The one place where this module knows how a jaw finds its rest.
    """
    settings = replace(model.closure, trusted_step_mm=trusted_mm)

    def rest(pose: RigidTransform, begin: Equilibrium) -> tuple[RigidTransform, Equilibrium]:
        anchor, sides = near.around(pose)
        found = balance(
            suspension, sides, model.light_N, model.moving, settings, start=begin, is_brief=True
        )
        return anchor, found

    anchor, found = rest(suspension.pose(start.freedom), start)
    if not near.holds(anchor, found):
        _, found = rest(found.T_upper_lower, found)
    return found


class _Jaw:
    """A varied jaw on its way along a movement, and what is known of it."""

    def __init__(self, model: JawModel, nominal: JawModel, movement: Movement) -> None:
        self.suspension = model.suspension_at(movement)
        self.at_mm: list[float] = []
        self.gap_mm: list[float] = []
        self._model, self._nominal = model, nominal
        self._movement: Movement = movement
        middle = 0.5 * (model.frame.right_condyle + model.frame.left_condyle)
        self._shift = nominal.frame.T_jaw_upper.apply(middle)[1:]

    def coordinates(self, s_mm: Float64Array) -> Float64Array:
        """Return what the gap depends on at places (m,): (m, 6), mm.

        How far the condyles have gone: forward; sideways, and how much farther down than the
        nominal ones, right plus left and right less left; and the axis' shift, as teeth feel it.
        """
        usual = condyle_paths(
            self._movement, s_mm, self._nominal.guidance, self._nominal.frame.half_width_mm
        )
        right, left = condyle_paths(
            self._movement, s_mm, self._model.guidance, self._model.frame.half_width_mm
        )
        down = right[:, 2] - usual[0][:, 2], left[:, 2] - usual[1][:, 2]
        sideways = 0.5 * (right[:, 0] + left[:, 0])
        felt = OPENED_RAD * s_mm
        return np.column_stack([
            s_mm, sideways, down[0] + down[1], felt * self._shift[0], felt * self._shift[1],
            down[0] - down[1],
        ])  # fmt: skip

    def is_nominal(self, s_mm: float) -> bool:
        """Return whether the jaw moves as the nominal one does."""
        here = np.array([s_mm])
        usual = _Jaw(self._nominal, self._nominal, self._movement)
        return bool(np.abs(self.coordinates(here) - usual.coordinates(here)).max() < 1e-12)


class _Learned:
    """Gap and opening over the coordinates of a movement, from the poses solved so far."""

    def __init__(self) -> None:
        self._x: list[Float64Array] = []
        self._y: list[tuple[float, float]] = []

    def learn(self, x: Float64Array, gap_mm: float, opening_rad: float) -> None:
        """Take in one solved pose."""
        self._x.append(x)
        self._y.append((gap_mm, opening_rad))

    @property
    def is_full(self) -> bool:
        """Whether enough is known."""
        return len(self._x) >= MOST_TAUGHT

    def model(self, more: _Learned) -> Callable[[Float64Array], Float64Array]:
        """Return gap and opening (m, 2) as a function of coordinates (m, 6)."""
        x = np.array(self._x + more._x)
        y = np.array(self._y + more._y)
        _, first = np.unique(np.round(x, 6), axis=0, return_index=True)
        x, y = x[np.sort(first)], y[np.sort(first)]
        varies = np.ptp(x, axis=0) > 1e-9
        fitted = RBFInterpolator(x[:, varies], y, kernel="linear", degree=0)
        return lambda where: fitted(where[:, varies])


@dataclass(frozen=True, slots=True)
class Leasts:
    """Least gaps (n,), mm, of n varied jaws along a movement.

    least_mm on the path after its start, beyond_mm on the excursion proper; n_solved (n,) poses
    each took.
    """

    least_mm: Float64Array
    beyond_mm: Float64Array
    n_solved: Float64Array


def varied_leasts(
    course: NominalCourse,
    nominal: JawModel,
    models: Sequence[JawModel],
    natural: Opposition,
    pair: CrownAgainst,
    *,
    n_exact: int = 0,
) -> Leasts:
    """Return the crown's least gaps along one movement of some varied jaws.

    Parameters
    ----------
    course
        The nominal path and the gap along it.
    nominal
        The jaw that moves along it.
    models : (n,)
        The varied jaws; one that moves as the nominal one does costs nothing.
    natural
        The natural teeth that guide.
    pair
        The crown and its antagonist.
    n_exact
        So many of the jaws, the first, are solved to a derivative's exactness.

    Raises
    ------
    NotConverged, DegenerateProblem
        As `balance`.
    """
    near = Windows((natural,), nominal.moving.foundation.reach_mm, WITHIN_MM)
    jaws = [_Jaw(model, nominal, course.name) for model in models]
    learned = _Learned()
    usual = _Jaw(nominal, nominal, course.name)
    x = usual.coordinates(course.parameter_mm)
    for k in range(len(x)):
        learned.learn(x[k], course.gap_mm[k], 0.0)
    moving = [jaw for jaw in jaws if not jaw.is_nominal(course.beyond_mm)]
    exact = {id(jaw) for jaw in jaws[:n_exact]}
    blocks = [moving[i : i + BLOCK] for i in range(0, len(moving), BLOCK)]
    # The first ones are looked at again with what was learned from the others.
    for block in (*blocks, *blocks[:AGAIN]):
        _solve_block(course, nominal, block, exact, learned, near, pair)
    return _leasts(course, jaws)


def _solve_block(
    course: NominalCourse,
    nominal: JawModel,
    block: Sequence[_Jaw],
    exact: set[int],
    learned: _Learned,
    near: Windows,
    pair: CrownAgainst,
) -> None:
    """Solve some jaws until the model expects nothing lower, and let it learn from them."""
    s = places(course.length_mm, course.beyond_mm)
    usual = course.path.freedom_at(s)
    own = _Learned()
    along = [jaw.coordinates(s) for jaw in block]
    for _ in range(MOST_SOLVED):
        known = learned.model(own)
        expected = known(np.concatenate(along)).reshape(len(block), len(s), 2)
        solved: list[tuple[_Jaw, RigidTransform, Float64Array, float]] = []
        for jaw, guess, path in zip(block, expected, along, strict=True):
            k = _next_place(course, jaw, s, guess[:, 0])
            if k is None:
                continue
            trusted = EXACT_STEP_MM if id(jaw) in exact else TRUSTED_STEP_MM
            freedom = usual[k] + np.array([guess[k, 1], 0.0, 0.0])
            start = replace(course.path.rest[0], freedom=freedom)
            found = _solve_step(nominal, near, jaw.suspension(float(s[k])), start, trusted)
            jaw.at_mm.append(float(s[k]))
            solved.append((jaw, found.T_upper_lower, path[k], found.opening_rad - usual[k, 0]))
        if not solved:
            break
        # In one call: each pose bounds the next.
        gaps = pair.least_gaps([pose for _, pose, _, _ in solved], 2e-4)
        for (jaw, _, x, opening), gap in zip(solved, gaps, strict=True):
            jaw.gap_mm.append(float(gap) if np.isfinite(gap) else np.inf)
            if np.isfinite(gap):
                (own if learned.is_full else learned).learn(x, float(gap), opening)


def _next_place(
    course: NominalCourse, jaw: _Jaw, s: Float64Array, expected: Float64Array
) -> int | None:
    """Return the place (index) where a jaw's gap is expected lowest and not solved yet, or None."""
    at, gap = np.array(jaw.at_mm), np.array(jaw.gap_mm)
    away = np.abs(s[:, None] - np.append(at, 0.0)).min(axis=1)
    is_new = away >= SAME_PLACE_MM
    if len(at):
        doubt = DOUBT * np.minimum(away, MOST_DOUBT_MM)
        for seed in SEEDS_MM:
            if np.abs(at - seed).min() > SEED_APART_MM:
                doubt[np.argmin(np.abs(s - seed))] = SEED_DOUBT_MM
        expected = expected - doubt
    beyond = s >= course.beyond_mm
    for stretch, limit in (
        (beyond, gap[at >= course.beyond_mm].min(initial=np.inf)),
        (~beyond, min(float(course.gap_mm[0]), gap.min(initial=np.inf))),
    ):
        open_ = np.flatnonzero(stretch & is_new)
        if len(open_) and expected[open_].min() < limit - WORTH_MM:
            return int(open_[np.argmin(expected[open_])])
    return None


def _leasts(course: NominalCourse, jaws: Sequence[_Jaw]) -> Leasts:
    n = len(jaws)
    least = np.full(n, course.gap_mm[1:].min(initial=np.inf))
    beyond = course.parameter_mm >= course.beyond_mm
    low = np.full(n, course.gap_mm[beyond].min(initial=np.inf))
    count = np.zeros(n)
    for k, jaw in enumerate(jaws):
        if jaw.at_mm:
            at, gap = np.array(jaw.at_mm), np.array(jaw.gap_mm)
            least[k] = gap.min()
            low[k] = gap[at >= course.beyond_mm].min(initial=np.inf)
            count[k] = len(at)
    return Leasts(least, low, count)
