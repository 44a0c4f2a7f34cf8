"""The natural jaw of a case: fields, closures, datum, guided paths."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from occlusim.arrays import Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody, FoundationSettings
from occlusim.contact.least import least_gap
from occlusim.contact.patches import PairContact
from occlusim.geometry.scan_check import Finding
from occlusim.jaw.guidance import GuidanceSettings, Movement
from occlusim.motion.closure import Closure, ClosureSettings, Opposition
from occlusim.motion.datum import Datum, natural_datum
from occlusim.motion.excursion import ExcursionSettings
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import EXCURSIONS, JawModel, JawRun, resting, run_jaw
from occlusim.pipeline.placing import Placed, propped_finding
from occlusim.pipeline.results import closure_part, datum_part, pairs_of
from occlusim.pipeline.side_by_side import side_by_side
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


def run_jaw_stage(
    inputs: Inputs, placed: Placed, opposing_field: Callable[[], GapField], clock: Any
) -> JawStage:
    """Return fields, closures, datum and paths of a case's natural jaw.

    `opposing_field` gives the field of the arch that the crown meets.
    """
    is_upper = inputs.crown_spec.is_upper
    kept = np.flatnonzero(~placed.masked).astype(np.int32)
    own_mesh, _ = inputs.own_arch.mesh.submesh(kept)
    upper_tooth, lower_tooth = placed.upper_tooth, placed.lower_tooth
    if is_upper:
        upper_tooth = upper_tooth[kept]
    else:
        lower_tooth = lower_tooth[kept]
    with clock.stage("fields", "signed-distance fields of both arches"):
        own = GapField.build(own_mesh, BAND)
        antagonist = opposing_field()
    upper, lower = (own, antagonist) if is_upper else (antagonist, own)
    mesh = lower.surface.mesh
    body = ContactBody("natural teeth", mesh.vertices, mesh.faces, lower_tooth)
    natural = Opposition(upper, body, True, upper_tooth)
    model = jaw_model(inputs, placed)
    with clock.stage("jaw", "jaw: closures and tooth-guided movements"):
        run = run_jaw(model, natural)
    with clock.stage("datum", "datum: the natural contacts beside the crown"):
        pairs = exact_pairs(run.light, natural, lower, model)
        datum = natural_datum(pairs, inputs.crown_spec.iso[0])
        if datum.is_recorded:
            run = replace(run, paths=(resting("centric", model, 0.0, 0.0), *run.paths[1:]))
    T_upper_lower = placed.T_upper_lower
    T_antagonist_own = T_upper_lower.inverse() if is_upper else T_upper_lower
    findings = propped_finding(inputs, inputs.opposing_arch, placed.masked, T_antagonist_own)
    antagonist_tooth = lower_tooth if is_upper else upper_tooth
    return JawStage(model, antagonist, own, antagonist_tooth, natural, run, datum, tuple(findings))


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
    closure: Closure, natural: Opposition, lower: GapField, model: JawModel
) -> tuple[PairContact, ...]:
    """Return the closure's pairs with the exact least gap of both surfaces."""

    def exact(pair: PairContact) -> PairContact:
        found = least_gap(
            natural.field,
            lower,
            closure.T_upper_lower,
            faces_a=natural.field_tooth == pair.field_tooth,
            faces_b=natural.body.tooth == pair.body_tooth,
        )
        return replace(pair, least_gap_mm=found.gap_mm)

    pairs = pairs_of(closure, 0, natural, model.superior)
    return tuple(side_by_side([partial(exact, pair) for pair in pairs]))
