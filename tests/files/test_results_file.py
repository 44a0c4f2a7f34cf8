"""The output folder is whole or not there; results.json is strict JSON that keeps its schema."""

import copy
import csv
import json
import subprocess
import sys
import time
from enum import Enum
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from report.made_up import results as made_up_results

from occlusim.errors import OutputError
from occlusim.files.results_file import (
    SPOT_COLUMNS,
    OutputFolder,
    plain,
    results_schema,
    validate_results,
    write_results,
    write_spots_csv,
)

EYE = np.eye(4)
MOVEMENT = {
    "name": "centric",
    "n_poses": 2,
    "parameter_mm": np.array([0.0, 0.1]),
    "gap_um": np.array([-34.0, np.nan]),
    "wanted_gap_um": [25.0, 30.0],
    "least_gap_um": -34.0,
    "at_parameter_mm": 0.0,
    "supported_gap_um": np.float32(-30.0),
}
SPOT = {
    "id": 1,
    "movement": "centric",
    "depth_um": 59.0,
    "normal_depth_um": 58.5,
    "area_mm2": 0.6,
    "volume_mm3": 0.012,
    "centroid_mm": np.array([1.0, -2.0, 3.5]),
    "location": "distobuccal cusp, inner slope",
    "thickness_left_mm": np.nan,
    "feasible": np.bool_(True),
    "shortfall_um": 0.0,
}
CLOSURE = {
    "rotation_deg": 0.01,
    "total_load_N": 20.0,
    "crown_load_N": None,
    "crown_share": None,
    "contacts": [
        {
            "upper_tooth": "16",
            "lower_tooth": None,
            "area_mm2": 0.4,
            "load_N": 3.0,
            "centroid_mm": [1, 2, 3],
        }
    ],
}
RESULTS = {
    "schema": 1,
    "occlusim_version": "0.1.0",
    "case_id": "molar-46",
    "started": "2024-01-02T03:04:05+00:00",
    "seconds": {"register": 1.5},
    "inputs": [
        {"role": "crown", "file": "crown.ply", "sha256": 64 * "0", "n_vertices": 4, "n_faces": 4}
    ],
    "findings": [{"severity": "info", "code": "open", "message": "the surface is open"}],
    "verdict": {"state": "sound", "high": True, "reasons": [], "coverage": 1.0},
    "registration": {"T_upper_lower": EYE, "rms_um": 12.0, "accepted": True, "reasons": []},
    "mounting": {
        "method": "measured",
        "right_condyle_mm": [50, 0, 0],
        "left_condyle_mm": [-50, 0, 0],
        "T_jaw_upper": EYE,
    },
    "closure": {"light": {"without_crown": CLOSURE, "with_crown": None}},
    "datum": {"g_nat_um": -12.0, "pairs": []},
    "crown": {
        "recorded_gap_um": -40.0,
        "incisal_opening_um": 90.0,
        "movements": [MOVEMENT],
        "spots": [SPOT],
        "after": {"recorded_gap_um": 25.0, "movements": [MOVEMENT], "n_spots": 0},
    },
}


def leftovers(folder: Path) -> list[Path]:
    return list(folder.rglob(".occlusim-*"))


def test_a_folder_appears_when_it_is_whole(tmp_path):
    target = tmp_path / "deep" / "out"
    with OutputFolder(target) as out:
        (out.work / "pictures").mkdir()
        (out.work / "pictures" / "a.png").write_text("1")
        write_results(out.work, {"schema": 1})
        assert not target.exists()
    assert (target / "pictures" / "a.png").read_text() == "1"
    assert json.loads((target / "results.json").read_text()) == {"schema": 1}
    assert not leftovers(target.parent)
    (tmp_path / "plain").mkdir()
    assert target.stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_failing_run_leaves_the_earlier_result_as_it_was(tmp_path):
    target = tmp_path / "out"
    with OutputFolder(target) as out:
        (out.work / "results.json").write_text("old")

    def run_and_fail():
        with OutputFolder(target) as out:
            (out.work / "results.json").write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        run_and_fail()
    assert (target / "results.json").read_text() == "old"
    assert not leftovers(tmp_path)


def test_a_new_result_takes_the_old_ones_place_and_leaves_other_files(tmp_path):
    target = tmp_path / "out"
    with OutputFolder(target) as out:
        for name in ("results.json", "crown_adjusted.stl", "spots.csv"):
            (out.work / name).write_text("old")
        (out.work / "pictures").mkdir()
        (out.work / "pictures" / "old.png").write_text("old")
    (target / "notes.txt").write_text("mine")
    with OutputFolder(target) as out:
        assert out.work.parent == target  # which may be on a file system of its own
        for name in ("results.json", "spots.csv"):
            (out.work / name).write_text("new")
    found = {p.relative_to(target).as_posix(): p.read_text() for p in target.rglob("*.*")}
    assert found == {"results.json": "new", "spots.csv": "new", "notes.txt": "mine"}


