"""What a wrong hinge axis and wrong condylar angles would do to a crown's least gaps.

The jaw is varied: axis forward and up, inclination, Bennett angle and side shift of each side; the
crown's least gap along each movement is found again, guided by the natural teeth. Guidance does
not change the closure; an axis does, by as much as the record stands open, and is followed there
by its derivative.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import Any, Literal

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.errors import InputError
from occlusim.jaw.guidance import GuidanceSettings, SideGuidance
from occlusim.jaw.mounting_scatter import AxisScatter, GuidanceScatter
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium, balance
from occlusim.motion.excursion import GuidedPath, nearby
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.jaw_run import JawModel
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.varied_course import (
    WITHIN_MM,
    Leasts,
    NominalCourse,
    nominal_course,
    varied_leasts,
)

AXIS_STEP_MM = 1.0
"""Step of the central differences in the axis' place.

A closure is solved to 0.02 um and its gap to 0.1 um, so a derivative to 0.1 um/mm. A millimetre
moves a tooth by 0.02 mm where the jaw has opened by a degree; over that a gap's second derivative
cancels, and its third, on a cusp of 0.5 mm radius, is below the noise.
"""

Side = Literal["right", "left"]
SIDES: tuple[Side, Side] = ("right", "left")


@dataclass(frozen=True, slots=True)
class JawVariation:
    """A jaw that differs from the nominal one: its guidance, and its axis forward and up by mm."""

    guidance: GuidanceSettings
    forward_mm: float = 0.0
    up_mm: float = 0.0

    def model(self, nominal: JawModel) -> JawModel:
        """Return the nominal jaw, varied."""
        frame = nominal.frame.shifted(self.forward_mm, self.up_mm)
        return replace(nominal, guidance=self.guidance, frame=frame)


def guidance_with(
    guidance: GuidanceSettings,
    *,
    right: SideGuidance | None = None,
    left: SideGuidance | None = None,
) -> GuidanceSettings:
    """Return guidance with the sides given put in place of its own."""
    return replace(guidance, right=right or guidance.right, left=left or guidance.left)


def drawn_variations(
    guidance: GuidanceSettings,
    scatter: GuidanceScatter,
    axis: AxisScatter,
    n: int,
    rng: np.random.Generator,
) -> list[JawVariation]:
    """Return n jaws drawn at random about the nominal guidance and axis.

    Inclinations, Bennett angles and the axis are normal about their nominal values, Bennett angles
    held at 0 or more, inclinations between -30 and 80 degrees; the side shift is even over its
    range, whatever the nominal one.

    Raises
    ------
    InputError
        If n is negative.
    """
    if n < 0:
        raise InputError(f"sensitivity: {n} samples given, 0 or more are wanted")
    rho = scatter.inclination_correlation
    share = np.linalg.cholesky(np.array([[1.0, rho], [rho, 1.0]]) + 1e-15 * np.eye(2))
    found = []
    for _ in range(n):
        turn = scatter.inclination_rad * (share @ rng.standard_normal(2))
        bennett = scatter.bennett_rad * rng.standard_normal(2)
        shift = rng.uniform(*scatter.side_shift_mm, 2)
        place = rng.standard_normal(2)
        right, left = (
            _side(getattr(guidance, side), turn[k], bennett[k], shift[k])
            for k, side in enumerate(SIDES)
        )
        found.append(
            JawVariation(
                guidance_with(guidance, right=right, left=left),
                float(axis.forward_mm * place[0]),
                float(axis.vertical_mm * place[1]),
            )
        )
    return found


def _side(usual: SideGuidance, turn: float, bennett: float, shift_mm: float) -> SideGuidance:
    low, high = np.deg2rad([-30.0, 80.0])
    return replace(
        usual,
        sagittal_inclination_rad=float(np.clip(usual.sagittal_inclination_rad + turn, low, high)),
        bennett_angle_rad=float(np.clip(usual.bennett_angle_rad + bennett, 0.0, np.deg2rad(45.0))),
        immediate_side_shift_mm=float(shift_mm),
    )


def grid_variations(
    guidance: GuidanceSettings,
    *,
    inclination_rad: Sequence[float] = (),
    bennett_rad: Sequence[float] = (),
    side_shift_mm: Sequence[float] = (),
    forward_mm: Sequence[float] = (0.0,),
    up_mm: Sequence[float] = (0.0,),
) -> list[JawVariation]:
    """Return every combination of the values given, both sides alike; none given: the nominal.

    Values of the guidance replace the nominal ones; the axis' are shifts.
    """
    found = []
    for turn, bennett, shift, forward, up in product(
        inclination_rad or (None,), bennett_rad or (None,), side_shift_mm or (None,),
        forward_mm, up_mm,
    ):  # fmt: skip
        right, left = (
            SideGuidance(
                usual.sagittal_inclination_rad if turn is None else turn,
                usual.bennett_angle_rad if bennett is None else bennett,
                usual.immediate_side_shift_mm if shift is None else shift,
            )
            for usual in (guidance.right, guidance.left)
        )
        varied = guidance_with(guidance, right=right, left=left)
        found.append(JawVariation(varied, float(forward), float(up)))
    return found


def single_variations(
    guidance: GuidanceSettings, scatter: GuidanceScatter
) -> dict[str, tuple[JawVariation, JawVariation]]:
    """Return two jaws per quantity, that alone lower and higher than the nominal value.

    The axis by a step for derivatives, angles by one standard deviation, the side shift at the
    ends of its range.
    """
    nominal = JawVariation(guidance)
    pairs: dict[str, tuple[JawVariation, JawVariation]] = {
        f"axis_{name}": (
            replace(nominal, **{key: -AXIS_STEP_MM}),
            replace(nominal, **{key: AXIS_STEP_MM}),
        )
        for name, key in (("forward", "forward_mm"), ("vertical", "up_mm"))
    }
    for side in SIDES:
        usual: SideGuidance = getattr(guidance, side)
        here = usual.immediate_side_shift_mm
        ends = {
            "inclination": [
                _side(usual, sign * scatter.inclination_rad, 0.0, here) for sign in (-1, 1)
            ],
            "bennett": [_side(usual, 0.0, sign * scatter.bennett_rad, here) for sign in (-1, 1)],
            "side_shift": [_side(usual, 0.0, 0.0, shift) for shift in scatter.side_shift_mm],
        }
        for quantity, (low, high) in ends.items():
            pairs[f"{quantity}_{side}"] = (
                JawVariation(guidance_with(guidance, **{side: low})),
                JawVariation(guidance_with(guidance, **{side: high})),
            )
    return pairs


@dataclass(frozen=True, slots=True)
class MovementSensitivity:
    """Least gaps of a crown along one movement of varied jaws, mm.

    Attributes
    ----------
    name, beyond_mm
        The movement, and where its excursion proper begins.
    nominal_mm, nominal_beyond_mm
        Least gap of the nominal jaw on the whole path, and on the excursion proper.
    least_mm, beyond_gap_mm : (n,)
        The same of every varied jaw, in the order given.
    effect_mm : quantity to (lower, higher)
        Change of the gap on the excursion proper for one quantity alone.
    axis_mm_per_mm, axis_beyond_mm_per_mm : (2,)
        Derivatives of both gaps to the axis forward and up.
    corner_mm, corner_beyond_mm
        Both gaps of the jaw whose every quantity lies at its worse end at once, the axis one
        standard deviation away; NaN in closure.
    n_solved
        Poses that were solved.
    """

    name: str
    beyond_mm: float
    nominal_mm: float
    nominal_beyond_mm: float
    least_mm: Float64Array
    beyond_gap_mm: Float64Array
    effect_mm: dict[str, tuple[float, float]]
    axis_mm_per_mm: Float64Array
    axis_beyond_mm_per_mm: Float64Array
    corner_mm: float
    corner_beyond_mm: float
    n_solved: int


def crown_sensitivity(
    nominal: JawModel,
    natural: Opposition,
    paths: Sequence[GuidedPath],
    gaps_mm: Sequence[Float64Array],
    pair: CrownAgainst,
    variations: Sequence[JawVariation],
    scatter: GuidanceScatter,
    beyond_mm: float,
) -> tuple[MovementSensitivity, ...]:
    """Return how a crown's least gaps change with the jaw, movement by movement.

    Parameters
    ----------
    nominal, natural
        The jaw of the run and the teeth that guide it.
    paths : the closure's path of one pose first, then the excursions
        As `run_jaw` gives them.
    gaps_mm : each (n_steps,)
        The crown's least gap at the paths' steps, mm.
    pair
        The crown and its antagonist.
    variations : (n,)
        The jaws to try: `drawn_variations`, `grid_variations`, or any.
    scatter
        How far each quantity alone is varied for its effect.
    beyond_mm
        Parameter from which on an excursion is looked at by itself, mm.

    Raises
    ------
    InputError
        If there is no closure among the paths.
    NotConverged, DegenerateProblem
        As `balance`.

    Notes
    -----
    Every gap belongs to a solved pose, so it is never too low; it is too high by what a place
    between would have shown (`benchmarks/bench_sensitivity.py` prints it). The same numbers on any
    number of threads.
    """
    if not paths or paths[0].name != "centric":
        raise InputError("sensitivity: no closure given; the closure's path must come first")
    singles = single_variations(nominal.guidance, scatter)
    axis = [singles[f"axis_{name}"][end] for name in ("forward", "vertical") for end in (0, 1)]
    rest = paths[0].rest[0]
    near = nearby(natural, rest.T_upper_lower, WITHIN_MM)
    jobs: list[Callable[[], Any]] = [
        partial(_closure_gap, nominal, near, pair, v, rest) for v in axis
    ]
    jobs += [
        partial(nominal_course, pair, path, gap, beyond_mm)
        for path, gap in zip(paths[1:], gaps_mm[1:], strict=True)
    ]
    answers: list[Any] = side_by_side(jobs)
    closure_mm = np.array(answers[:4], dtype=np.float64)
    courses: list[NominalCourse] = answers[4:]
    slope = (closure_mm[1::2] - closure_mm[::2]) / (2.0 * AXIS_STEP_MM)
    alone = [v for ends in singles.values() for v in ends]
    models = [v.model(nominal) for v in (*alone, *variations)]
    found = side_by_side(
        [
            partial(varied_leasts, c, nominal, models, natural, pair, n_exact=len(axis))
            for c in courses
        ]
    )
    places = np.array([[v.forward_mm, v.up_mm] for v in variations]).reshape(-1, 2)
    usual_mm, moved_mm = float(gaps_mm[0][0]), places @ slope
    # Where the record is the datum the crown rests at it, whatever the axis.
    centric_slope = 0.0 * slope if _rests_elsewhere(paths) else slope
    centric = usual_mm + places @ centric_slope
    nothing = np.full(len(centric), np.nan)
    first = MovementSensitivity(
        "centric",
        0.0,
        usual_mm,
        np.nan,
        centric,
        nothing,
        {},
        centric_slope,
        np.full(2, np.nan),
        np.nan,
        np.nan,
        len(axis),
    )
    corners = [_worst_corner(nominal, singles, leasts.beyond_mm[: len(alone)]) for leasts in found]
    worst = side_by_side(
        [
            partial(varied_leasts, course, nominal, [corner.model(nominal)], natural, pair)
            for course, corner in zip(courses, corners, strict=True)
        ]
    )
    excursions = [
        _movement(course, closure_mm, moved_mm, list(singles), leasts, corner)
        for course, leasts, corner in zip(courses, found, worst, strict=True)
    ]
    return (first, *excursions)


def _worst_corner(
    nominal: JawModel,
    singles: dict[str, tuple[JawVariation, JawVariation]],
    gap_mm: Float64Array,
) -> JawVariation:
    """Return the jaw with every quantity at the end where alone it leaves the lesser gap."""
    is_higher = (gap_mm[1::2] < gap_mm[::2]).astype(int)
    ends = {name: pair[end] for (name, pair), end in zip(singles.items(), is_higher, strict=True)}
    sides: dict[str, SideGuidance] = {
        side: SideGuidance(
            getattr(ends[f"inclination_{side}"].guidance, side).sagittal_inclination_rad,
            getattr(ends[f"bennett_{side}"].guidance, side).bennett_angle_rad,
            getattr(ends[f"side_shift_{side}"].guidance, side).immediate_side_shift_mm,
            getattr(nominal.guidance, side).path_radius_mm,
        )
        for side in SIDES
    }
    scatter = nominal.frame.scatter
    return JawVariation(
        guidance_with(nominal.guidance, right=sides["right"], left=sides["left"]),
        float(np.sign(ends["axis_forward"].forward_mm) * scatter.forward_mm),
        float(np.sign(ends["axis_vertical"].up_mm) * scatter.vertical_mm),
    )


def _rests_elsewhere(paths: Sequence[GuidedPath]) -> bool:
    """Return whether the recorded bite itself is what the closure's path rests at."""
    return not paths[0].freedom.any()


