"""The natural jaw of a case: fields, closures, datum, guided paths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from occlusim.arrays import Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody, FoundationSettings, near_part
from occlusim.contact.least import least_gap
from occlusim.contact.patches import PairContact
from occlusim.geometry.mesh import TriangleMesh
from occlusim.jaw.movements import RETRUSIVE_SLIDE, Movement
from occlusim.jaw.slide import RetrusiveSlide
from occlusim.motion.closure import ClosureSettings, Opposition
from occlusim.motion.datum import Datum, natural_datum
from occlusim.motion.equilibrium import Equilibrium
from occlusim.motion.excursion import ExcursionSettings
from occlusim.motion.joints import JointSettings, Muscle
from occlusim.motion.linear_jaw import Statics
from occlusim.motion.mobility import MobilitySettings, Pace
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import JawModel, JawRun, resting, run_jaw
from occlusim.pipeline.record import Placed
from occlusim.pipeline.results import closure_part, datum_part, order_part, pairs_of
from occlusim.pipeline.units import BAND

PAIR_REACH_MM = 0.15
"""Pairs that touch overlap or lie within some 0.03 mm: no farther face holds their least gap."""


@dataclass(frozen=True, slots=True)
class JawStage:
    """The jaw guided by the natural teeth alone.

    antagonist is the arch opposite the crown's. In `natural` the lower teeth press into the upper
    ones, whichever arch the crown stands in, so one pair of arches closes and moves alike for every
    crown; the place that the crown stands for is left out. moving_datum is that of the closure
    where movements begin: a movement is measured against natural teeth as they touch in it.
    """

    model: JawModel
    antagonist: GapField
    antagonist_tooth: Int32Array
    natural: Opposition
    run: JawRun
    datum: Datum
    moving_datum: Datum

    def closure_part(self) -> dict[str, Any]:
        """Return all closures without the crown."""

        def part(closure: Equilibrium) -> dict[str, Any]:
            return {"without_crown": closure_part(closure, (self.run.near,))}

        return {
            "light": part(self.run.light),
            "heavy": part(self.run.heavy),
            "others": [part(closure) for closure in self.run.others],
            "contact_order": order_part(self.run.order, self.run.near),
        }

    def datum_part(self) -> dict[str, Any]:
        """Return the datum's part of the results."""
        return datum_part(self.datum, self.natural)


@dataclass(frozen=True, slots=True)
class Fields:
    """The fields of a case, whole: the arch opposite the crown, the crown, the upper arch.

    The natural teeth are asked in the upper arch's distance, so a lower crown needs no field of its
    own arch.
    """

    opposing: GapField
    crown: GapField
    upper: GapField

    @staticmethod
    def build(inputs: Inputs) -> Fields:
        """Return the fields of a case's surfaces, each in its own frame."""
        opposing = GapField.build(inputs.opposing_arch, BAND)
        crown = GapField.build(inputs.crown, BAND)
        is_upper = inputs.crown_spec.is_upper
        return Fields(opposing, crown, GapField.build(inputs.upper, BAND) if is_upper else opposing)


def run_jaw_stage(
    inputs: Inputs,
    placed: Placed,
    fields: Fields,
    clock: Clock,
    slide: RetrusiveSlide | None = None,
) -> JawStage:
    """Return closures, datum and paths of a case's natural jaw; `slide` is one more path."""
    is_upper = inputs.crown_spec.is_upper
    upper_tooth, lower_tooth = placed.upper_tooth, placed.lower_tooth
    kept = np.flatnonzero(~placed.masked).astype(np.int32)
    upper, lower_mesh = fields.upper, inputs.lower.mesh
    with clock.stage("jaw", "jaw: closures and tooth-guided movements"):
        if is_upper:
            upper, upper_tooth = upper.part(kept), upper_tooth[kept]
        else:
            lower_mesh, lower_tooth = lower_mesh.submesh(kept)[0], lower_tooth[kept]
        model = jaw_model(inputs, placed, slide)
        natural = natural_teeth(upper, upper_tooth, lower_mesh, lower_tooth)
        run, pairs = run_jaw(model, natural, exact_pairs)
    with clock.stage("datum", "datum: the natural contacts beside the crown"):
        tooth = inputs.crown_spec.iso[0]
        datum = natural_datum(pairs, tooth)
        moving_datum = natural_datum(pairs_of(run.moving, 0, run.near), tooth)
        if datum.is_recorded:
            recorded = replace(run.light, freedom=np.zeros(3), T_upper_lower=placed.T_upper_lower)
            run = replace(run, paths=(resting("centric", model, recorded), *run.paths[1:]))
    antagonist_tooth = lower_tooth if is_upper else upper_tooth
    antagonist = fields.opposing
    return JawStage(model, antagonist, antagonist_tooth, natural, run, datum, moving_datum)


