"""The jaw's part of a run: closures and guided paths with the crown left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any, TypeVar

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.errors import DegenerateProblem, NotConverged
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame
from occlusim.jaw.guidance import GuidanceSettings, displacement
from occlusim.jaw.movements import RETRUSIVE_SLIDE, Movement
from occlusim.jaw.slide import RetrusiveSlide
from occlusim.motion.closure import ClosureSettings, Opposition, close_to_load
from occlusim.motion.equilibrium import Equilibrium, Side, balance
from occlusim.motion.excursion import ExcursionSettings, GuidedPath, follow, nearby
from occlusim.motion.hinge import Hinge
from occlusim.motion.linear_jaw import Statics
from occlusim.motion.suspension import Suspension
from occlusim.pipeline.side_by_side import side_by_side

R = TypeVar("R")
N_HALVINGS = 10
"""How often the light load is halved, to see in which order contacts come while closing."""
ROUGH_STEP_MM = 5e-4


@dataclass(frozen=True, slots=True)
class JawModel:
    """What moves and how: frame, guidance, recorded bite, loads, springs, numerical settings.

    `statics` holds for closures, `moving` for the steps of a movement; `slide` leads the condyles
    from the retruded record, where there is one.
    """

    frame: JawFrame
    guidance: GuidanceSettings
    T_upper_lower: RigidTransform
    light_N: float
    heavy_N: float
    other_N: tuple[float, ...]
    excursions: dict[Movement, ExcursionSettings]
    statics: Statics
    moving: Statics
    closure: ClosureSettings
    slide: RetrusiveSlide | None = None

    @property
    def superior(self) -> Float64Array:
        """The unit vector towards the skull, in the upper scan's frame."""
        return self.frame.T_jaw_upper.inverse().rotate(np.array([0.0, 0.0, 1.0]))

    @property
    def rest(self) -> Suspension:
        """The jaw's freedoms at the recorded bite."""
        return self.suspension_at("centric")(0.0)

    def hinge_at(self, movement: Movement) -> Callable[[float], Hinge]:
        """Return the function that gives the hinge at a parameter (mm) of a movement."""
        T_upper_jaw = self.frame.T_jaw_upper.inverse()

        @cache
        def at(s: float) -> Hinge:
            if movement == "centric" or s == 0.0:
                moved = RigidTransform.identity()
            elif movement == RETRUSIVE_SLIDE and self.slide is not None:
                moved = self.slide.displacement(s)
            else:
                moved = displacement(movement, s, self.guidance, self.frame)
            point = T_upper_jaw.apply(moved.apply(np.zeros(3)))
            right = T_upper_jaw.rotate(moved.rotate(np.array([1.0, 0.0, 0.0])))
            T_upper_lower = T_upper_jaw @ moved @ self.frame.T_jaw_upper @ self.T_upper_lower
            return Hinge(point, right, T_upper_lower)

        return at

    def suspension_at(self, movement: Movement) -> Callable[[float], Suspension]:
        """Return the function that gives the jaw's freedoms at a parameter (mm) of a movement."""
        hinge_at, superior, half = self.hinge_at(movement), self.superior, self.frame.half_width_mm

        @cache
        def at(s: float) -> Suspension:
            return Suspension(hinge_at(s), superior, half)

        return at


@dataclass(frozen=True, slots=True)
class JawRun:
    """The natural jaw: its closures under both loads, under further ones, and its guided paths.

    near: the teeth near contact, which the closures are of; side: the same, with what the light
    closure has found out about their gaps, to be copied by who goes on from there. moving: the
    light closure of a jaw that is about to move, where movements begin. order: closures under
    rising shares of the light load.
    held: in words, the movements whose condyles had to be held on their paths.
    """

    near: Opposition
    side: Side
    light: Equilibrium
    moving: Equilibrium
    heavy: Equilibrium
    others: tuple[Equilibrium, ...]
    order: tuple[Equilibrium, ...]
    paths: tuple[GuidedPath, ...]
    held: tuple[str, ...]