def test_folders_that_cannot_be_written_are_named(tmp_path):
    (tmp_path / "file").write_text("x")
    for target in (tmp_path / "file", tmp_path / "file" / "out"):
        with pytest.raises(OutputError, match=r"file.*(a folder is wanted|cannot be written)"):
            OutputFolder(target).__enter__()
    with pytest.raises(OutputError, match="cannot be written"):
        OutputFolder("/proc/out").__enter__()
    with pytest.raises(OutputError, match="inside its with block"):
        OutputFolder(tmp_path / "out").work  # noqa: B018
    assert not leftovers(tmp_path)


def test_a_disk_without_rights_or_space_is_named(tmp_path, monkeypatch):
    def refuse(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    with OutputFolder(tmp_path / "out") as out:
        (out.work / "results.json").write_text("old")
    with monkeypatch.context() as patch:
        patch.setattr("occlusim.files.results_file.tempfile.mkdtemp", refuse)
        with pytest.raises(OutputError, match="No space left"):
            OutputFolder(tmp_path / "out").__enter__()
    with monkeypatch.context() as patch:
        patch.setattr("occlusim.files.results_file.os.fsync", refuse)
        late = OutputFolder(tmp_path / "out").__enter__()
        (late.work / "results.json").write_text("new")
        with pytest.raises(OutputError, match="No space left"):
            late.__exit__(None, None, None)
    assert (tmp_path / "out" / "results.json").read_text() == "old"
    assert not leftovers(tmp_path)


CHILD = """
import sys, time
from pathlib import Path
from occlusim.files.results_file import OutputFolder
with OutputFolder(sys.argv[1]) as out:
    (out.work / "results.json").write_text("half")
    Path(sys.argv[2]).write_text("started")
    time.sleep(60)
"""


def start_child(target: Path, flag: Path) -> subprocess.Popen[bytes]:
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(target), str(flag)])
    for _ in range(600):
        if flag.exists():
            return child
        time.sleep(0.05)
    child.kill()
    raise AssertionError("the child did not start")


@pytest.mark.parametrize("had_result", [False, True])
def test_a_killed_run_leaves_nothing_half_written(tmp_path, had_result):
    target = tmp_path / "out"
    if had_result:
        with OutputFolder(target) as out:
            (out.work / "results.json").write_text("old")
    child = start_child(target, tmp_path / "flag")
    with OutputFolder(target) as out:
        assert len(leftovers(tmp_path)) == 2  # the running one's is left alone
        (out.work / "spots.csv").write_text("other")
        child.kill()
        child.wait()
        if had_result:
            assert (target / "results.json").read_text() == "old"
        else:
            assert not target.exists()
    assert len(leftovers(tmp_path)) == 1
    with OutputFolder(target):
        assert len(leftovers(tmp_path)) == 1  # its own
    assert not leftovers(tmp_path)


def test_what_an_earlier_process_of_the_same_number_left_is_removed(tmp_path):
    with OutputFolder(tmp_path / "out") as out:
        name = out.work.name
    (tmp_path / name).mkdir()
    (tmp_path / "out" / name).mkdir()
    (tmp_path / name.replace("-out-", "-other-")).mkdir()
    with OutputFolder(tmp_path / "out"):
        pass
    assert [path.name for path in leftovers(tmp_path)] == [name.replace("-out-", "-other-")]


def test_json_has_null_for_unknown_and_plain_numbers(tmp_path):
    class Side(Enum):
        RIGHT = "right"

    given = {
        "z": np.nan,
        "a": np.array([[1.0, np.inf], [2.5, -np.inf]]),
        "i": np.int32(4),
        "b": np.bool_(False),
        "side": Side.RIGHT,
        "path": Path("a") / "b",
        "t": (1, "ä"),
        3: None,
    }
    text = write_results(tmp_path, given).read_text(encoding="utf-8")
    assert text.endswith("}\n")
    assert "ä" in text
    read = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} in the JSON"))
    assert list(read) == ["z", "a", "i", "b", "side", "path", "t", "3"]
    assert read["a"] == [[1.0, None], [2.5, None]]
    assert (read["z"], read["i"], read["b"]) == (None, 4, False)
    assert (read["side"], read["path"], read["t"]) == ("right", "a/b", [1, "ä"])
    with pytest.raises(OutputError, match="set cannot be written as JSON"):
        plain({"a": {1, 2}})
    with pytest.raises(OutputError, match="cannot be written"):
        write_results(tmp_path / "none", {})


def test_the_schema_is_a_schema_and_takes_whole_results():
    jsonschema.Draft202012Validator.check_schema(results_schema())
    validate_results(RESULTS)


