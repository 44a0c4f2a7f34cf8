"""How the natural teeth meet at a case's record, and which of two bite scans is likelier wrong."""

from __future__ import annotations

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import occlusal_normal
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.placing import Standing, propped_finding
from occlusim.registration.bite import BiteRegistration
from occlusim.registration.consistency import Disagreement
from occlusim.registration.quality import QualityVerdict
from occlusim.registration.record_contact import (
    REACHES_MM,
    RecordContact,
    ToothFaces,
    record_contact,
)
from occlusim.registration.uncertainty import covariance_about

LIKELIER_UM = 20.0
"""Two bite scans whose natural contacts differ by less are equally likely wrong: scanner noise."""

LIKELIER_FIT = 1.5
"""A bite scan that fits worse than another by this factor is more likely wrong (own choice)."""


def height_sigma_mm(
    registration: BiteRegistration, standing: Standing | None, points: Float64Array
) -> float:
    """Return the largest standard deviation of points (n, 3) across the occlusal plane, mm.

    Zero where the plane or the covariance is not known.
    """
    if standing is None or not np.isfinite(registration.covariance).all():
        return 0.0
    up = occlusal_normal(standing.frame.landmarks)
    variances = [
        float(up @ covariance_about(registration.covariance, point)[3:, 3:] @ up)
        for point in points
    ]
    return float(np.sqrt(max(variances)))


def contact_of(
    inputs: Inputs,
    standing: Standing | None,
    T_upper_lower: RigidTransform,
    sigma_height_mm: float,
) -> RecordContact:
    """Return how the natural teeth meet at a pose; the crowns' places are left out."""
    faces = [np.ones(len(s.mesh.faces), dtype=bool) for s in (inputs.upper, inputs.lower)]
    if standing is not None:
        faces = [standing.teeth.upper_tooth > 0, standing.teeth.lower_tooth > 0]
        faces[0] &= ~standing.left_out(upper=True)
        faces[1] &= ~standing.left_out(upper=False)
    return record_contact(
        ToothFaces(inputs.upper, faces[0]),
        ToothFaces(inputs.lower, faces[1]),
        T_upper_lower,
        T_jaw_upper=standing.frame.T_jaw_upper if standing else None,
        sigma_height_mm=sigma_height_mm,
    )


def suspected(
    inputs: Inputs,
    registration: BiteRegistration,
    standing: Standing | None,
    disagreement: Disagreement | None,
    sides: tuple[str | None, ...],
) -> int | None:
    """Return the bite scan of a disagreeing pair that is likelier wrong, or None.

    Each puts the teeth that it shows together in its own way: the one that leaves them apart, or
    overlaps them implausibly, is suspected, else the one that fits its arches clearly worse.
    """
    if disagreement is None:
        return None
    pair = disagreement.pair
    if standing is not None:
        wrong_um = []
        for k in pair:
            contact = contact_of(inputs, standing, registration.T_upper_lower_alone[k], 0.0)
            meeting = contact.sides.get(sides[k] or "", contact.whole)
            gap_mm = meeting.gap_mm if np.isfinite(meeting.gap_mm) else REACHES_MM[-1]
            beyond = max(gap_mm, -gap_mm - contact.limit_overlap_mm, 0.0)
            wrong_um.append(1e3 * beyond)
        if abs(wrong_um[0] - wrong_um[1]) > LIKELIER_UM:
            return pair[int(np.argmax(wrong_um))]
    rms = [registration.bites[k].rms_um for k in pair]
    if max(rms) > LIKELIER_FIT * min(rms):
        return pair[int(np.argmax(rms))]
    return None


def contact_findings(
    inputs: Inputs,
    standing: Standing | None,
    verdict: QualityVerdict,
    T_upper_lower: RigidTransform,
) -> list[Finding]:
    """Return how the teeth meet as findings, where they do not meet as teeth do."""
    findings = [
        Finding("warning", f"record_{reason.code}", reason.message)
        for reason in verdict.reasons
        if reason.code in ("over_closed", "propped_open", "one_side_open")
    ]
    for index, masked in enumerate(standing.masked if standing is not None else ()):
        own = inputs.for_crown(index)
        T_antagonist_own = T_upper_lower.inverse() if own.crown_spec.is_upper else T_upper_lower
        findings += propped_finding(own, own.opposing_arch, masked, T_antagonist_own)
    return findings
