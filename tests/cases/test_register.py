"""The bite alone, from the command line: what is written, what is said, what is refused."""

import json

import igl
import numpy as np
import pytest
import trimesh
from cases import records
from numpy.testing import assert_allclose
from typer.testing import CliRunner

from demo_arches.noise import FOLDER, read_ply
from occlusim.cli import app
from occlusim.files.mesh_files import read_mesh
from occlusim.files.results_file import validate_results
from occlusim.geometry.transform import RigidTransform
from occlusim.report.colour import NO_DATA_RGB, RESIDUAL, paint

pytestmark = pytest.mark.slow

ALIGNED = {"lower_in_upper.ply", "bite_1_in_upper.ply", "bite_2_in_upper.ply"}


def run(command, case, out, *options):
    return CliRunner().invoke(app, [command, str(case), "--out", str(out), *options])


def results_of(out):
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    validate_results(results)
    return results


@pytest.fixture(scope="module")
def shipped(tmp_path_factory):
    """What registering the demo case as shipped said and wrote."""
    out = tmp_path_factory.mktemp("register") / "out"
    said = run("register", FOLDER / "molar-46.toml", out)
    assert said.exit_code == 0, said.output
    return said, out, results_of(out)


def test_a_good_record_is_accepted_and_everything_is_written(shipped):
    said, out, results = shipped
    assert {path.name for path in out.iterdir()} == {"results.json", *ALIGNED}
    record = results["registration"]
    assert (record["state"], record["accepted"], record["reasons"]) == ("accepted", True, [])
    assert results["job"] == "register"
    assert results["verdict"] == {"state": "sound", "high": None, "reasons": []}
    assert [bite["side"] for bite in record["bites"]] == ["right", "left"]
    for words in ("accepted", "At the crown (46)", "At 36", "Least sure is", "One rigid pose"):
        assert words in said.stdout
    assert "At 46 " not in said.stdout, "the crown is tooth 46: said once"


def test_the_pose_is_within_its_spread(shipped):
    _, _, results = shipped
    record = results["registration"]
    found = RigidTransform.from_matrix(record["T_upper_lower"])
    for place in record["uncertainty"].values():
        point = np.array(place["at_mm"])
        true = (records.T_UPPER_LOWER @ found.inverse()).apply(point)
        # 4 sigma of the three directions together, and 1 um of the triangles on either surface.
        assert 1e3 * np.linalg.norm(true - point) < 4 * place["total_um"] + 2.0


def test_spread_splits_into_height_and_plane_and_belongs_to_the_first_molars(shipped):
    _, _, results = shipped
    places = results["registration"]["uncertainty"]
    assert {name: place["tooth"] for name, place in places.items()} == {
        "crown": "46", "right_first_molar": "46", "left_first_molar": "36",
    }  # fmt: skip
    for place in places.values():
        assert_allclose(
            np.hypot(place["height_um"], place["in_plane_um"]), place["total_um"], rtol=1e-9, atol=0
        )
        assert place["right_um"] < place["in_plane_um"] * (1 + 1e-3)
    covariance = np.array(results["registration"]["covariance"])
    total = 1e3 * np.sqrt(np.trace(covariance[3:, 3:]))
    assert_allclose(total, places["crown"]["total_um"], rtol=1e-9, atol=0)
    left = T_jaw_of(results).apply(np.array(places["left_first_molar"]["at_mm"]))
    assert left[0] < -15.0, "the left molars lie on the patient's left"


def T_jaw_of(results):
    return RigidTransform.from_matrix(results["mounting"]["T_jaw_upper"])


def test_the_aligned_meshes_open_elsewhere_and_lie_on_each_other(shipped):
    _, out, results = shipped
    pose = RigidTransform.from_matrix(results["registration"]["T_upper_lower"])
    lower = trimesh.load(out / "lower_in_upper.ply", process=False)
    source, faces = read_ply(FOLDER / "lower_a.ply")
    assert_allclose(lower.vertices, pose.apply(source), rtol=0, atol=1e-5)  # float32 at 100 mm
    assert (lower.faces == faces).all()
    upper, upper_faces = read_ply(FOLDER / "upper_a.ply")
    both = np.vstack([upper, lower.vertices])
    both_faces = np.vstack([upper_faces, faces + len(upper)]).astype(np.int64)
    bite = read_mesh(out / "bite_1_in_upper.ply")
    residual_um = bite.fields["residual_um"]
    known = np.isfinite(residual_um)
    assert known.mean() > 0.3
    some = np.flatnonzero(known)[::50]
    square = igl.point_mesh_squared_distance(bite.mesh.vertices[some], both, both_faces)[0]
    # The residual is measured to a plane of a curved patch. Facets leave it by a micrometre at the
    # contacts and by tens on coarse gingiva, so the typical difference is far below the noise of
    # 10 um, and not every one.
    beyond = np.abs(1e3 * np.sqrt(square) - np.abs(residual_um[some]))
    assert np.median(beyond) < 5.0


