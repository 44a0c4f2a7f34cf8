"""The bite settled freely: how far the datum depends on where the record puts the lower jaw.

The record is taken as it is where the jaw closes on its hinge. Here heave, roll and pitch are free:
the teeth are pressed together by the light load at the middle of what they carry, and the jaw goes
where they lead it, held back by the record's own certainty alone. A way of one standard deviation
of the registration pulls as hard as the light load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.errors import OcclusimError
from occlusim.motion.datum import natural_datum
from occlusim.motion.equilibrium import Equilibrium, balance
from occlusim.motion.joints import Muscle
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.jaw_run import ROUGH_STEP_MM
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.results import pairs_of
from occlusim.registration.uncertainty import covariance_about

DOUBTFUL_UM = 30.0


@dataclass(frozen=True, slots=True)
class Settled:
    """The crown's height above the datum after free settling, less that on the hinge.

    disagreement_mm is None where the jaw did not settle, and `problem` says why.
    """

    disagreement_mm: float | None
    problem: str | None


def settle_freely(
    placed: Placed, jaw: JawStage, pair: CrownAgainst, teeth: Sequence[int]
) -> Settled:
    """Return what free settling does to the crown's height above the datum.

    Parameters
    ----------
    placed, jaw
        The record with its covariance, and the jaw on its hinge.
    pair
        The crown and its antagonist.
    teeth
        The crown's (ISO 3950).
    """
    registration = placed.record.registration
    if registration is None or not np.isfinite(registration.covariance).all():
        return Settled(None, "the record's covariance is not known")
    light = jaw.run.light
    try:
        free = balance(
            jaw.model.rest,
            (jaw.run.side.copy(),),
            jaw.model.light_N,
            replace(
                jaw.model.statics,
                tether=tether(placed, jaw, registration.covariance),
                muscle=Muscle(middle_of_teeth(light), jaw.model.superior),
            ),
            replace(jaw.model.closure, trusted_step_mm=ROUGH_STEP_MM),
            start=light,
        )
    except OcclusimError as error:
        return Settled(None, str(error))
    heights = []
    for closure in (light, free):
        datum = natural_datum(pairs_of(closure, 0, jaw.run.near), teeth)
        heights.append(datum.g_nat_mm - pair.least_gap(closure.T_upper_lower).gap_mm)
    return Settled(heights[1] - heights[0], None)


def middle_of_teeth(closure: Equilibrium) -> Float64Array:
    """Return the middle (3,) of what the teeth carry, in the lower scan's frame."""
    load = closure.loads[0]
    pressed = load.area_mm2 > 0.0
    weight = load.vertical_N[pressed]
    middle = weight @ load.pressure_centre[pressed] / weight.sum()
    return closure.T_upper_lower.inverse().apply(middle)


def tether(placed: Placed, jaw: JawStage, covariance: Float64Array) -> Float64Array:
    """Return the stiffness (3, 3) of the jaw's freedoms that a record's covariance stands for.

    covariance (6, 6) of the registration, upper scan's axes. Of its six directions the three that
    the teeth settle in count: pitch, roll, heave. A way of one standard deviation of heave at the
    middle of the teeth pulls with the light load.
    """
    frame, model = placed.frame, jaw.model
    middle = jaw.run.light.T_upper_lower.apply(middle_of_teeth(jaw.run.light))
    about = covariance_about(covariance, middle, frame.T_jaw_upper)
    part = about[np.ix_([0, 1, 5], [0, 1, 5])]
    # Heave at the middle, pitch and roll that go with each freedom.
    y = float(frame.T_jaw_upper.apply(middle)[1])
    x = float(frame.T_jaw_upper.apply(middle)[0])
    half = frame.half_width_mm
    pitch = np.array([-1.0, 0.0, 0.0])
    roll = np.array([0.0, -0.5 / half, 0.5 / half])
    heave = np.array([-y, 0.5 + 0.5 * x / half, 0.5 - 0.5 * x / half])
    of_freedom = np.vstack([pitch, roll, heave])
    strength = model.light_N * np.sqrt(part[2, 2])
    return strength * of_freedom.T @ np.linalg.inv(part) @ of_freedom