def _closure_gap(
    nominal: JawModel, near: Opposition, pair: CrownAgainst, v: JawVariation, rest: Equilibrium
) -> float:
    """Return the crown's gap, mm, about another axis, in the closure where movements begin."""
    model = v.model(nominal)
    closed = balance(model.rest, (near,), model.light_N, model.moving, model.closure, start=rest)
    return pair.least_gap(closed.T_upper_lower).gap_mm


def _movement(
    course: NominalCourse,
    closure_mm: Float64Array,
    moved_mm: Float64Array,
    quantities: Sequence[str],
    found: Leasts,
    corner: Leasts,
) -> MovementSensitivity:
    """Return a movement's answer; closure_mm (4,) of the shifted axes, moved_mm (n,) less usual."""
    start_mm = float(course.gap_mm[0])
    usual = float(course.gap_mm[course.parameter_mm >= course.beyond_mm].min())
    n = 2 * len(quantities)
    least = np.minimum(found.least_mm[:4], closure_mm).reshape(2, 2)
    beyond = found.beyond_mm[:n].reshape(-1, 2)
    step = 2.0 * AXIS_STEP_MM
    return MovementSensitivity(
        course.name,
        course.beyond_mm,
        float(course.gap_mm.min()),
        usual,
        np.minimum(start_mm + moved_mm, found.least_mm[n:]),
        found.beyond_mm[n:],
        {
            quantity: (float(low), float(high))
            for quantity, (low, high) in zip(quantities, beyond - usual, strict=True)
        },
        (least[:, 1] - least[:, 0]) / step,
        (beyond[:2, 1] - beyond[:2, 0]) / step,
        float(min(start_mm, corner.least_mm[0])),
        float(corner.beyond_mm[0]),
        int(found.n_solved.sum() + corner.n_solved.sum()),
    )
