"""The jaw's part of a run: closures and guided paths with the crown left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, TypeVar

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.foundation import FoundationSettings
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame
from occlusim.jaw.guidance import GuidanceSettings, displacement
from occlusim.jaw.movements import RETRUSIVE_SLIDE, Movement
from occlusim.jaw.slide import RetrusiveSlide
from occlusim.motion.closure import Closure, ClosureSettings, Opposition, close_to_load
from occlusim.motion.excursion import ExcursionSettings, GuidedPath, follow
from occlusim.motion.hinge import Hinge
from occlusim.pipeline.side_by_side import side_by_side

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class JawModel:
    """What moves and how: frame, guidance, recorded bite, loads, numerical settings.

    `slide` leads the condyles from the retruded record, where there is one.
    """

    frame: JawFrame
    guidance: GuidanceSettings
    T_upper_lower: RigidTransform
    light_N: float
    heavy_N: float
    excursions: dict[Movement, ExcursionSettings]
    foundation: FoundationSettings
    closure: ClosureSettings
    slide: RetrusiveSlide | None = None

    @property
    def superior(self) -> Float64Array:
        """The unit vector towards the skull, in the upper scan's frame."""
        return self.frame.T_jaw_upper.inverse().rotate(np.array([0.0, 0.0, 1.0]))

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


@dataclass(frozen=True, slots=True)
class JawRun:
    """The natural jaw: its closures under both loads and its guided paths."""

    light: Closure
    heavy: Closure
    paths: tuple[GuidedPath, ...]


def run_jaw(
    model: JawModel, natural: Opposition, beside: Callable[[Closure], R]
) -> tuple[JawRun, R]:
    """Return closures and paths of the jaw guided by the natural teeth alone.

    Parameters
    ----------
    model, natural
        What moves, and the teeth that guide it.
    beside
        Work on the light closure that is done while the paths are followed; its answer is
        returned too.

    Raises
    ------
    NotConverged, DegenerateProblem
        As `close_to_load`.
    """
    hinge = model.hinge_at("centric")(0.0)
    light = close_jaw(model, hinge, (natural,), model.light_N, 0.0)
    # The longest work first, so that none is left to run alone at the end.
    jobs: list[Callable[[], Any]] = [partial(beside, light)]
    jobs += [
        partial(
            follow,
            name,
            model.hinge_at(name),
            (natural,),
            model.superior,
            model.light_N,
            model.foundation,
            model.closure,
            settings,
            start_rad=light.opening_rad,
        )
        for name, settings in model.excursions.items()
    ]
    jobs.append(partial(close_jaw, model, hinge, (natural,), model.heavy_N, light.opening_rad))
    answer, *paths, heavy = side_by_side(jobs)
    rest = resting("centric", model, light.opening_rad, abs(light.support_N - light.load_N))
    return JawRun(light, heavy, (rest, *paths)), answer


def resting(name: Movement, model: JawModel, opening_rad: float, residual_N: float) -> GuidedPath:
    """Return a path of one pose on the hinge of the recorded bite."""
    here = np.zeros(1)
    return GuidedPath(
        name, here, here, np.array([opening_rad]), model.hinge_at("centric"), residual_N
    )


def close_jaw(
    model: JawModel,
    hinge: Hinge,
    oppositions: tuple[Opposition, ...],
    load_N: float,
    start_rad: float,
) -> Closure:
    """Return the closure of the model's jaw on a hinge under a load."""
    return close_to_load(
        hinge,
        oppositions,
        model.superior,
        load_N,
        model.foundation,
        model.closure,
        start_rad=start_rad,
    )
