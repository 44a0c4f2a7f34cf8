"""The verdict on a bite record: accepted, doubtful or refused, with reasons and advice in words.

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
from occlusim.registration.consistency import worst_disagreement
from occlusim.registration.reasons import (
    MORE_TEETH,
    QualitySettings,
    Reason,
    RecordContext,
    contact_reasons,
    disagreement_reasons,
    graded,
    part_reasons,
    warp_reasons,
)
from occlusim.registration.uncertainty import (
    describe_motion,
    displacement_sigma_um,
    weakest_motion,
)

__all__ = [
    "QualitySettings",
    "QualityVerdict",
    "Reason",
    "RecordContext",
    "judge_bite",
    "require_accepted",
]

State = Literal["accepted", "doubtful", "refused"]


@dataclass(frozen=True, slots=True)
class QualityVerdict:
    """Whether a bite record can be trusted.

    Attributes
    ----------
    accepted : bool
        True unless refused: a doubtful record is used, and its verdict shown.
    state : 'accepted', 'doubtful' or 'refused'
    reasons : tuple of Reason
        Why not simply accepted, and what to do, the worst first.
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
    reasons: tuple[Reason, ...]
    weakest_direction: str
    sigma_um: Float64Array
    disagreement_um: Float64Array


def judge_bite(
    registration: BiteRegistration,
    points: ArrayLike,
    *,
    T_jaw_upper: RigidTransform | None = None,
    settings: QualitySettings | None = None,
    context: RecordContext | None = None,
) -> QualityVerdict:
    """Return the verdict on a bite record.

    Parameters
    ----------
    registration : BiteRegistration
        Of `register_bite`, or of `shared_frame_registration`: there nothing was measured, so only
        how the teeth meet can be doubted.
    points : (n, 3), mm, upper frame
        Where the pose matters: the crown's centroid, both first molars.
    T_jaw_upper : RigidTransform, optional
        Jaw axes for words and columns; the upper scan's own axes if absent.
    settings : QualitySettings, optional
        Thresholds.
    context : RecordContext, optional
        Names for the words, and what other tests found. Without it bite scans are compared here.
    """
    settings = settings or QualitySettings()
    points = points_array(points)
    context = context or RecordContext(disagreement=worst_disagreement(registration, points))
    sigma = np.full((len(points), 3), np.nan)
    if np.isfinite(registration.covariance).all():
        sigma = displacement_sigma_um(registration.covariance, points, T_jaw_upper)
    weakest, slope = _weakest(registration, T_jaw_upper)
    reasons: list[Reason] = list(context.others)
    if registration.bites:
        for k, bite in enumerate(registration.bites):
            reasons += part_reasons(context.bite(k), bite, settings)
        reasons += _pose_reasons(registration, sigma, (weakest, slope), settings, context)
        reasons += disagreement_reasons(context, settings)
        reasons += warp_reasons(context, settings)
    reasons += contact_reasons(context, is_given=not registration.bites)
    refused = [r for r in reasons if r.state == "refused"]
    doubtful = [r for r in reasons if r.state == "doubtful"]
    state: State = "refused" if refused else "doubtful" if doubtful else "accepted"
    return QualityVerdict(
        not refused,
        state,
        (*refused, *doubtful),
        weakest,
        sigma,
        registration.side_disagreement_um(points),
    )


def require_accepted(verdict: QualityVerdict) -> None:
    """Raise `RegistrationRefused` with the reasons if the verdict is 'refused'."""
    if not verdict.accepted:
        raise RegistrationRefused(
            "the bite record was refused: "
            + "; ".join(r.message for r in verdict.reasons)
            + ". What to do: "
            + "; ".join(dict.fromkeys(r.advice for r in verdict.reasons))
        )


def _pose_reasons(
    registration: BiteRegistration,
    sigma_um: Float64Array,
    weakest: tuple[str, float],
    settings: QualitySettings,
    context: RecordContext,
) -> list[Reason]:
    """Return the reasons that lie in the pose as a whole."""
    words, slope = weakest
    reasons: list[Reason] = []
    is_fixed = bool(np.isfinite(registration.covariance).all())
    if not is_fixed or slope < settings.least_slope:
        reasons.append(
            Reason(
                "not_fixed",
                "refused",
                f"the overlap is too flat or too small to fix the lower arch: {words}",
                MORE_TEETH,
            )
        )
    start = registration.start
    if start is not None and start.rival > settings.doubtful_rival:
        text = (
            f"a bite scan fits at another place of an arch nearly as well ({100 * start.rival:.0f} "
            "% of the agreeing surface)"
        )
        reasons.append(Reason("not_unique", "doubtful", text, MORE_TEETH))
    if not registration.last_change_um <= settings.settled_um:
        reasons.append(
            Reason(
                "not_settled",
                "refused",
                f"the fit did not settle (last change {registration.last_change_um:.3g} µm after "
                f"{registration.n_rounds} rounds)",
                "check that the bite scans belong to these arches, and scan them again",
            )
        )
    if is_fixed and len(sigma_um):
        worst = int(np.argmax(np.linalg.norm(sigma_um, axis=1)))
        size = float(np.linalg.norm(sigma_um[worst]))
        limits = settings.doubtful_sigma_um, settings.refused_sigma_um
        where = f" at {context.place(worst)}" if context.places else ""
        text = f"the pose is uncertain by {size:.0f} µm (1 sigma){where}, mostly {words}"
        reasons += graded(size, limits, "uncertain", text, _surer(context))
    return reasons


def _surer(context: RecordContext) -> str:
    """Return what would make the pose surer."""
    seen = {side for side in context.sides if side}
    if seen and "both sides" not in seen:
        for side, other in (("right", "left"), ("left", "right")):
            if side in seen and other not in seen:
                return f"add a bite scan of the {other} side"
    return MORE_TEETH


def _weakest(
    registration: BiteRegistration, T_jaw_upper: RigidTransform | None
) -> tuple[str, float]:
    """Return the weakest motion in words and the root mean square slope that resists it.

    From the geometry alone, so that it can be said of noise-free and of flat records too.
    """
    if not registration.bites:
        return "no direction more than another: the spread is assumed", np.inf
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
