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
class NaturalJaw:
    """The jaw guided by the natural teeth alone, the same for every crown of a case.

    In `natural` the lower teeth press into the upper ones, whichever arch a crown stands in, so one
    pair of arches closes and moves alike for every crown; the places that crowns stand for are left
    out of both. pairs are those of the light closure with their exact least gaps.
    """

    model: JawModel
    natural: Opposition
    run: JawRun
    pairs: tuple[PairContact, ...]

    def beside(self, inputs: Inputs, placed: Placed, opposing: GapField) -> JawStage:
        """Return the jaw as one crown meets it: `opposing` is the arch that it stands against."""
        teeth, run = inputs.crown_spec.iso, self.run
        datum = natural_datum(self.pairs, teeth)
        moving_datum = natural_datum(pairs_of(run.moving, 0, run.near), teeth)
        if datum.is_recorded:
            recorded = replace(run.light, freedom=np.zeros(3), T_upper_lower=placed.T_upper_lower)
            rest = resting("centric", self.model, recorded)
            run = replace(run, paths=(rest, *run.paths[1:]))
        opposing_tooth = placed.tooth(upper=not inputs.crown_spec.is_upper)
        return JawStage(
            self.model, opposing, opposing_tooth, self.natural, run, datum, moving_datum
        )


@dataclass(frozen=True, slots=True)
class JawStage:
    """The jaw guided by the natural teeth alone, as one crown meets it.

    antagonist is the arch opposite the crown's. In `natural` the lower teeth press into the upper
    ones, as in `NaturalJaw`. moving_datum is that of the closure where movements begin: a movement
    is measured against natural teeth as they touch in it.
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
    """The fields of a case, whole: both arches and the crowns.

    The natural teeth are asked in the upper arch's distance, so the lower arch has a field only
    where an upper crown meets it.
    """

    upper: GapField
    lower: GapField | None
    crowns: tuple[GapField, ...]

    @staticmethod
    def build(inputs: Inputs) -> Fields:
        """Return the fields of a case's surfaces, each in its own frame."""
        upper = GapField.build(inputs.upper, BAND)
        crowns = tuple(GapField.build(crown.surface, BAND) for crown in inputs.crowns)
        is_met = any(crown.spec.is_upper for crown in inputs.crowns)
        return Fields(upper, GapField.build(inputs.lower, BAND) if is_met else None, crowns)

    @property
    def crown(self) -> GapField:
        """The first crown's."""
        return self.crowns[0]

    def opposing(self, inputs: Inputs) -> GapField:
        """Return the arch opposite the crown that is looked at."""
        field = self.lower if inputs.crown_spec.is_upper else self.upper
        if field is None:
            raise AssertionError("an upper crown without a field of the lower arch")
        return field


def run_jaw_stage(
    inputs: Inputs,
    placed: Placed,
    fields: Fields,
    clock: Clock,
    slide: RetrusiveSlide | None = None,
) -> JawStage:
    """Return closures, datum and paths of a case's natural jaw as its crown meets it."""
    natural = run_natural_jaw(inputs, placed, fields, clock, slide)
    with clock.stage("datum", "datum: the natural contacts beside the crown"):
        return natural.beside(inputs, placed, fields.opposing(inputs))


def run_natural_jaw(
    inputs: Inputs,
    placed: Placed,
    fields: Fields,
    clock: Clock,
    slide: RetrusiveSlide | None = None,
) -> NaturalJaw:
    """Return closures and paths of a case's natural jaw; `slide` is one more path."""
    upper, upper_tooth = fields.upper, placed.upper_tooth
    lower_mesh, lower_tooth = inputs.lower.mesh, placed.lower_tooth
    with clock.stage("jaw", "jaw: closures and tooth-guided movements"):
        for is_upper in (True, False):
            left_out = placed.left_out(upper=is_upper)
            kept = np.flatnonzero(~left_out).astype(np.int32)
            if is_upper and left_out.any():
                upper, upper_tooth = upper.part(kept), upper_tooth[kept]
            elif left_out.any():
                lower_mesh, lower_tooth = lower_mesh.submesh(kept)[0], lower_tooth[kept]
        model = jaw_model(inputs, placed, slide)
        natural = natural_teeth(upper, upper_tooth, lower_mesh, lower_tooth)
        run, pairs = run_jaw(model, natural, exact_pairs)
    return NaturalJaw(model, natural, run, pairs)


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
    bridges: list[tuple[int, ...]] = []
    hanging: set[int] = set()
    for crown in case.crowns:
        if crown.support == "implant":
            implants |= set(crown.iso)
        elif len(crown.iso) > 1:
            bridges.append(crown.iso)
            hanging |= {int(tooth) for tooth in crown.pontics}
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
            joined=tuple(bridges),
            hanging=frozenset(hanging),
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