def run_jaw(
    model: JawModel, natural: Opposition, beside: Callable[[Opposition, Equilibrium], R]
) -> tuple[JawRun, R]:
    """Return closures and paths of the jaw guided by the natural teeth alone.

    Parameters
    ----------
    model, natural
        What moves, and the teeth that guide it.
    beside
        Work on the teeth near contact and the light closure that is done while the paths are
        followed; its answer is returned too.

    Raises
    ------
    NotConverged, DegenerateProblem
        As `balance`.
    """
    side, light = close_near(model, natural)
    near, moving = side.opposition, light
    if model.moving.mobility != model.statics.mobility:
        moving = balance(
            model.rest, (side.copy(),), model.light_N, model.moving, model.closure, start=light
        )
    # The longest work first, so that none is left to run alone at the end.
    jobs: list[Callable[[], Any]] = [partial(beside, near, light)]
    jobs += [
        partial(follow_movement, model, natural, name, settings, moving)
        for name, settings in model.excursions.items()
    ]
    jobs += [partial(_heavier, model, side, light), partial(_lighter, model, side, light)]
    answer, *followed, (heavy, *others), order = side_by_side(jobs)
    rest = resting("centric", model, light)
    paths, words = [rest], []
    for path, held in followed:
        paths.append(path)
        words += [held] if held else []
    run = JawRun(near, side, light, moving, heavy, tuple(others), order, tuple(paths), tuple(words))
    return run, answer


def close_near(model: JawModel, natural: Opposition) -> tuple[Side, Equilibrium]:
    """Return the teeth near contact, and the light closure of the natural teeth."""
    hinge = model.hinge_at("centric")(0.0)
    rough = close_to_load(
        hinge, (natural,), model.superior, model.light_N, model.statics.foundation, model.closure
    )
    near = nearby(
        natural, rough.T_upper_lower, natural.field.sdf.band_mm - natural.field.sdf.voxel_mm
    )
    side = Side(near)
    light = balance(
        model.rest, (side,), model.light_N, model.statics, model.closure,
        start_rad=rough.opening_rad,
    )  # fmt: skip
    return side, light


def _heavier(model: JawModel, known: Side, light: Equilibrium) -> list[Equilibrium]:
    """Return the closures under the heavy and the further loads, each from the next lighter one."""
    wanted = sorted({model.heavy_N, *model.other_N})
    found: dict[float, Equilibrium] = {}
    start, side = light, known.copy()
    for load_N in wanted:
        start = found[load_N] = close_jaw(model, (side,), load_N, start)
    return [found[model.heavy_N], *(found[load_N] for load_N in model.other_N)]


def _lighter(model: JawModel, known: Side, light: Equilibrium) -> tuple[Equilibrium, ...]:
    """Return the closures by rising load, each twice the one before, up to the light one.

    They begin where one pair of teeth alone carries, or with a thousandth of the light load.
    """
    found, side = [light], known.copy()
    while len(found) <= N_HALVINGS and _n_carrying(found[-1]) > 1:
        load_N = 0.5 * found[-1].load_N
        found.append(close_jaw(model, (side,), load_N, found[-1], is_rough=True))
    return tuple(found[::-1])


def _n_carrying(closure: Equilibrium) -> int:
    """Return how many pairs of teeth carry something."""
    return sum(load_N > 0.0 for load_N in closure.pair_N.values())


def follow_movement(
    model: JawModel,
    natural: Opposition,
    name: Movement,
    settings: ExcursionSettings,
    start: Equilibrium,
    others: tuple[Opposition, ...] = (),
) -> tuple[GuidedPath, str | None]:
    """Return the path of a movement, and in words where its condyles had to be held.

    Where the jaw would tip out of a fossa, the movement is followed with both condyles held on
    their paths, and as far as there is an equilibrium.
    """

    def run(statics: Statics, *, may_end: bool) -> GuidedPath:
        return follow(
            name,
            model.suspension_at(name),
            (natural, *others),
            model.light_N,
            statics,
            model.closure,
            settings,
            start=start,
            may_end=may_end,
        )

    if model.moving.holds_joints:
        return run(model.moving, may_end=True), None
    try:
        return run(model.moving, may_end=False), None
    except (DegenerateProblem, NotConverged) as error:
        held = replace(model.moving, joints=replace(model.moving.joints, is_held=True))
        return run(
            held, may_end=True
        ), f"{name}: {error}; followed with both condyles held on their paths"


def resting(name: Movement, model: JawModel, rest: Equilibrium) -> GuidedPath:
    """Return a path of one pose, an equilibrium at the recorded bite's condyles."""
    here = np.zeros(1)
    return GuidedPath(
        name,
        here,
        here,
        rest.freedom[None],
        model.suspension_at("centric"),
        (rest,),
        abs(rest.support_N - rest.load_N),
    )


def close_jaw(
    model: JawModel,
    oppositions: tuple[Opposition | Side, ...],
    load_N: float,
    start: Equilibrium | None,
    *,
    is_rough: bool = False,
) -> Equilibrium:
    """Return the closure of the model's jaw at the recorded bite's condyles under a load.

    A rough one ends with a step of half a micrometre: for what stands beside the answer.
    """
    settings = replace(model.closure, trusted_step_mm=ROUGH_STEP_MM) if is_rough else model.closure
    return balance(model.rest, oppositions, load_N, model.statics, settings, start=start)
