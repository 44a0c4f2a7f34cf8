"""Every reason says what is wrong and what to do, with a code that programs can rely on."""

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.errors import RegistrationRefused
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.consistency import ChanceTest, Disagreement
from occlusim.registration.evidence import BiteEvidence
from occlusim.registration.halves import HalvesTest
from occlusim.registration.quality import judge_bite, require_accepted
from occlusim.registration.reasons import (
    QualitySettings,
    Reason,
    RecordContext,
    contact_reasons,
    disagreement_reasons,
    graded,
    part_reasons,
    warp_reasons,
)
from occlusim.registration.record_contact import Meeting, RecordContact
from occlusim.registration.shared_frame import shared_frame_registration

SETTINGS = QualitySettings()
GOOD = BiteEvidence(
    T_upper_bite=RigidTransform.identity(),
    rms_um=15.0,
    p95_um=30.0,
    area_upper_mm2=200.0,
    area_lower_mm2=180.0,
    n_points=5000,
    n_independent=600.0,
    correlation_area_mm2=0.5,
    variance_mm2=2e-4,
    agreement_upper=0.95,
    agreement_lower=0.9,
    vertex=np.arange(5000),
    residual_mm=np.zeros(5000),
)
APART = Disagreement((0, 1), 1, 140.0, 20.0)
NAMED = RecordContext(
    places=("46", "36"), bites=("scan 1", "scan 2"), sides=("right", "left"), disagreement=APART
)


def _codes(reasons: list[Reason]) -> list[tuple[str, str]]:
    return [(reason.code, reason.state) for reason in reasons]


def test_a_value_is_doubted_and_refused_beyond_its_limits():
    for value, state in ((1.0, []), (1.5, ["doubtful"]), (2.5, ["refused"])):
        assert [r.state for r in graded(value, (1.0, 2.0), "code", "message", "advice")] == state


@pytest.mark.parametrize(
    ("change", "codes"),
    [
        ({}, []),
        ({"area_upper_mm2": 0.0}, [("no_common_surface", "refused")]),
        ({"area_lower_mm2": 40.0}, [("small_overlap", "doubtful")]),
        ({"area_lower_mm2": 10.0}, [("small_overlap", "refused")]),
        ({"rms_um": 70.0}, [("poor_fit", "doubtful")]),
        ({"rms_um": 170.0}, [("poor_fit", "refused")]),
        ({"agreement_lower": 0.7}, [("low_agreement", "doubtful")]),
        ({"agreement_upper": 0.2}, [("low_agreement", "refused")]),
    ],
)
def test_what_is_wrong_with_a_bite_scan_has_a_code_words_and_advice(change, codes):
    reasons = part_reasons("scan 1", replace(GOOD, **change), SETTINGS)
    assert _codes(reasons) == codes
    for reason in reasons:
        assert re.fullmatch(r"[a-z0-9_]+", reason.code)
        assert "scan 1" in reason.message
        assert len(reason.advice) > 20
        assert str(reason) == f"{reason.message}: {reason.advice}"


def test_the_suspect_is_named_first_and_its_rescan_advised():
    (left,) = disagreement_reasons(replace(NAMED, suspect=1), SETTINGS)
    assert left.message == (
        "the left record disagrees with the right by 140 µm at 36, more than their noise explains "
        "(20 µm)"
    )
    assert left.advice == "rescan the left side, the teeth fully closed"
    (right,) = disagreement_reasons(replace(NAMED, suspect=0), SETTINGS)
    assert right.message.startswith("the right record disagrees with the left by 140 µm at 36")
    (either,) = disagreement_reasons(NAMED, SETTINGS)
    assert "rescan both" in either.advice


def test_two_scans_of_one_side_go_by_their_names():
    same = replace(NAMED, sides=("left", "left"), suspect=1)
    (reason,) = disagreement_reasons(same, SETTINGS)
    assert reason.message.startswith("scan 2 disagrees with scan 1 by 140 µm")


@pytest.mark.parametrize(("um", "state"), [(60.0, []), (140.0, ["doubtful"]), (350.0, ["refused"])])
def test_how_far_sides_disagree_decides(um, state):
    context = replace(NAMED, disagreement=replace(APART, shift_um=um))
    assert [r.state for r in disagreement_reasons(context, SETTINGS)] == state


