"""A case of several crowns: each has its own view, its own page, and a row beside the others."""

import copy

import pytest
from report.made_up import ORIENTATION, results

from occlusim.report.html import render_report
from occlusim.report.several import further_words, several_table, turned_to
from occlusim.report.summary import summary_words


@pytest.fixture
def two():
    """Results of two crowns: the made-up one, and 26, which has no spot."""
    case = results()
    own = {name: case[name] for name in ("closure", "datum", "verdict")}
    effect = (case.get("mounting") or {}).get("axis_effect", {"step_mm": 1.0, "movements": []})
    first = {**case["crown"], **own, "axis_effect": effect}
    second = copy.deepcopy(first) | {"tooth": "26", "spots": [], "teeth": []}
    second["verdict"] = second["verdict"] | {"high": False, "state": "sound", "reasons": []}
    second["datum"] = second["datum"] | {"g_nat_um": -7.0}
    return {**case, "crowns": [first, second]}


def test_a_view_is_of_one_crown_alone(two):
    second = turned_to(two, 1)
    assert second["crown"]["tooth"] == "26"
    assert second["datum"]["g_nat_um"] == -7.0
    assert second["verdict"]["high"] is False
    assert turned_to(two, 0)["crown"]["spots"] == two["crown"]["spots"]
    assert "Tooth 26" in summary_words(second).splitlines()[0]


def test_a_case_of_one_crown_is_its_own_view():
    case = results()
    assert turned_to(case, 0) == case
    assert several_table(case) is None
    assert further_words(case) == []


def test_every_crown_has_a_row_and_names_its_page(two):
    table = several_table(two)
    assert [row[0] for row in table.rows] == ["36", "26"]
    assert [row[-1] for row in table.rows] == ["report.html", "report_26.html"]
    assert table.rows[0][2] == str(len(two["crown"]["spots"]))
    assert table.rows[1][2:4] == ("0", "")


def test_the_page_and_the_words_tell_of_the_others(two):
    page = render_report(two, None, ORIENTATION)
    assert "All crowns of the case" in page
    assert "report_26.html" in page
    assert "All crowns of the case" not in render_report(results(), None, ORIENTATION)
    first = "Crown 26: The crown is not high: nothing has to come off where it meets the opposing"
    assert further_words(two)[0].startswith(first)
