"""The demo's crown 46 against a new crown 16 that has the shape of the tooth there."""

import json

import pytest
from cases.conftest import rigid_twin
from cases.joined import opposing_case
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from occlusim.files.results_file import validate_results
from occlusim.pipeline import check_case

pytestmark = pytest.mark.slow

DEPTH_UM = 2.0
"""Single crowns' depths in closure on noise-free twins are as near to the truth."""


@pytest.fixture(scope="module")
def lower_first(tmp_path_factory):
    folder = tmp_path_factory.mktemp("opposed")
    case = rigid_twin("molar-46", folder / "case")
    path = opposing_case(case, jaw_of(case), upper_first=False)
    result = check_case(path, folder / "out", pictures=False)
    truth = json.loads((case.parent / "molar-46.truth.json").read_text())
    return result.results, result.folder, truth


def test_what_two_crowns_overlap_comes_off_the_first_alone(lower_first):
    results, _, truth = lower_first
    first, second = results["crowns"]
    assert (first["tooth"], second["tooth"]) == ("46", "16")
    built = sorted(s["depth_um"] for s in truth["spots"] if s["movement"] == "centric")
    found = [s for s in first["spots"] if s["movement"] == "centric"]
    found = sorted(s["normal_depth_um"] for s in found)[-len(built) :]
    assert_allclose(found, built, rtol=0, atol=DEPTH_UM)
    assert second["spots"] == []
    assert (first["after"]["n_spots"], second["after"]["n_spots"]) == (0, 0)


def test_both_crowns_bear_the_same_load_of_their_contact(lower_first):
    first, second = lower_first[0]["crowns"]
    before = first["closure"]["light"]["with_crown"]
    pairs = {(c["upper_tooth"], c["lower_tooth"]): c["load_N"] for c in before["contacts"]}
    assert_allclose(pairs["16", "46"], before["crown_load_N"], rtol=1e-6, atol=0)
    assert before["crown_share"] > 0.2
    # Adjusted, neither touches at the light load: the wanted gap lies above the natural contacts.
    for crown in (first, second):
        assert crown["after"]["closure"]["light"]["crown_load_N"] == 0.0


def test_further_crowns_have_files_of_their_own(lower_first):
    results, folder, _ = lower_first
    validate_results(results)
    for name in ("crown_adjusted", "crown_adjusted_16"):
        assert (folder / f"{name}.stl").is_file()
    for name in ("crown_gap_16.ply", "crown_reduction_16.ply", "spots_16.csv", "report_16.html"):
        assert (folder / name).is_file()
    assert "report_16.html" in (folder / "report.html").read_text(encoding="utf-8")