def _half(shift_um: float, p_value: float) -> HalvesTest:
    test = ChanceTest(30.0, 6, p_value)
    return HalvesTest(1, "lower", test, shift_um, 10.0, np.zeros(3))


@pytest.mark.parametrize(
    ("shift_um", "p_value", "n"), [(80.0, 1e-5, 1), (80.0, 0.2, 0), (40.0, 1e-5, 0), (15.0, 0.0, 0)]
)
def test_a_warp_counts_where_it_is_real_and_large(shift_um, p_value, n):
    reasons = warp_reasons(replace(NAMED, halves=(_half(shift_um, p_value),)), SETTINGS)
    assert _codes(reasons) == [("warped", "doubtful")] * n
    for reason in reasons:
        assert "scan 2 disagree on the lower arch by 80 µm" in reason.message
        assert "rescan the lower arch" in reason.advice


def test_a_warp_as_large_as_a_wrong_record_refuses():
    reasons = warp_reasons(replace(NAMED, halves=(_half(380.0, 1e-9),)), SETTINGS)
    assert _codes(reasons) == [("warped", "refused")]


def _contact(gap_mm: float, right_mm: float, left_mm: float) -> RecordContact:
    sides = {"right": Meeting(right_mm, 0.0, 0.0), "left": Meeting(left_mm, 0.0, 0.0)}
    return RecordContact(Meeting(gap_mm, 0.0, 0.0), sides, 0.05, 0.1)


@pytest.mark.parametrize("is_given", [True, False])
@pytest.mark.parametrize(
    ("gaps_mm", "code", "words"),
    [
        ((-0.02, -0.02, 0.01), None, ""),
        ((-0.3, -0.3, -0.1), "over_closed", "overlap by 300 µm, up to 100 µm"),
        ((0.2, 0.2, 0.4), "propped_open", "stay 200 µm apart"),
        ((np.nan, np.nan, np.nan), "propped_open", "stay more than 2 mm apart"),
        ((-0.02, 0.3, -0.02), "one_side_open", "on the right they stay 300 µm apart"),
        ((-0.02, -0.02, np.nan), "one_side_open", "on the left they stay more than 2 mm apart"),
    ],
)
def test_how_the_teeth_meet_in_words(gaps_mm, code, words, is_given):
    reasons = contact_reasons(replace(NAMED, contact=_contact(*gaps_mm)), is_given=is_given)
    assert _codes(reasons) == ([(code, "doubtful")] if code else [])
    for reason in reasons:
        assert words in reason.message
        assert ("bite scans" in reason.advice) == is_given


def test_a_given_frame_is_doubted_only_for_how_the_teeth_meet():
    given = shared_frame_registration(RigidTransform.identity(), np.zeros(3))
    context = RecordContext(contact=_contact(-0.3, -0.3, -0.3))
    verdict = judge_bite(given, np.zeros((1, 3)), context=context)
    assert (verdict.state, verdict.accepted) == ("doubtful", True)
    assert _codes(list(verdict.reasons)) == [("over_closed", "doubtful")]
    assert "assumed" in verdict.weakest_direction
    # At the middle only the sliding half of the variance is left.
    assert_allclose(np.linalg.norm(verdict.sigma_um[0]), 69.0 / np.sqrt(2), rtol=1e-9, atol=0)


def test_a_refusal_says_why_and_what_to_do():
    given = shared_frame_registration(RigidTransform.identity(), np.zeros(3))
    bad = Reason("not_found", "refused", "nothing was found", "scan it again")
    worse = Reason("not_mounted", "doubtful", "no jaw", "scan it again")
    verdict = judge_bite(given, np.zeros((1, 3)), context=RecordContext(others=(worse, bad)))
    assert [r.code for r in verdict.reasons] == ["not_found", "not_mounted"], "the worst first"
    with pytest.raises(RegistrationRefused, match="nothing was found; no jaw") as caught:
        require_accepted(verdict)
    assert str(caught.value).count("scan it again") == 1
