"""Reasons to doubt or refuse a bite record, each with a stable code, words and advice."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Literal

from occlusim.registration.consistency import Disagreement
from occlusim.registration.evidence import BiteEvidence
from occlusim.registration.halves import HalvesTest
from occlusim.registration.record_contact import REACHES_MM, Meeting, RecordContact

MORE_TEETH = "scan the bite so that it shows two to four teeth of both jaws on either side"
SOFT_TISSUE = "scan it again with the cheek and tongue held away and the teeth dry"
CLOSED = "have the patient close fully into the habitual bite and scan it again"
AGAIN = "scan the bite again; if it stays, scan the arches again: one of them is distorted"
ALIGNED = "check how the arches were aligned, or give bite scans"


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
        Share of what a bite scan shows of an arch that agrees with it. Soft tissue moves, so a good
        record may lose a good part of its gingiva (from memory), which counts little; bite scans
        of another mouth have 0.3 to 0.45 (demo arches, `benchmarks/records.py`).
    doubtful_area_mm2, refused_area_mm2 : float
        Overlap of one bite scan with one arch. The outer face of a molar is about 60 mm2 (10 mm
        wide, 6 to 7 mm high; from memory); two to four teeth a side are wanted
        (Revilla-Leon et al 2023, J Dent 138:104718).
    least_slope : float
        Root mean square share of the surface's normals that resists the weakest motion; a flat
        patch has none. 0.01 is half a degree of slope over the whole overlap (own choice: ten
        times less than any row of teeth measured here).
    doubtful_warp_um, refused_warp_um : float
        Between the two halves of one bite scan on one arch. 60 um: quadrant scans deviate by 50 to
        60 um (Moon & Lee 2020, Prog Orthod 21:36); 300 um as between bite scans.
    doubtful_rival : float
        Area that a bite scan agrees with at a second place of an arch, as a share of the first.
        Found right, it is at most 0.43 for whole demo records and 0.62 for deep bites; at a place
        found by chance the next is as good (0.9 and more).
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
    doubtful_agreement: float = 0.75
    refused_agreement: float = 0.5
    doubtful_area_mm2: float = 60.0
    refused_area_mm2: float = 20.0
    doubtful_warp_um: float = 60.0
    refused_warp_um: float = 300.0
    doubtful_rival: float = 0.85
    least_slope: float = 0.01
    settled_um: float = 1.0


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a record is not simply accepted, and what to do about it.

    `code` is stable for programs, `message` and `advice` are words, `state` says what the reason
    alone makes of the record.
    """

    code: str
    state: Literal["doubtful", "refused"]
    message: str
    advice: str

    def __str__(self) -> str:
        return f"{self.message}: {self.advice}"


@dataclass(frozen=True, slots=True)
class RecordContext:
    """What is known of a record beside its registration; all of it may be left out.

    Attributes
    ----------
    places : tuple of str
        What the judged points are called, such as ``46``.
    bites : tuple of str
        What the bite scans are called, such as ``bite scan 1 (bite_right.ply)``.
    sides : tuple of str or None
        Which part of the arch each bite scan shows: 'right', 'left', 'front' or 'both sides'.
    disagreement : Disagreement, optional
        What two bite scans say differently beyond their noise (`consistency.worst_disagreement`).
    suspect : int, optional
        The bite scan of the disagreeing pair that is more likely wrong; None where neither is.
    halves : tuple of HalvesTest
        The bite scans' halves against each other.
    contact : RecordContact, optional
        How the natural teeth meet.
    others : tuple of Reason
        What was found elsewhere.
    """

    places: tuple[str, ...] = ()
    bites: tuple[str, ...] = ()
    sides: tuple[str | None, ...] = ()
    disagreement: Disagreement | None = None
    suspect: int | None = None
    halves: tuple[HalvesTest, ...] = ()
    contact: RecordContact | None = None
    others: tuple[Reason, ...] = ()

    def bite(self, k: int) -> str:
        """Return what bite scan k is called."""
        return self.bites[k] if k < len(self.bites) else f"bite scan {k + 1}"

    def place(self, k: int) -> str:
        """Return what point k is called."""
        return self.places[k] if k < len(self.places) else f"point {k + 1}"

    def side(self, k: int) -> str | None:
        """Return which part of the arch bite scan k shows, or None."""
        return self.sides[k] if k < len(self.sides) else None

    def record(self, k: int) -> str:
        """Return a bite scan by its side where no other one shows the same, else by its name."""
        side = self.side(k)
        return f"the {side} record" if side and self.sides.count(side) == 1 else self.bite(k)


def graded(
    value: float, limits: tuple[float, float], code: str, message: str, advice: str
) -> list[Reason]:
    """Return the reason that a value gives above its limits (doubtful, refused), if any."""
    doubtful_at, refused_at = limits
    if value > refused_at:
        return [Reason(code, "refused", message, advice)]
    return [Reason(code, "doubtful", message, advice)] if value > doubtful_at else []


