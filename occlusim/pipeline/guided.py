"""Which teeth guide a movement, and what the crown changes: load by pair, lift, lost contacts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.foundation import FoundationSettings
from occlusim.errors import OcclusimError
from occlusim.jaw.frame import JawFrame
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium, balance
from occlusim.motion.excursion import GuidedPath, Windows
from occlusim.pipeline.jaw_run import ROUGH_STEP_MM, JawModel
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.units import UM

HARD_MPA_PER_MM = 30000.0
"""Surfaces that hardly give, for what a crown that is too high does to the jaw: on the foundation
that evens out a scan's noise it would sink in by tens of micrometres and lift nothing."""

GUIDES_SHARE = 0.05
"""A pair guides at a step where it carries at least this share of the light load."""


@dataclass(frozen=True, slots=True)
class CrownStep:
    """A step of a movement with the crown in, beside the same step without it.

    lift_mm: how much farther down the lower incisal point stands; load_N on the crown; lost: pairs
    (upper, lower) that guide without the crown and carry nothing with it.
    """

    parameter_mm: float
    load_N: float
    share: float
    lift_mm: float
    lost: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class CrownGuidance:
    """What the crown does along a movement; problem says in words where it could not be found."""

    name: str
    steps: tuple[CrownStep, ...]
    problem: str | None = None


def guide_all_with_crown(
    model: JawModel,
    natural: Opposition,
    crown: Opposition,
    paths: Sequence[GuidedPath],
    gaps_mm: Sequence[Float64Array],
) -> tuple[CrownGuidance, ...]:
    """Return what the crown changes along several movements.

    All begin in the same place, which is looked at once.

    Parameters
    ----------
    model, natural, crown
        As for `guide_with_crown`.
    paths, gaps_mm : (n,)
        The movements, and the crown's least gaps (m,) at each one's steps.
    """
    if not paths:
        return ()
    begins = [path.step_mm == 0.0 for path in paths]
    here = np.zeros(1)
    rest = next(r for r, is_start in zip(paths[0].rest, begins[0], strict=True) if is_start)
    start = replace(
        paths[0], step_mm=here, parameter_mm=here, freedom=rest.freedom[None], rest=(rest,)
    )
    jobs = [partial(guide_with_crown, model, natural, crown, start, gaps_mm[0][begins[0]])]
    jobs += [
        partial(guide_with_crown, model, natural, crown, path, np.where(begin, np.inf, gap))
        for path, gap, begin in zip(paths, gaps_mm, begins, strict=True)
    ]
    first, *found = side_by_side(jobs)
    return tuple(
        CrownGuidance(
            movement.name,
            tuple(sorted(first.steps + movement.steps, key=lambda step: step.parameter_mm)),
            first.problem or movement.problem,
        )
        for movement in found
    )


def guide_with_crown(
    model: JawModel,
    natural: Opposition,
    crown: Opposition,
    path: GuidedPath,
    gap_mm: Float64Array,
) -> CrownGuidance:
    """Return what the crown changes along a movement of the jaw that natural teeth guide.

    Parameters
    ----------
    model, natural, crown
        What moves; the natural teeth; the crown and its antagonist.
    path
        The movement as the natural teeth guide it.
    gap_mm : (m,)
        The crown's least gap at the path's steps: where it is not negative the crown touches
        nothing, and nothing changes.
    """
    hard = replace(model.moving, foundation=FoundationSettings(HARD_MPA_PER_MM))
    rough = replace(model.closure, trusted_step_mm=ROUGH_STEP_MM)
    windows = Windows((natural, crown), hard.foundation.reach_mm)
    steps: list[CrownStep] = []
    # What stands beside a step begins as far from it as at the step before.
    harder = lifted = np.zeros(3)
    try:
        for s, gap, rest in zip(path.step_mm, gap_mm, path.rest, strict=True):
            if gap < 0.0:
                suspension = path.suspension_at(float(s))
                _, (teeth, own) = windows.around(rest.T_upper_lower)
                begin = replace(rest, freedom=rest.freedom + harder)
                alone = balance(suspension, (teeth,), model.light_N, hard, rough, start=begin)
                begin = replace(alone, freedom=alone.freedom + lifted)
                both = balance(suspension, (teeth, own), model.light_N, hard, rough, start=begin)
                harder, lifted = alone.freedom - rest.freedom, both.freedom - alone.freedom
                steps.append(_step(float(s), model.frame, alone, both))
    except OcclusimError as error:
        return CrownGuidance(path.name, tuple(steps), str(error))
    return CrownGuidance(path.name, tuple(steps))


