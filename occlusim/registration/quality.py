"""The verdict on a registered bite: accepted, doubtful or refused, with reasons in words.

Kept apart from the registration: the pose comes with its evidence, and whether to trust it is
a separate, visible decision.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float64Array, points_array
from occlusim.errors import RegistrationRefused
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import BiteRegistration
from occlusim.registration.evidence import BiteEvidence
from occlusim.registration.uncertainty import (
    describe_motion,
    displacement_sigma_um,
    weakest_motion,
)

State = Literal["accepted", "doubtful", "refused"]

SIGNIFICANT = 20.06
"""Chi-square with 6 degrees of freedom that noise exceeds once in 370 times (its table)."""


@dataclass(frozen=True, slots=True)
class QualitySettings:
    """Where a record stops being good enough, and where it is refused.

    Attributes
    ----------
    doubtful_sigma_um, refused_sigma_um : float
        Standard deviation of the displacement at a judged point. 25 um is the wanted gap of an
        implant crown in closure; 100 um is more than published repeats of whole records scatter
        (mean 69 um; Solaberrieta et al 2015, J Prosthet Dent 114:92-7).
    doubtful_disagreement_um, refused_disagreement_um : float
        Between bite scans, each alone, at a judged point. 100 um: published loss by tilt of two-
        sided records is about 40 um (Kakali & Halazonetis 2023, Korean J Orthod 53:254-263);
        300 um: one-sided records gone wrong by 165-369 um (J Dent Rehabil Appl Sci 2018;34(1)).
    doubtful_rms_um, refused_rms_um : float
        Residual of the inliers; scanner noise of two scans is 20-40 um (from memory).
    doubtful_agreement, refused_agreement : float
        Share of the surface lying on an arch that agrees with it; soft tissue moves, so a good
        record may lose a good part of its gingiva (from memory).
    doubtful_area_mm2, refused_area_mm2 : float
        Overlap of one bite scan with one arch. The outer face of a molar is about 60 mm2 (10 mm
        wide, 6 to 7 mm high; from memory); two to four teeth a side are wanted
        (Revilla-Leon et al 2023, J Dent 138:104718).
    least_slope : float
        Root mean square share of the surface's normals that resists the weakest motion; a flat
        patch has none. 0.01 is half a degree of slope over the whole overlap (own choice: ten
        times less than any row of teeth measured here).
    settled_um : float
        Last change of the iteration, at the lower scan's farthest point, beyond which the fit has
        not settled.
    """

    doubtful_sigma_um: float = 25.0
    refused_sigma_um: float = 100.0
    doubtful_disagreement_um: float = 100.0
    refused_disagreement_um: float = 300.0
    doubtful_rms_um: float = 50.0
    refused_rms_um: float = 100.0
    doubtful_agreement: float = 0.6
    refused_agreement: float = 0.35
    doubtful_area_mm2: float = 60.0
    refused_area_mm2: float = 20.0
    least_slope: float = 0.01
    settled_um: float = 1.0


@dataclass(frozen=True, slots=True)
class QualityVerdict:
    """Whether a registered bite can be trusted.

    Attributes
    ----------
    accepted : bool
        True unless refused: a doubtful record is used, and its verdict shown.
    state : 'accepted', 'doubtful' or 'refused'
    reasons : tuple of str
        Why not simply accepted, in words, the worst first.
    weakest_direction : str
        The motion of the lower arch that the record fixes least.
    sigma_um : (n, 3)
        Standard deviation of the displacement at each judged point along the axes (jaw axes where
        they were given, else the upper scan's); NaN where the record fixes nothing.
    disagreement_um : (n,)
        Between bite scans, each alone; NaN with fewer than two.
    """

    accepted: bool
    state: State
    reasons: tuple[str, ...]
    weakest_direction: str
    sigma_um: Float64Array
    disagreement_um: Float64Array


def judge_bite(
    registration: BiteRegistration,
    points: ArrayLike,
    *,
    T_jaw_upper: RigidTransform | None = None,
    settings: QualitySettings | None = None,
) -> QualityVerdict:
    """Return the verdict on a registered bite.

    Parameters
    ----------
    registration : BiteRegistration
        Of `register_bite`.
    points : (n, 3), mm, upper frame
        Where the pose matters: the crown's centroid, both first molars.
    T_jaw_upper : RigidTransform, optional
        Jaw axes for words and columns; the upper scan's own axes if absent.
    settings : QualitySettings, optional
        Thresholds.
    """
    settings = settings or QualitySettings()
    points = points_array(points)
    refused: list[str] = []
    doubtful: list[str] = []
    for number, bite in enumerate(registration.bites, start=1):
        _judge_part(number, bite, settings, refused, doubtful)
    if not registration.bites:
        return _given(registration, points, T_jaw_upper)
    weakest, slope = _weakest(registration, T_jaw_upper)
    sigma = np.full((len(points), 3), np.nan)
    disagreement = registration.side_disagreement_um(points)
    is_fixed = bool(np.isfinite(registration.covariance).all())
    if is_fixed:
        sigma = displacement_sigma_um(registration.covariance, points, T_jaw_upper)
    if not is_fixed or slope < settings.least_slope:
        refused.append(f"the overlap is too flat or too small to fix the lower arch: {weakest}")
    if not registration.last_change_um <= settings.settled_um:
        refused.append(
            f"the fit did not settle (last change {registration.last_change_um:.3g} um "
            f"after {registration.n_rounds} rounds)"
        )
    if is_fixed:
        worst = float(np.linalg.norm(sigma, axis=1).max())
        text = f"the pose is uncertain by {worst:.0f} um (1 sigma), mostly {weakest}"
        _grade(
            worst, settings.doubtful_sigma_um, settings.refused_sigma_um, text, refused, doubtful
        )
    is_real = disagreement > 2.0 * registration.side_disagreement_sigma_um(points)
    is_real &= registration.side_chi_square() > SIGNIFICANT
    if is_real.any():
        worst = float(disagreement[is_real].max())
        text = (
            f"the bite scans, each alone, disagree by {worst:.0f} um, more than their noise "
            "explains: rescan the one that was not fully closed"
        )
        limits = settings.doubtful_disagreement_um, settings.refused_disagreement_um
        _grade(worst, *limits, text, refused, doubtful)
    state: State = "refused" if refused else "doubtful" if doubtful else "accepted"
    return QualityVerdict(
        not refused, state, tuple(refused + doubtful), weakest, sigma, disagreement
    )


def require_accepted(verdict: QualityVerdict) -> None:
    """Raise `RegistrationRefused` with the reasons if the verdict is 'refused'."""
    if not verdict.accepted:
        raise RegistrationRefused(
            "the bite record was refused: " + "; ".join(verdict.reasons) + ". Rescan the bite with "
            "the teeth fully closed, two to four teeth on both sides, gingiva and cheek left out"
        )


def _grade(
    value: float,
    doubtful_at: float,
    refused_at: float,
    text: str,
    refused: list[str],
    doubtful: list[str],
) -> None:
    if value > refused_at:
        refused.append(text)
    elif value > doubtful_at:
        doubtful.append(text)


def _judge_part(
    number: int,
    bite: BiteEvidence,
    settings: QualitySettings,
    refused: list[str],
    doubtful: list[str],
) -> None:
    """Add the reasons of one bite scan, numbered from 1 in the order given."""
    for jaw, area in (("upper", bite.area_upper_mm2), ("lower", bite.area_lower_mm2)):
        if area <= 0:
            refused.append(f"bite scan {number} and the {jaw} arch show no common surface")
            continue
        text = f"bite scan {number} shows only {area:.0f} mm2 of the {jaw} arch"
        _grade(-area, -settings.doubtful_area_mm2, -settings.refused_area_mm2, text,
               refused, doubtful)  # fmt: skip
    if bite.n_points == 0:
        return
    text = f"bite scan {number} fits the arches only to {bite.rms_um:.0f} um (root mean square)"
    _grade(bite.rms_um, settings.doubtful_rms_um, settings.refused_rms_um, text, refused, doubtful)
    text = (
        f"only {100 * bite.agreement:.0f} % of bite scan {number} agrees with the arches it lies on"
    )
    limits = -settings.doubtful_agreement, -settings.refused_agreement
    _grade(-bite.agreement, *limits, text, refused, doubtful)


def _given(
    registration: BiteRegistration, points: Float64Array, T_jaw_upper: RigidTransform | None
) -> QualityVerdict:
    """Return the verdict on a frame that was given: nothing measured, nothing to doubt here."""
    motion, _ = weakest_motion(registration.covariance, registration.centre, registration.arm_mm)
    sigma = displacement_sigma_um(registration.covariance, points, T_jaw_upper)
    words = describe_motion(motion, T_jaw_upper)
    return QualityVerdict(True, "accepted", (), words, sigma, np.full(len(points), np.nan))


def _weakest(
    registration: BiteRegistration, T_jaw_upper: RigidTransform | None
) -> tuple[str, float]:
    """Return the weakest motion in words and the root mean square slope that resists it.

    From the geometry alone, so that it can be said of noise-free and of flat records too.
    """
    area = sum(b.area_lower_mm2 for b in registration.bites)
    if area <= 0 or not np.isfinite(registration.arm_mm) or registration.arm_mm <= 0:
        return "no common surface fixes any direction", 0.0
    scale = np.array([1 / registration.arm_mm] * 3 + [1.0] * 3)
    values, vectors = np.linalg.eigh(registration.hessian * scale[:, None] * scale)
    slope = float(np.sqrt(max(values[0], 0.0) / area))
    motion, is_known = vectors[:, 0], bool(np.isfinite(registration.covariance).all())
    if is_known:
        motion, _ = weakest_motion(
            registration.covariance, registration.centre, registration.arm_mm
        )
    return describe_motion(motion, T_jaw_upper), slope