def test_a_bite_scan_is_coloured_by_its_residual_and_grey_where_it_matches_nothing(shipped):
    _, out, _ = shipped
    residual_um = read_mesh(out / "bite_2_in_upper.ply").fields["residual_um"]
    painted = trimesh.load(out / "bite_2_in_upper.ply", process=False).visual.vertex_colors[:, :3]
    assert (painted == paint(residual_um, RESIDUAL)).all()
    assert (painted[np.isnan(residual_um)] == NO_DATA_RGB).all()
    assert np.isnan(residual_um).any()


def test_check_has_the_same_record_to_the_bit(shipped, shipped_cases):
    _, _, results = shipped
    checked, folder = shipped_cases("molar-46")
    written = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert written["registration"] == results["registration"]
    # What the axis does to the crown needs the crown; the rest is the record's.
    assert written["mounting"].pop("axis_effect")["movements"][0]["name"] == "centric"
    assert written["mounting"] == results["mounting"]
    assert checked["job"] == "check"


def test_json_prints_the_results_alone(tmp_path):
    case = records.given(records.copied(tmp_path / "case"), 0.0)
    said = run("register", case, tmp_path / "out", "--json")
    assert said.exit_code == 0
    assert json.loads(said.stdout) == results_of(tmp_path / "out")


def test_without_a_crown_the_bite_is_judged_and_the_check_is_refused(tmp_path):
    case = records.without_crown(records.copied(tmp_path / "case"))
    said = run("register", case, tmp_path / "out")
    assert said.exit_code == 0, said.output
    places = results_of(tmp_path / "out")["registration"]["uncertainty"]
    assert {name: place["tooth"] for name, place in places.items()} == {
        "right_first_molar": "46", "left_first_molar": "36",
    }  # fmt: skip
    checked = run("check", case, tmp_path / "checked")
    assert checked.exit_code == 2
    assert "no [crown] given" in checked.stderr
    assert "occlusim register" in checked.stderr
    assert not (tmp_path / "checked").exists()


def test_an_open_left_side_is_measured_and_its_rescan_advised(tmp_path):
    case = records.left_open(records.copied(tmp_path / "case"), 0.14)
    said = run("register", case, tmp_path / "out")
    assert said.exit_code == 0, said.output
    record = results_of(tmp_path / "out")["registration"]
    reason = next(r for r in record["reasons"] if r["code"] == "sides_disagree")
    assert record["state"] == reason["state"] == "doubtful"
    assert reason["message"].startswith("the left record disagrees with the right by ")
    assert reason["advice"].startswith("rescan the left side")
    alone = {
        part["side"]: part["at"]["left_first_molar"] for part in record["consistency"]["alone"]
    }
    apart = alone["right"]["shift_um"] + alone["left"]["shift_um"]
    assert_allclose(apart, 140.0, rtol=0, atol=3 * alone["right"]["expected_sigma_um"])
    assert not record["consistency"]["one_pose"]["within_noise"]
    assert "does not explain" in said.stdout


def test_a_refused_record_has_reasons_and_no_pose_anywhere(tmp_path):
    case, out = records.copied(tmp_path / "case"), tmp_path / "out"
    assert run("register", case, out).exit_code == 0
    records.left_open(case, 0.5)
    said = run("register", case, out)
    assert said.exit_code == 1
    assert {path.name for path in out.iterdir()} == {"results.json"}, "no mesh of the run before"
    results = results_of(out)
    record = results["registration"]
    assert results["verdict"]["state"] == record["state"] == "refused"
    assert record["T_upper_lower"] is record["covariance"] is None
    assert all(bite["T_upper_bite"] is None for bite in record["bites"])
    assert "mounting" not in results
    assert all(reason["advice"] for reason in record["reasons"])
    assert "no pose is given" in said.stdout
    assert "is known to" not in said.stdout
    checked = run("check", case, tmp_path / "checked", "--no-pictures")
    assert checked.exit_code == 1
    assert record["reasons"][0]["message"] in checked.stderr
    assert not (tmp_path / "checked").exists()


