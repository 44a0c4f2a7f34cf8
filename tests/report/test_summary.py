import numpy as np
import pytest
from report.made_up import results

from occlusim.report.numbers import plain, with_unit, written
from occlusim.report.summary import answer, summary_words


def test_a_high_crown_says_where_how_much_what_to_take_off_and_how_sure():
    words = summary_words(results())
    first = words.splitlines()[0]
    assert first == "made-up-36, Tooth 36 (ISO 3950; Universal 19): The crown is high."
    for part in (
        "mesiobuccal cusp, 109 µm too high in closing (spot 1)",
        "mill the adjusted crown (crown_adjusted.stl), or take off in this order:\n1. spot 1",
        "spot 1, mesiobuccal cusp: 109 µm over 1.23 mm², too high in closing",
        "spot 2, distolingual cusp: 38 µm of 58 µm over 0.48 mm², too high moving to the left",
        "Not all of it can come off: 20 µm at spot 2 have to stay.",
        "0.069 mm³",
        "no high spot is left",
        "doubtful, because\n- right and left bite scans disagree by more than 30 µm\n",
        "disagree by 41 µm",
        "disagree by 35 µm",
        "98.7 %",
        "foil",
    ):
        assert part in words


@pytest.mark.parametrize(
    ("teeth", "words"),
    [
        (["46"], "Tooth 46 (ISO 3950; Universal 30): "),
        (["24", "25"], "Teeth 24 and 25 (ISO 3950; Universal 12 and 13): "),
        (["74"], "Tooth 74 (ISO 3950): "),  # a milk tooth has a letter, which is not handled
        ([], "The crown"),
    ],
)
def test_a_tooth_is_named_in_both_numberings(teeth, words):
    case = results() | {"case_id": ""}
    del case["crown"]["tooth"]
    case["crown"]["teeth"] = teeth
    assert summary_words(case).startswith(words)


def test_the_deepest_spot_comes_first_whatever_the_order():
    case = results()
    case["crown"]["spots"].reverse()
    assert summary_words(case) == summary_words(results())
    assert "(spot 1)" in summary_words(case).splitlines()[1]


def test_a_refused_case_gives_reasons_and_no_number_of_the_crown():
    case = results()
    case["verdict"] = {"state": "refused", "high": None, "reasons": ["the bite scan is flat."]}
    words = summary_words(case)
    assert words.endswith("Refused because\n- the bite scan is flat")
    assert "µm" not in words
    assert "high" not in words


def test_a_clean_crown_has_nothing_to_take_off():
    case = results()
    case["verdict"] = {"state": "sound", "high": False, "reasons": []}
    case["crown"]["spots"] = []
    found = answer(case)
    assert (
        found.headline
        == "The crown is not high: nothing has to come off where it meets the opposing teeth."
    )
    assert not [sentence for sentence in found.body if "take off" in sentence.lower()]
    assert found.sure.startswith("How sure: sound")
    assert found.reasons == ()


@pytest.mark.parametrize(("gap_um", "is_said"), [(-5.3, True), (0.0, False), (-12.0, False)])
def test_a_height_that_counts_for_nothing_is_told(gap_um, is_said):
    """Else a gap below the one that is wanted stands beside 'not high' unexplained."""
    case = results()
    case["verdict"] = {"state": "sound", "high": False, "reasons": []}
    case["crown"]["spots"] = []
    case["settings"] = {"targets": {"least_spot_um": 10.0}}
    case["crown"]["movements"] = [
        {"name": "centric", "least_gap_um": gap_um, "at_parameter_mm": 0.0,
         "parameter_mm": [0.0], "wanted_gap_um": [0.0]}
    ]  # fmt: skip
    said = "too high by 5 µm, less than the 10 µm from which a place counts as high"
    assert any(said in words for words in answer(case).where) == is_said


def test_a_low_crown_says_how_much_is_missing():
    case = results()
    case["verdict"] = {"state": "sound", "high": False, "reasons": []}
    case["crown"] |= {
        "spots": [], "missing_contact_um": 118.6, "missing_contact_raise_um": 131.2
    }  # fmt: skip
    words = summary_words(case)
    assert "low and misses its contact" in words
    assert "119 µm more height" in words
    assert "raise of 131 µm" in words


def test_unknown_is_said_not_guessed():
    case = results()
    case["verdict"] = {"state": "doubtful", "high": None, "reasons": []}
    words = summary_words(case)
    assert "cannot be said" in words
    assert "no reason was recorded" in words


@pytest.mark.parametrize("spots", [1, 2, 9])
def test_long_lists_are_counted_not_cut(spots):
    case = results()
    model = case["crown"]["spots"][0]
    case["crown"]["spots"] = [model | {"id": k, "depth_um": 100.0 - k} for k in range(1, spots + 1)]
    words = summary_words(case)
    assert ("more in the table" in words) == (spots > 6)
    if spots == 9:
        assert "\n7. 3 more in the table\n" in words


def test_steps_stand_in_the_order_of_work_and_minor_places_are_counted():
    case = results()
    first, second = case["crown"]["spots"]
    first["order"], second["order"] = 2, 1
    minor = first | {"minor": True, "order": 3}
    case["crown"]["spots"] += [minor | {"id": k, "depth_um": 1.6 * k} for k in (3, 4, 5)]
    found = answer(case)
    assert [step[:6] for step in found.steps] == ["spot 2", "spot 1"]
    assert found.after[0] == "With them go 3 minor places of 5 to 8 µm."
    del case["crown"]["spots"][3:]
    assert answer(case).after[0] == "With them goes 1 minor place of 5 µm."


def test_a_crown_with_minor_places_only_has_nothing_to_do():
    case = results()
    case["verdict"] = {"state": "sound", "high": False, "reasons": []}
    case["crown"]["spots"] = [case["crown"]["spots"][0] | {"minor": True, "depth_um": 4.0}]
    found = answer(case)
    assert (found.todo, found.steps) == ("", ())
    assert "minor" not in " ".join(found.body)


def test_an_empty_result_gives_words_and_no_error():
    assert "cannot be said" in summary_words({})


def test_words_can_be_printed_on_a_western_console():
    summary_words(results()).encode("cp1252")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (108.5001, "um", "109"),
        (-0.4, "um", "0"),
        (-0.6, "um", "-1"),
        (1.2344, "mm2", "1.23"),
        (0.0567, "mm3", "0.057"),
        (0.0004, "mm3", "<0.001"),
        (0.004, "mm2", "<0.01"),
        (0.0, "mm2", "0.00"),
        (13.74, "N", "13.7"),
        (0.0374, "deg", "0.04"),
        (None, "um", "not known"),
        (float("nan"), "um", "not known"),
        (True, "", "yes"),
        (0.123456, "", "0.1235"),
        (12, "", "12"),
        ("words", "", "words"),
    ],
)
def test_numbers_are_rounded_by_their_unit(value, unit, text):
    assert written(value, unit) == text


def test_an_unknown_number_carries_no_unit():
    assert with_unit(None, "um") == "not known"
    assert with_unit(12.0, "deg") == "12.00°"


def test_plain_turns_arrays_and_nan_into_what_json_holds():
    given = {"a": np.array([1.5, np.nan]), "b": np.float64(2.0), "c": (np.int64(3), float("inf"))}
    assert plain(given) == {"a": [1.5, None], "b": 2.0, "c": [3, None]}
