"""A bridge of the demo's own teeth with bumps of known height on two of its units."""

import json

import numpy as np
import pytest
from cases.conftest import rigid_twin
from cases.joined import bridge_case, joined_bridge, least_gap_mm, raised
from numpy.testing import assert_allclose
from reference.forward import jaw_of

from occlusim.files.mesh_files import read_mesh
from occlusim.files.results_file import validate_results
from occlusim.pipeline import check_case

pytestmark = pytest.mark.slow

UP = np.array([-0.1032, 0.1495, 0.9834])
HEIGHTS_MM = {45: 0.060, 44: 0.080}
DEPTH_UM = 2.0
"""Single crowns' depths on noise-free twins are as near to the truth."""


@pytest.fixture(scope="module")
def bridged(tmp_path_factory):
    """Return the stage, the bumps with libigl's gaps before and after, and the results."""
    folder = tmp_path_factory.mktemp("bridge")
    case = rigid_twin("molar-46", folder / "case")
    crown = read_mesh(case.parent / "crowns" / "molar-46.ply").mesh
    plain = joined_bridge(jaw_of(case), crown, UP / np.linalg.norm(UP))
    stage = jaw_of(bridge_case(case, plain, "plain"))
    bridge, bumps = plain, []
    for tooth, height_mm in HEIGHTS_MM.items():
        bridge, bump = raised(bridge, stage, tooth, height_mm)
        bumps.append(bump)
    gaps = [tuple(least_gap_mm(stage, b, bump.middle) for b in (plain, bridge)) for bump in bumps]
    result = check_case(bridge_case(case, bridge), folder / "out", pictures=False)
    truth = json.loads((case.parent / "molar-46.truth.json").read_text())
    return stage, list(zip(bumps, gaps, strict=True)), result.results, truth


def test_each_unit_is_called_by_its_tooth(bridged):
    stage, _, results, _ = bridged
    assert results["crown"]["teeth"] == ["46", "45", "44"]
    assert (results["crown"]["tooth"], results["crown"]["universal"]) == ("46", 30)
    validate_results(results)
    for spot in results["crown"]["spots"]:
        assert spot["location"].startswith(f"tooth {spot['tooth']}, ")
    centres = stage.inputs.crown_input.centres()
    assert centres[46][1] < centres[45][1] < centres[44][1]


def test_what_is_built_in_is_found_on_its_unit(bridged):
    _, bumps, results, truth = bridged
    spots = results["crown"]["spots"]
    # The crown's own bumps were built for an implant, 25 um clear; the bridge asks for none.
    built = [s["depth_um"] - 25.0 for s in truth["spots"] if s["movement"] == "centric"]
    found = [s for s in spots if (s["tooth"], s["movement"]) == ("46", "centric")]
    found = sorted((s["normal_depth_um"] for s in found), reverse=True)[: len(built)]
    assert_allclose(found, sorted(built, reverse=True), rtol=0, atol=DEPTH_UM)
    for bump, (plain_mm, gap_mm) in bumps:
        assert plain_mm - gap_mm > 0.85 * bump.height_mm  # the bump is there at all
        deepest = max(s["normal_depth_um"] for s in spots if s["tooth"] == str(bump.tooth))
        assert deepest > results["datum"]["g_nat_um"] - 1e3 * gap_mm - DEPTH_UM
    centric = next(m for m in results["crown"]["movements"] if m["name"] == "centric")
    least_um = min(1e3 * gap_mm for _, (_, gap_mm) in bumps)
    assert_allclose(centric["least_gap_um"], least_um, rtol=0, atol=DEPTH_UM)
    assert results["crown"]["after"]["n_spots"] == 0


def test_loads_are_told_by_unit_and_add_up(bridged):
    _, _, results, _ = bridged
    for load in ("light", "heavy"):
        closure = results["closure"][load]["with_crown"]
        units = closure["crown_units"]
        assert [unit["tooth"] for unit in units] == ["46", "45", "44"]
        whole = sum(unit["load_N"] for unit in units)
        assert_allclose(whole, closure["crown_load_N"], rtol=1e-9, atol=1e-9)
        for unit in units:
            pairs = [c for c in closure["contacts"] if c["lower_tooth"] == unit["tooth"]]
            assert_allclose(sum(c["load_N"] for c in pairs), unit["load_N"], rtol=1e-6, atol=1e-6)


def test_side_contacts_are_those_of_the_two_ends(bridged):
    sides = bridged[2]["crown"]["sides"]
    assert (sides["mesial"]["tooth"], sides["distal"]["tooth"]) == ("43", "47")
