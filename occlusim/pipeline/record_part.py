"""The bite record's part of the results, in outside units."""

from __future__ import annotations

from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.jaw.frame import occlusal_normal
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.placing import Standing
from occlusim.pipeline.record import Record
from occlusim.pipeline.units import UM, numbers
from occlusim.registration.bite import BiteRegistration
from occlusim.registration.consistency import ChanceTest
from occlusim.registration.record_contact import Meeting
from occlusim.registration.uncertainty import covariance_about

VERDICT_STATE = {"accepted": "sound", "doubtful": "doubtful", "refused": "refused"}
"""What a case is called whose bite record is accepted, doubtful or refused."""


def registration_part(inputs: Inputs, record: Record) -> dict[str, Any]:
    """Return the registration's part of the results.

    A refused record has its evidence here and no pose: `T_upper_lower`, the covariance and every
    pose of a bite scan are None.
    """
    verdict, found = record.verdict, record.registration
    is_refused = verdict.state == "refused"
    pose = None if found is None or is_refused else numbers(found.T_upper_lower.matrix, 12)
    part: dict[str, Any] = {
        "T_upper_lower": pose,
        "source": record.source,
        "state": verdict.state,
        "accepted": verdict.accepted,
        "reasons": [
            {"code": r.code, "state": r.state, "message": r.message, "advice": r.advice}
            for r in verdict.reasons
        ],
    }
    if found is None:
        return part | {"bites": []}
    part |= {
        "rms_um": found.rms_um,
        "bites": _bites(inputs, record, found, is_refused),
        "weakest_direction": verdict.weakest_direction,
    }
    if is_refused:
        return part | {"covariance": None}
    about = record.places[0].point
    axes = record.standing.frame.T_jaw_upper if record.standing else None
    return part | {
        "covariance": covariance_about(found.covariance, about, axes).tolist(),
        "covariance_at_mm": numbers(about),
        "covariance_axes": "jaw" if axes else "upper scan",
        "uncertainty": uncertainty_part(record, found),
        "side_disagreement_um": _by_place(record, verdict.disagreement_um),
        "consistency": consistency_part(inputs, record),
        "contact": contact_part(record),
    }


def _by_place(record: Record, values: Float64Array) -> dict[str, float]:
    return {p.name: float(v) for p, v in zip(record.places, values, strict=True)}


def _bites(
    inputs: Inputs, record: Record, found: BiteRegistration, is_refused: bool
) -> list[dict[str, Any]]:
    sides = record.sides or (None,) * len(found.bites)
    return [
        {
            "file": file.path.name,
            "side": side,
            "rms_um": bite.rms_um,
            "p95_um": bite.p95_um,
            "area_upper_mm2": bite.area_upper_mm2,
            "area_lower_mm2": bite.area_lower_mm2,
            "agreement": bite.agreement,
            "n_points": bite.n_points,
            "n_independent": bite.n_independent,
            "T_upper_bite": None if is_refused else numbers(bite.T_upper_bite.matrix, 12),
        }
        for file, side, bite in zip(inputs.bite_files, sides, found.bites, strict=True)
    ]


def uncertainty_part(record: Record, found: BiteRegistration) -> dict[str, Any]:
    """Return the standard deviation of the lower jaw's displacement at each place, um."""
    part = {}
    for place in record.places:
        covariance = 1e6 * covariance_about(found.covariance, place.point)[3:, 3:]
        spread = {
            "tooth": str(place.tooth) if place.tooth else None,
            "at_mm": numbers(place.point),
            "total_um": _root(np.trace(covariance)),
        }
        if record.standing is not None:
            spread |= _split(covariance, record.standing)
        part[place.name] = spread
    return part


def _split(covariance_um2: Float64Array, standing: Standing) -> dict[str, float]:
    """Return a displacement's standard deviation along and across the occlusal plane."""
    right, anterior = standing.frame.T_jaw_upper.rotation[:2]
    up = occlusal_normal(standing.frame.landmarks)
    height = float(up @ covariance_um2 @ up)
    return {
        "height_um": _root(height),
        "in_plane_um": _root(np.trace(covariance_um2) - height),
        "right_um": _root(right @ covariance_um2 @ right),
        "anterior_um": _root(anterior @ covariance_um2 @ anterior),
    }


def _root(variance: float) -> float:
    return float(np.sqrt(max(float(variance), 0.0)))


def consistency_part(inputs: Inputs, record: Record) -> dict[str, Any] | None:
    """Return what the parts of the record say against each other; None without bite scans."""
    if not inputs.bites:
        return None
    names = [file.path.name for file in inputs.bite_files]
    # A single bite scan is the joint pose, so `record.alone` is empty then.
    return {
        "one_pose": None if record.same_pose is None else _test(record.same_pose),
        "alone": [
            {
                "file": name,
                "side": side,
                "at": {
                    place.name: _displacement(record, shift, sigma)
                    for place, shift, sigma in zip(
                        record.places, alone.shift_um, alone.sigma_um, strict=True
                    )
                },
            }
            for name, side, alone in zip(names, record.sides, record.alone, strict=False)
        ],
        "halves": [
            {
                "file": names[half.bite],
                "arch": half.arch,
                "shift_um": half.shift_um,
                "expected_sigma_um": half.sigma_um,
                "at_mm": numbers(half.at),
                **_test(half.test),
            }
            for half in record.halves
        ],
    }


def _displacement(record: Record, shift_um: Float64Array, sigma_um: float) -> dict[str, Any]:
    part: dict[str, Any] = {
        "shift_um": float(np.linalg.norm(shift_um)),
        "expected_sigma_um": float(sigma_um),
    }
    if record.standing is not None:
        up = occlusal_normal(record.standing.frame.landmarks)
        height = float(up @ shift_um)
        part |= {
            "height_um": height,
            "in_plane_um": float(np.linalg.norm(shift_um - height * up)),
        }
    return part


def _test(test: ChanceTest) -> dict[str, Any]:
    return {
        "statistic": test.statistic,
        "degrees_of_freedom": test.degrees_of_freedom,
        "p_value": test.p_value,
        "within_noise": test.is_chance,
    }


def contact_part(record: Record) -> dict[str, Any] | None:
    """Return how the natural teeth meet at the record."""
    contact = record.contact
    if contact is None:
        return None
    return {
        "state": contact.state,
        "open_side": contact.open_side,
        **_meeting(contact.whole),
        "limit_open_um": contact.limit_open_mm * UM,
        "limit_overlap_um": contact.limit_overlap_mm * UM,
        "sides": {name: _meeting(side) for name, side in contact.sides.items()},
    }


def _meeting(meeting: Meeting) -> dict[str, Any]:
    return {
        "supported_gap_um": meeting.gap_mm * UM,
        "overlap_mm2": meeting.overlap_mm2,
        "overlap_mm3": meeting.overlap_mm3,
        "at_mm": numbers(meeting.at),
    }
