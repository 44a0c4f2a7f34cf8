import pytest

from occlusim.errors import InputError
from occlusim.jaw.numbering import (
    LOWER_ARCH,
    UPPER_ARCH,
    arch_index,
    check_teeth,
    check_tooth,
    distal_neighbour,
    is_anterior,
    is_upper,
    iso_from_universal,
    mesial_neighbour,
    neighbours,
    side_of,
    sort_along_arch,
    tooth_name,
    universal_from_iso,
)


@pytest.mark.parametrize(
    ("iso", "universal"),
    # wikisum.wiki; flash cards of what-when-how.com part 6 (26 = 14 and 25 = 13 read directly).
    [(46, 30), (36, 19), (26, 14), (16, 3), (47, 31), (25, 13), (18, 1), (28, 16), (38, 17)],
)
def test_universal_numbers_are_the_published_ones(iso: int, universal: int) -> None:
    assert universal_from_iso(iso) == universal
    assert iso_from_universal(universal) == iso


def test_universal_counts_the_arches_round() -> None:
    assert [universal_from_iso(t) for t in UPPER_ARCH] == list(range(1, 17))
    assert [universal_from_iso(t) for t in LOWER_ARCH] == list(range(32, 16, -1))
    assert all(iso_from_universal(universal_from_iso(t)) == t for t in UPPER_ARCH + LOWER_ARCH)


@pytest.mark.parametrize("wrong", [0, 19, 49, 90, "4x", None, 46.5, True, "", 55])
def test_what_is_no_tooth_is_refused(wrong: object) -> None:
    with pytest.raises(InputError, match="ISO 3950"):
        check_tooth(wrong)  # type: ignore[arg-type]


def test_a_universal_number_is_recognised() -> None:
    with pytest.raises(InputError, match="Universal number, give 46"):
        check_tooth(30)
    with pytest.raises(InputError, match="milk teeth"):
        check_tooth(55)
    with pytest.raises(InputError, match="upper right third molar"):
        iso_from_universal(33)


def test_text_is_read_and_doubles_are_refused() -> None:
    assert check_teeth(["46", 45]) == (46, 45)
    with pytest.raises(InputError, match="more than once"):
        check_teeth([46, "46"])


def test_side_arch_and_words() -> None:
    assert [is_upper(t) for t in (11, 28, 31, 48)] == [True, True, False, False]
    assert [side_of(t) for t in (11, 28, 31, 48)] == ["right", "left", "left", "right"]
    assert [is_anterior(t) for t in (13, 14, 33, 34)] == [True, False, True, False]
    assert tooth_name(46) == "lower right first molar"
    assert [arch_index(t) for t in LOWER_ARCH] == list(range(16))


def test_neighbours_cross_the_midline_and_end_at_the_arch() -> None:
    assert neighbours(46, 2) == (48, 47, 45, 44)
    assert neighbours(41, 2) == (43, 42, 31, 32)
    assert neighbours(48, 2) == (47, 46)
    assert neighbours(46, 0) == ()
    assert mesial_neighbour(21) == 11
    assert mesial_neighbour(46) == 45
    assert distal_neighbour(46) == 47
    assert distal_neighbour(38) is None


def test_neighbours_step_over_gaps() -> None:
    assert neighbours(46, 2, missing=[45]) == (48, 47, 44, 43)
    assert neighbours(46, 1, present=[47, 46, 43, 42]) == (47, 43)


def test_teeth_sort_from_the_right_to_the_left() -> None:
    assert sort_along_arch([31, 41, 21, 46, 11]) == (11, 21, 46, 41, 31)
