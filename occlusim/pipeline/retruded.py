"""The retruded record of a case: registered and judged like the bite, and the slide it gives.

A record that cannot be trusted gives no slide, and a finding says so: nothing is left out unseen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from occlusim.errors import InputError
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.slide import LEAST_SLIDE_MM, RetrusiveSlide
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.record import Placed, Source, register_scans
from occlusim.pipeline.units import numbers
from occlusim.registration.consistency import worst_disagreement
from occlusim.registration.quality import State, judge_bite
from occlusim.registration.reasons import RecordContext

ROLE = "retruded_bite"


@dataclass(frozen=True, slots=True)
class Retruded:
    """A retruded record with its verdict, and the slide from it where there is one.

    `T_upper_lower` is None where the record was refused; `reasons` are in words.
    """

    source: Source
    state: State
    reasons: tuple[str, ...] = ()
    T_upper_lower: RigidTransform | None = None
    slide: RetrusiveSlide | None = None
    findings: tuple[Finding, ...] = field(default=())

    def part(self) -> dict[str, Any]:
        """Return what the results say of the record; the slide's figures come beside it."""
        pose = self.T_upper_lower
        return {
            "source": self.source,
            "state": self.state,
            "reasons": list(self.reasons),
            "T_upper_lower": None if pose is None else numbers(pose.matrix, 12),
        }


def take_retruded(inputs: Inputs, placed: Placed, clock: Clock) -> Retruded | None:
    """Return the retruded record of a mounted case, or None where the case has none.

    Bite scans are looked for from the given retruded pose, or else from the intercuspal one.
    """
    given = inputs.case.scans.given_retruded_pose
    if not inputs.retruded_bites and given is None:
        return None
    with clock.stage("retruded", "registering the retruded record"):
        source, registration, problem = register_scans(
            inputs, inputs.retruded_bites, given, placed.T_upper_lower
        )
        if registration is None:
            return _refused(source, (str(problem),))
        points = np.array([place.point for place in placed.record.places])
        files = inputs.files_of(ROLE)
        names = [f"retruded bite scan {k} ({f.path.name})" for k, f in enumerate(files, start=1)]
        context = RecordContext(
            places=tuple(place.words for place in placed.record.places),
            bites=tuple(names),
            disagreement=worst_disagreement(registration, points),
        )
        verdict = judge_bite(
            registration, points, T_jaw_upper=placed.frame.T_jaw_upper, context=context
        )
    reasons = tuple(str(reason) for reason in verdict.reasons)
    if not verdict.accepted:
        return _refused(source, reasons)
    pose = registration.T_upper_lower
    findings = []
    if verdict.state == "doubtful":
        findings.append(
            _warning("slide_doubtful", "the retruded record is doubtful: " + "; ".join(reasons))
        )
    try:
        slide = RetrusiveSlide.between(placed.frame, pose, placed.T_upper_lower)
    except InputError as error:
        findings.append(_left_out(str(error)))
        return Retruded(source, verdict.state, reasons, pose, None, tuple(findings))
    if not slide.is_one:
        findings.append(
            Finding(
                "info",
                "no_slide",
                f"the condyles are at the same place in the retruded and in the intercuspal record "
                f"({slide.length_mm:.3f} mm apart, {LEAST_SLIDE_MM:g} mm can be told): there is "
                "no slide to follow",
                ROLE,
            )
        )
        return Retruded(source, verdict.state, reasons, pose, None, tuple(findings))
    return Retruded(source, verdict.state, reasons, pose, slide, tuple(findings))


def _refused(source: Source, reasons: tuple[str, ...]) -> Retruded:
    found = _left_out("the retruded record was refused: " + "; ".join(reasons))
    return Retruded(source, "refused", reasons, findings=(found,))


def _left_out(why: str) -> Finding:
    return _warning(
        "slide_left_out", f"the slide from the retruded position was left out, because {why}"
    )


def _warning(code: str, message: str) -> Finding:
    return Finding("warning", code, message, ROLE)
