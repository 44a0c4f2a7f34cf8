"""The natural jaw of a case: fields, closures, datum, guided paths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from occlusim.arrays import Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody, FoundationSettings
from occlusim.contact.least import least_gap
from occlusim.contact.patches import PairContact
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import Finding
from occlusim.jaw.guidance import GuidanceSettings, Movement
from occlusim.motion.closure import Closure, ClosureSettings, Opposition
from occlusim.motion.datum import Datum, natural_datum
from occlusim.motion.excursion import ExcursionSettings
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import EXCURSIONS, JawModel, JawRun, resting, run_jaw
from occlusim.pipeline.placing import Placed, propped_finding
from occlusim.pipeline.results import closure_part, datum_part, pairs_of
from occlusim.pipeline.units import BAND


@dataclass(frozen=True, slots=True)
class JawStage:
    """The jaw guided by the natural teeth alone.

    antagonist is the arch opposite the crown's; own is the crown's arch without the place that the
    crown stands for. In `natural` the lower teeth press into the upper ones, whichever arch the
    crown stands in, so one pair of arches closes and moves alike for every crown.
    """

    model: JawModel
    antagonist: GapField
    own: GapField
    antagonist_tooth: Int32Array
    natural: Opposition
    run: JawRun
    datum: Datum
    findings: tuple[Finding, ...]

    def closure_part(self) -> dict[str, Any]:
        """Return both closures without the crown."""
        return {
            name: {
                "without_crown": closure_part(closure, (self.natural,), self.model.superior, None)
            }
            for name, closure in (("light", self.run.light), ("heavy", self.run.heavy))
        }

    def datum_part(self) -> dict[str, Any]:
        """Return the datum's part of the results."""
        return datum_part(self.datum, self.natural)


@dataclass(frozen=True, slots=True)
class Fields:
    """The fields of a case, whole: the arch opposite the crown, the crown's own, the crown."""

    opposing: GapField
    own: GapField
    crown: GapField

    @staticmethod
    def build(inputs: Inputs) -> Fields:
        """Return the fields of a case's surfaces, each in its own frame."""
        opposing, own, crown = (
            GapField.build(surface, BAND)
            for surface in (inputs.opposing_arch, inputs.own_arch, inputs.crown)
        )
        return Fields(opposing, own, crown)


def run_jaw_stage(inputs: Inputs, placed: Placed, fields: Fields, clock: Any) -> JawStage:
    """Return closures, datum and paths of a case's natural jaw."""
    is_upper = inputs.crown_spec.is_upper
    upper_tooth, lower_tooth = placed.upper_tooth, placed.lower_tooth
    kept = np.flatnonzero(~placed.masked).astype(np.int32)
    if is_upper:
        upper_tooth = upper_tooth[kept]
    else:
        lower_tooth = lower_tooth[kept]
    antagonist = fields.opposing
    with clock.stage("jaw", "jaw: closures and tooth-guided movements"):
        model = jaw_model(inputs, placed)
        if is_upper:
            own = fields.own.part(kept)
            natural = natural_teeth(own, upper_tooth, antagonist.surface.mesh, lower_tooth)
            run, pairs = run_jaw(model, natural, partial(exact_pairs, natural, antagonist, model))
        else:
            mesh, _ = inputs.own_arch.mesh.submesh(kept)
            natural = natural_teeth(antagonist, upper_tooth, mesh, lower_tooth)

            def beside(light: Closure) -> tuple[GapField, tuple[PairContact, ...]]:
                own = fields.own.part(kept)
                return own, exact_pairs(natural, own, model, light)

            run, (own, pairs) = run_jaw(model, natural, beside)
    with clock.stage("datum", "datum: the natural contacts beside the crown"):
        datum = natural_datum(pairs, inputs.crown_spec.iso[0])
        if datum.is_recorded:
            run = replace(run, paths=(resting("centric", model, 0.0, 0.0), *run.paths[1:]))
    T_upper_lower = placed.T_upper_lower
    T_antagonist_own = T_upper_lower.inverse() if is_upper else T_upper_lower
    findings = propped_finding(inputs, inputs.opposing_arch, placed.masked, T_antagonist_own)
    antagonist_tooth = lower_tooth if is_upper else upper_tooth
    return JawStage(model, antagonist, own, antagonist_tooth, natural, run, datum, tuple(findings))


def natural_teeth(
    upper: GapField, upper_tooth: Int32Array, lower: TriangleMesh, lower_tooth: Int32Array
) -> Opposition:
    """Return the lower teeth pressing into the upper ones; tooth (F,) of the faces of each."""
    body = ContactBody("natural teeth", lower.vertices, lower.faces, lower_tooth)
    return Opposition(upper, body, True, upper_tooth)


def jaw_model(inputs: Inputs, placed: Placed) -> JawModel:
    """Return the model of a case's jaw from its settings, in inside units."""
    case = inputs.case
    guidance = GuidanceSettings.from_degrees(
        inclination_plane=case.guidance.inclination_plane,
        sagittal_inclination_deg=case.guidance.sagittal_inclination_deg.model_dump(),
        bennett_angle_deg=case.guidance.bennett_angle_deg.model_dump(),
        immediate_side_shift_mm=case.guidance.immediate_side_shift_mm.model_dump(),
    )
    lateral_mm, forward_mm = case.movements.laterotrusion_mm, case.movements.protrusion_mm
    excursions: dict[Movement, ExcursionSettings] = {}
    for name in EXCURSIONS:
        length = forward_mm if name == "protrusion" else lateral_mm
        if length > 0:
            excursions[name] = ExcursionSettings(min(case.movements.step_mm, length), length)
    return JawModel(
        placed.frame,
        guidance,
        placed.T_upper_lower,
        case.loads.light_N,
        case.loads.heavy_N,
        excursions,
        FoundationSettings(),
        ClosureSettings(),
    )


def exact_pairs(
    natural: Opposition, lower: GapField, model: JawModel, closure: Closure
) -> tuple[PairContact, ...]:
    """Return the closure's pairs with the exact least gap of both surfaces."""
    found = []
    for pair in pairs_of(closure, 0, natural, model.superior):
        least = least_gap(
            natural.field,
            lower,
            closure.T_upper_lower,
            faces_a=natural.field_tooth == pair.field_tooth,
            faces_b=natural.body.tooth == pair.body_tooth,
        )
        found.append(replace(pair, least_gap_mm=least.gap_mm))
    return tuple(found)