def part_reasons(name: str, bite: BiteEvidence, settings: QualitySettings) -> list[Reason]:
    """Return the reasons of one bite scan."""
    reasons: list[Reason] = []
    for jaw, area in (("upper", bite.area_upper_mm2), ("lower", bite.area_lower_mm2)):
        if area <= 0:
            text = f"{name} and the {jaw} arch show no common surface"
            advice = "check that it belongs to this case, and " + MORE_TEETH
            reasons.append(Reason("no_common_surface", "refused", text, advice))
            continue
        text = f"{name} shows only {area:.0f} mm² of the {jaw} arch"
        limits = -settings.doubtful_area_mm2, -settings.refused_area_mm2
        reasons += graded(-area, limits, "small_overlap", text, MORE_TEETH)
    if bite.n_points == 0:
        return reasons
    text = f"{name} fits the arches only to {bite.rms_um:.0f} µm (root mean square)"
    limits = settings.doubtful_rms_um, settings.refused_rms_um
    reasons += graded(bite.rms_um, limits, "poor_fit", text, SOFT_TISSUE)
    limits = -settings.doubtful_agreement, -settings.refused_agreement
    for jaw, share in (("upper", bite.agreement_upper), ("lower", bite.agreement_lower)):
        text = f"only {100 * share:.0f} % of what {name} shows of the {jaw} arch agrees with it"
        advice = f"check that it belongs to this {jaw} arch, and {SOFT_TISSUE}"
        reasons += graded(-share, limits, "low_agreement", text, advice)
    return reasons


def disagreement_reasons(context: RecordContext, settings: QualitySettings) -> list[Reason]:
    """Return the reason that two bite scans disagree by more than their noise explains."""
    found = context.disagreement
    if found is None:
        return []
    first, second = found.pair
    if context.suspect == second:
        first, second = second, first
    where = f" at {context.place(found.place)}" if context.places else ""
    text = (
        f"{context.record(first)} disagrees with {_other(context, first, second)} by "
        f"{found.shift_um:.0f} µm{where}, more than their noise explains ({found.sigma_um:.0f} µm)"
    )
    if context.suspect is None:
        advice = "rescan both bites, the teeth fully closed: it cannot be said which one is wrong"
    else:
        side = context.side(context.suspect)
        named = f"the {side} side" if side in ("right", "left") else context.record(context.suspect)
        advice = f"rescan {named}, the teeth fully closed"
    limits = settings.doubtful_disagreement_um, settings.refused_disagreement_um
    return graded(found.shift_um, limits, "sides_disagree", text, advice)


def _other(context: RecordContext, first: int, second: int) -> str:
    """Return the second of a pair in words: ``the right`` after ``the left record``."""
    both = [context.record(k) for k in (first, second)]
    return both[1].removesuffix(" record") if all(r.endswith(" record") for r in both) else both[1]


def warp_reasons(context: RecordContext, settings: QualitySettings) -> list[Reason]:
    """Return the reasons that a bite scan's halves disagree."""
    reasons = []
    for half in context.halves:
        if not half.is_real:
            continue
        text = (
            f"the two halves of {context.bite(half.bite)} disagree on the {half.arch} arch by "
            f"{half.shift_um:.0f} µm, more than their noise explains ({half.sigma_um:.0f} µm): one "
            "of the two scans is warped there"
        )
        advice = f"rescan this bite; if it stays, rescan the {half.arch} arch"
        limits = settings.doubtful_warp_um, settings.refused_warp_um
        reasons += graded(half.shift_um, limits, "warped", text, advice)
    return reasons


def contact_reasons(context: RecordContext, *, is_given: bool) -> list[Reason]:
    """Return the reason that natural teeth cannot meet as the record has them."""
    contact = context.contact
    if contact is None or contact.state == "meets":
        return []
    gap_um = 1e3 * contact.whole.gap_mm
    if contact.state == "over_closed":
        text = (
            f"the natural teeth overlap by {-gap_um:.0f} µm, up to "
            f"{1e3 * contact.limit_overlap_mm:.0f} µm is plausible: the record is over-closed"
        )
        return [Reason("over_closed", "doubtful", text, ALIGNED if is_given else AGAIN)]
    if contact.state == "open":
        text = (
            f"the natural teeth do not touch, they stay {_apart(contact.whole)} apart: the record "
            "is propped open"
        )
        return [Reason("propped_open", "doubtful", text, ALIGNED if is_given else CLOSED)]
    side = contact.open_side or ""
    apart = _apart(contact.sides[side])
    text = f"the natural teeth touch on one side only: on the {side} they stay {apart} apart"
    advice = f"unless the {side} teeth do not meet in the mouth either, "
    advice += ALIGNED if is_given else CLOSED
    return [Reason("one_side_open", "doubtful", text, advice)]


def _apart(meeting: Meeting) -> str:
    if not isfinite(meeting.gap_mm):
        return f"more than {REACHES_MM[-1]:g} mm"
    return f"{1e3 * meeting.gap_mm:.0f} µm"