def test_bite_scans_of_somebody_else_are_refused(tmp_path):
    """Mirrored bite scans fit nobody's arches of this case."""
    case = records.copied(tmp_path / "case")
    for name in (records.RIGHT, records.LEFT):
        vertices, faces = read_ply(case.parent / name)
        records.write_ply(case.parent / name, vertices * [-1.0, 1.0, 1.0], faces[:, ::-1])
    said = run("register", case, tmp_path / "out")
    assert said.exit_code == 1, said.output
    assert results_of(tmp_path / "out")["registration"]["state"] == "refused"


def test_a_scan_named_after_the_other_side_is_noticed_and_changes_nothing(shipped, tmp_path):
    _, _, results = shipped
    case = records.swapped_names(records.copied(tmp_path / "case"))
    said = run("register", case, tmp_path / "out")
    assert said.exit_code == 0, said.output
    again = results_of(tmp_path / "out")
    assert [bite["side"] for bite in again["registration"]["bites"]] == ["left", "right"]
    codes = [finding["code"] for finding in again["findings"]]
    assert codes.count("bite_side_named_otherwise") == 2
    assert "is called left but shows the right" in said.stdout
    one, other = (
        RigidTransform.from_matrix(r["registration"]["T_upper_lower"]) for r in (results, again)
    )
    point = np.array(results["registration"]["uncertainty"]["left_first_molar"]["at_mm"])
    # The order of the scans only rounds: far below the iteration's tolerance of 0.01 um.
    assert_allclose((one @ other.inverse()).apply(point), point, rtol=0, atol=1e-5)


@pytest.mark.parametrize(
    ("raised_mm", "state", "code"),
    [(0.0, "accepted", None), (-0.3, "doubtful", "propped_open"), (0.3, "doubtful", "over_closed")],
)
def test_a_given_pose_is_judged_by_how_the_teeth_meet(raised_mm, state, code, tmp_path):
    case = records.given(records.copied(tmp_path / "case"), raised_mm)
    said = run("register", case, tmp_path / "out")
    assert said.exit_code == 0, said.output
    results = results_of(tmp_path / "out")
    record = results["registration"]
    assert record["source"] == "given pose"
    assert record["state"] == state
    assert [reason["code"] for reason in record["reasons"]] == ([code] if code else [])
    found = [f["code"] for f in results["findings"] if f["code"].startswith("record_")]
    assert (f"record_{code}" in found) == bool(code)
    gap_um = record["contact"]["supported_gap_um"]
    assert (gap_um > 100) == (raised_mm < 0)
    assert (gap_um < -250) == (raised_mm > 0)
    assert "assumed" in said.stdout


def test_the_spread_of_a_given_pose_is_the_setting(tmp_path):
    totals = []
    for k, sigma_um in enumerate((30.0, 90.0)):
        case = records.given(records.copied(tmp_path / f"case{k}"), 0.0, sigma_um)
        assert run("register", case, tmp_path / f"out{k}").exit_code == 0
        record = results_of(tmp_path / f"out{k}")["registration"]
        totals.append([place["total_um"] for place in record["uncertainty"].values()])
        # The setting holds 25 mm from the middle, where the first molars are, give or take.
        assert_allclose(totals[-1], sigma_um, rtol=0.15, atol=0)
    assert_allclose(totals[1], 3.0 * np.array(totals[0]), rtol=1e-9, atol=0)


def test_scans_of_one_side_are_registered_without_a_jaw(tmp_path):
    case = records.without_crown(records.copied(tmp_path / "case"))
    for name, T_jaw_scan in (
        ("upper_a.ply", records.T_JAW_UPPER),
        ("lower_a.ply", records.T_JAW_UPPER @ records.T_UPPER_LOWER),
    ):
        vertices, faces = read_ply(case.parent / name)
        right = (T_jaw_scan.apply(vertices)[:, 0] > 0)[faces].all(axis=1)
        used, new = np.unique(faces[right], return_inverse=True)
        records.write_ply(case.parent / name, vertices[used], new.reshape(-1, 3))
    records.edited(case, (r', "bite_left_a.ply"', ""))
    said = run("register", case, tmp_path / "out")
    assert said.exit_code == 0, said.output
    record = results_of(tmp_path / "out")["registration"]
    assert record["covariance_axes"] == "upper scan"
    assert set(record["uncertainty"]) == {"record_middle"}
    assert [reason["code"] for reason in record["reasons"]] == ["not_mounted"]