def _step(s: float, frame: JawFrame, rest: Equilibrium, with_crown: Equilibrium) -> CrownStep:
    load_N = float(with_crown.loads[1].vertical_N.sum())
    mark = rest.T_upper_lower.inverse().apply(frame.landmarks.incisal)
    down = [
        -frame.T_jaw_upper.apply(pose.apply(mark))[2]
        for pose in (rest.T_upper_lower, with_crown.T_upper_lower)
    ]
    guiding = _guiding(rest)
    lost = tuple(pair for pair in guiding if with_crown.pair_N.get(pair, 0.0) <= 0.0)
    share = load_N / with_crown.support_N
    return CrownStep(s, load_N, share, float(down[1] - down[0]), lost)


def _guiding(rest: Equilibrium) -> list[tuple[int, int]]:
    """Return the pairs that guide, the most loaded first."""
    loaded = [(-load, pair) for pair, load in rest.pair_N.items()]
    return [pair for load, pair in sorted(loaded) if -load >= GUIDES_SHARE * rest.load_N]


def natural_guidance_part(path: GuidedPath) -> dict[str, Any]:
    """Return which pairs guide a movement, by step, with joints and muscles."""
    return {
        "name": path.name,
        "steps": [
            {
                "parameter_mm": round(float(s), 6),
                "muscle_N": round(rest.muscle_N, 6),
                "joint_N": {
                    "right": round(float(rest.joint_N[0]), 6),
                    "left": round(float(rest.joint_N[1]), 6),
                },
                "pairs": [
                    _pair(pair) | {"load_N": round(rest.pair_N[pair], 6)} for pair in _guiding(rest)
                ],
            }
            for s, rest in zip(path.step_mm, path.rest, strict=True)
        ],
    }


def crown_guidance_part(found: CrownGuidance, tooth: int) -> dict[str, Any]:
    """Return what the crown changes along a movement.

    The crown takes over where it carries more than half of the light load.
    """
    most = max(found.steps, key=lambda step: step.lift_mm, default=None)
    takes = [step.parameter_mm for step in found.steps if step.share > 0.5]
    return {
        "name": found.name,
        "problem": found.problem,
        "tooth": str(tooth),
        "lift_um": 0.0 if most is None else most.lift_mm * UM,
        "lift_at_mm": None if most is None else most.parameter_mm,
        "takes_over_from_mm": min(takes) if takes else None,
        "steps": [
            {
                "parameter_mm": round(step.parameter_mm, 6),
                "crown_load_N": step.load_N,
                "crown_share": step.share,
                "lift_um": step.lift_mm * UM,
                "lost": [_pair(pair) for pair in step.lost],
            }
            for step in found.steps
        ],
    }


def _pair(pair: tuple[int, int]) -> dict[str, str | None]:
    upper, lower = pair
    return {
        "upper_tooth": str(upper) if upper else None,
        "lower_tooth": str(lower) if lower else None,
    }


def unloaded_words(closures: dict[str, Equilibrium], paths: tuple[GuidedPath, ...]) -> list[str]:
    """Return in words where a condyle is not pressed into its fossa."""
    said = [
        f"{name}: {_sides(closure.joint_N, closure.load_N)} not pressed into the fossa"
        for name, closure in closures.items()
        if closure.is_joint_unloaded
    ]
    for path in paths:
        free = [
            (s, rest)
            for s, rest in zip(path.step_mm, path.rest, strict=True)
            if rest.is_joint_unloaded
        ]
        if free and path.name != "centric":
            s, rest = free[0]
            said.append(
                f"{path.name}: {_sides(rest.joint_N, rest.load_N)} not pressed into the fossa at "
                f"{len(free)} of {len(path.step_mm)} steps, the first at {s:.2f} mm"
            )
    return said


def _sides(joint_N: Float64Array, load_N: float) -> str:
    free = np.asarray(joint_N) <= 1e-6 * load_N
    if free.all():
        return "both condyles are"
    return f"the {'right' if free[0] else 'left'} condyle is"