def changed(path: str, value: object) -> dict:
    results = copy.deepcopy(RESULTS)
    place: object = results
    *parents, last = path.split("/")
    for key in parents:
        place = place[int(key) if key.isdigit() else key]  # type: ignore[index]
    if value is KeyError:
        del place[last]  # type: ignore[attr-defined]
    else:
        place[last] = value  # type: ignore[index]
    return results


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("schema", 2),
        ("verdict/state", "fine"),
        ("verdict", KeyError),
        ("case_id", "Mr. X"),
        ("crown/recorded_gap_um", "high"),
        ("crown/spots/0/depth_um", None),
        ("crown/spots/0/centroid_mm", [1, 2]),
        ("crown/movements/0/gap_um", None),
        ("closure/light/without_crown/contacts/0/upper_tooth", "19"),
        ("registration/T_upper_lower", np.eye(3)),
        ("registration/state", "refused"),  # a refused record has no pose
        ("registration/reasons", ["only words"]),
        ("job", "study"),
        ("findings/0/severity", "bad"),
        ("inputs/0/sha256", "00"),
        ("verdict/coverage", 1.5),
        ("crown", KeyError),
        ("surprise", 1),
    ],
)
def test_results_that_break_the_contract_are_refused(path, value):
    with pytest.raises(OutputError, match="schema"):
        validate_results(changed(path, value))


@pytest.mark.parametrize("key", ["tooth", "verdict", "closure", "datum", "axis_effect", "spots"])
def test_everything_is_asked_of_every_crown_of_several(key):
    own = {name: RESULTS[name] for name in ("verdict", "closure", "datum")}
    one = {**RESULTS["crown"], **own, "axis_effect": {"step_mm": 1.0, "movements": []}}
    crowns = [{**one, "tooth": "46"}, {**one, "tooth": "36"}]
    validate_results({**RESULTS, "crowns": crowns})
    with pytest.raises(OutputError, match="schema"):
        validate_results({**RESULTS, "crowns": crowns[:1]})
    del crowns[1][key]
    with pytest.raises(OutputError, match="schema"):
        validate_results({**RESULTS, "crowns": crowns})


def test_files_of_further_crowns_are_known_as_a_runs_own(tmp_path):
    for name in ("crown_gap_16.ply", "spots_36.csv", "report_48.html", "notes_16.txt"):
        (tmp_path / name).write_text("old")
    with OutputFolder(tmp_path) as folder:
        (folder.work / "results.json").write_text("{}")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["notes_16.txt", "results.json"]


def test_a_refused_case_needs_no_numbers():
    refused = {
        key: RESULTS[key]
        for key in ("schema", "occlusim_version", "case_id", "started", "inputs", "findings")
    }
    refused["verdict"] = {"state": "refused", "high": None, "reasons": ["flat bite scan"]}
    validate_results(refused)


def test_a_registration_alone_needs_its_part_and_no_crown():
    alone = {k: v for k, v in RESULTS.items() if k not in ("closure", "datum", "crown")}
    with pytest.raises(OutputError, match="schema"):
        validate_results(alone)
    validate_results({**alone, "job": "register"})
    del alone["registration"]
    with pytest.raises(OutputError, match="registration"):
        validate_results({**alone, "job": "register"})


def test_spots_are_rows_with_empty_cells_for_what_is_unknown(tmp_path):
    write_spots_csv(tmp_path / "spots.csv", [SPOT, {"id": 2, "movement": "protrusion"}])
    with (tmp_path / "spots.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == SPOT_COLUMNS
    assert rows[0]["location"] == "distobuccal cusp, inner slope"
    assert [rows[0][c] for c in ("x_mm", "y_mm", "z_mm")] == ["1", "-2", "3.5"]
    assert (rows[0]["thickness_left_mm"], rows[0]["feasible"]) == ("", "yes")
    assert (rows[1]["id"], rows[1]["depth_um"], rows[1]["x_mm"]) == ("2", "", "")
    with pytest.raises(OutputError, match="cannot be written"):
        write_spots_csv(tmp_path / "none" / "spots.csv", [])


def test_the_schema_knows_the_motion_and_names_with_angles():
    results = {**copy.deepcopy(RESULTS), "motion": made_up_results()["motion"]}
    results["crown"]["movements"][0]["name"] = "lateroprotrusion_right_22_5"
    validate_results(results)
    results["crown"]["movements"][0]["name"] = "To the right"
    with pytest.raises(OutputError, match=r"movements\[0\].name"):
        validate_results(results)
    for key, value, place in (
        ("incisal_jaw_mm", [0.0, None, 1.0], r"motion.incisal_jaw_mm"),
        ("slide", {"state": "accepted"}, r"motion.slide"),
        ("movements", [{"name": "centric"}], r"motion.movements\[0\]"),
    ):
        wrong = {**RESULTS, "motion": {**made_up_results()["motion"], key: value}}
        with pytest.raises(OutputError, match=place):
            validate_results(wrong)