def natural_teeth(
    upper: GapField, upper_tooth: Int32Array, lower: TriangleMesh, lower_tooth: Int32Array
) -> Opposition:
    """Return the lower teeth pressing into the upper ones; tooth (F,) of the faces of each."""
    body = ContactBody("natural teeth", lower.vertices, lower.faces, lower_tooth)
    return Opposition(upper, body, True, upper_tooth)


def jaw_model(inputs: Inputs, placed: Placed, slide: RetrusiveSlide | None = None) -> JawModel:
    """Return the model of a case's jaw from its settings, in inside units."""
    case = inputs.case
    step_mm = case.movements.step_mm
    excursions: dict[Movement, ExcursionSettings] = {
        name: ExcursionSettings(min(step_mm, length_mm), length_mm)
        for name, length_mm in case.movements.lengths_mm().items()
    }
    if slide is not None:
        excursions[RETRUSIVE_SLIDE] = ExcursionSettings(
            min(step_mm, slide.length_mm), slide.length_mm, is_backward=True
        )
    statics = jaw_statics(inputs, placed)
    return JawModel(
        placed.frame,
        case.guidance.inside(),
        placed.T_upper_lower,
        case.loads.light_N,
        case.loads.heavy_N,
        case.loads.others_N,
        excursions,
        statics,
        moving_statics(statics, case.movements.pace),
        ClosureSettings(),
        slide,
    )


def moving_statics(statics: Statics, pace: Pace) -> Statics:
    """Return what gives way in a movement: of a sustained one, teeth along their axes alone."""
    return replace(statics, mobility=replace(statics.mobility, pace=pace, has_lateral=False))


def jaw_statics(inputs: Inputs, placed: Placed) -> Statics:
    """Return what gives way in a case: foundation, teeth but implants, joints, muscles."""
    case, loads = inputs.case, inputs.case.loads
    implants = {int(t) for t in case.teeth.implants}
    for crown in case.crowns:
        implants |= set(crown.iso) if crown.support == "implant" else set()
    factor = {int(tooth): f for tooth, f in case.teeth.mobility.items()}
    T_upper_jaw = placed.frame.T_jaw_upper.inverse()
    point = placed.T_upper_lower.inverse().apply(T_upper_jaw.apply(loads.muscle_point_jaw_mm))
    return Statics(
        FoundationSettings(loads.foundation_MPa_per_mm),
        MobilitySettings(
            pace=loads.pace,
            has_lateral=loads.lateral_springs,
            factor=factor,
            rigid=frozenset(implants),
        ),
        JointSettings(loads.joint_stiffness_N_per_mm),
        Muscle(point, T_upper_jaw.rotate(np.array(loads.muscle_direction_jaw))),
    )


def exact_pairs(natural: Opposition, closure: Equilibrium) -> tuple[PairContact, ...]:
    """Return the closure's pairs with the exact least gap of both surfaces."""
    pose = natural.T_field_body(closure.T_upper_lower)
    near = near_part(natural.field, natural.body, pose, PAIR_REACH_MM)
    lower = GapField.build(TriangleMesh(near.points, near.faces), BAND)
    found = []
    for pair in pairs_of(closure, 0, natural):
        least = least_gap(
            natural.field,
            lower,
            pose,
            faces_a=natural.field_tooth == pair.field_tooth,
            faces_b=near.tooth == pair.body_tooth,
        )
        found.append(replace(pair, least_gap_mm=least.gap_mm))
    return tuple(found)
