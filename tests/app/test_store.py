"""Cases on disk: names that never become paths, changes that are whole or not at all."""

import json
import os

import pytest
from report.made_up import dome

from occlusim.app.fields import FIELDS, default_of, field_of, nested
from occlusim.app.store import ROLES, Store, safe_name
from occlusim.app.uploads import kept_inspection
from occlusim.case import Case, Crown
from occlusim.errors import InputError, OutputError
from occlusim.files.case_file import case_problems, read_case
from occlusim.files.inspection import inspect_mesh
from occlusim.files.mesh_files import write_stl

FACTS = {
    "name": "x.stl",
    "sha256": "0" * 64,
    "inspection": {"usable": True, "n_faces": 1, "size_mm": [1.0, 1.0, 1.0], "findings": []},
}


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "cases")


def put(case, role, ending=".stl", **changed):
    path = case.folder / f"new{ending}"
    write_stl(path, dome(6))
    case.put_file(role, path, {**FACTS, **changed})


def complete(case):
    for role in ("upper", "lower", "bite-1", "crown"):
        put(case, role)
    case.set_fields({"crown.tooth": "46", "crown.support": "implant"})


def test_a_complete_case_is_written_as_a_case_file_that_reads_back(store):
    case = store.create("molar-46")
    complete(case)
    case.set_fields(
        {
            "crown.min_thickness_mm": 1.5,
            "teeth.missing": "18, 28",
            "guidance.inclination_plane": "camper",
            "guidance.bennett_angle_deg.right": 5,
            "guidance.bennett_angle_deg.left": 6.5,
            "mounting.incisal_mm": [1.0, 2.0, 3.0],
            "mounting.right_molar_mm": [-20.0, 2.0, 3.0],
            "mounting.left_molar_mm": [20.0, 2.0, 3.0],
        }
    )
    assert not case.problems()
    read = read_case(case.write_case())
    assert read.id == "molar-46"
    assert read.crowns[0].iso == (46,)
    assert read.crowns[0].min_thickness_mm == 1.5
    assert read.teeth.missing == ("18", "28")
    assert read.guidance.bennett_angle_deg.left == 6.5
    assert read.mounting.incisal_mm == (1.0, 2.0, 3.0)
    assert [path.name for path in read.scans.bites] == ["bite-1.stl"]


@pytest.mark.parametrize(
    "name", ["", "..", "../up", "a/b", "a\\b", "C:x", "with space", ".hidden", "x" * 101, "a\0b"]
)
def test_a_name_that_could_be_a_path_is_refused_in_the_words_of_the_case_file(store, name):
    with pytest.raises(InputError, match="letters, digits, - and _ are allowed"):
        store.create(name)
    assert list(store.folder.iterdir()) == []


def test_a_name_is_taken_whatever_its_capitals(store):
    store.create("Molar")
    with pytest.raises(InputError, match="give another name"):
        store.create("molar")


@pytest.mark.parametrize("name", ["..", "../cases/molar", "/etc", "", None, 7, "MOLAR"])
def test_only_a_name_of_the_list_finds_a_case(store, name):
    store.create("molar")
    assert store.get(name) is None
    assert store.get("molar").id == "molar"


def test_what_lacks_is_told_file_by_file_and_setting_by_setting(store):
    case = store.create("molar")
    problems = case.problems()
    assert set(problems.missing) == {"upper", "lower", "crown"}
    assert set(problems.fields) == {"crown.tooth", "crown.support"}
    complete(case)
    assert not case.problems()


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("crown.min_thickness_mm", 9.0, "0.1 to 5 is allowed"),
        ("teeth.missing", "18, 99", "ISO 3950"),
        ("mounting.incisal_mm", [1.0, None, 2.0], "a number is wanted"),
        ("crown.tooth", "99", "ISO 3950"),
    ],
)
def test_a_wrong_value_is_named_at_its_setting_and_kept(store, key, value, words):
    case = store.create("molar")
    complete(case)
    case.set_fields({key: value})
    problems = case.problems()
    assert words in problems.fields[key], problems
    assert case.draft()["fields"][key] == value


def test_angles_without_their_plane_are_refused_at_the_plane(store):
    case = store.create("molar")
    complete(case)
    case.set_fields({f"guidance.bennett_angle_deg.{side}": 5 for side in ("right", "left")})
    assert "without its plane" in case.problems().fields["guidance.inclination_plane"]


def test_a_file_that_cannot_be_used_stops_the_case(store):
    case = store.create("molar")
    complete(case)
    put(case, "upper", inspection={**FACTS["inspection"], "usable": False})
    assert any("cannot be used" in words for words in case.problems().others)


def test_a_new_file_takes_the_place_of_the_old_one_of_another_kind(store):
    case = store.create("molar")
    put(case, "upper", ".stl")
    put(case, "upper", ".ply")
    assert case.draft()["files"]["upper"]["file"] == "upper.ply"
    assert sorted(p.name for p in case.folder.iterdir()) == ["draft.json", "upper.ply"]


def test_bite_scans_take_the_next_free_place_and_no_more_than_there_are(store):
    case = store.create("molar")
    places = []
    for _ in [role for role in ROLES if role.startswith("bite")]:
        places.append(case.free_role("bite"))
        put(case, places[-1])
    assert places == [role for role in ROLES if role.startswith("bite")]
    with pytest.raises(InputError, match="remove one first"):
        case.free_role("bite")
    case.remove_file("bite-2")
    assert case.free_role("bite") == "bite-2"


@pytest.mark.parametrize("role", ["../upper", "out", "", "bite-99", "case.toml"])
def test_an_unknown_place_for_a_file_is_refused(store, role):
    with pytest.raises(InputError, match="role"):
        store.create("molar").free_role(role)


def test_nothing_changes_while_a_run_is_going_on(store):
    case = store.create("molar")
    complete(case)
    case.set_run({"state": "running"})
    before = case.draft()
    with pytest.raises(InputError, match="being checked"):
        case.set_fields({"crown.tooth": "47"})
    with pytest.raises(InputError, match="being checked"):
        put(case, "upper")
    with pytest.raises(InputError, match="being checked"):
        case.remove_file("upper")
    assert case.draft() == before
    assert case.set_fields({"crown.tooth": "46"}) == before["revision"]


def test_saving_the_same_again_changes_no_revision_and_a_default_is_left_out(store):
    case = store.create("molar")
    first = case.set_fields({"crown.tooth": "46", "scans.units": "mm", "crown.guidance": ""})
    assert case.draft()["fields"] == {"crown.tooth": "46"}
    assert case.set_fields({"crown.tooth": "46", "scans.units": "mm"}) == first
    assert case.set_fields({"crown.tooth": None}) == first + 1


def test_a_write_that_fails_leaves_the_draft_as_it_was(store, monkeypatch):
    case = store.create("molar")
    case.set_fields({"crown.tooth": "46"})
    before = case.draft()

    def full(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", full)
    with pytest.raises(OutputError, match="No space left"):
        case.set_fields({"crown.tooth": "47"})
    monkeypatch.undo()
    assert case.draft() == before
    assert sorted(p.name for p in case.folder.iterdir()) == ["draft.json"]


def test_results_are_replaced_in_one_step_and_come_back_if_it_breaks(store):
    case = store.create("molar")
    work = case.begin_run()
    (work / "out").mkdir()
    (work / "out" / "results.json").write_text('{"n": 1}', encoding="utf-8")
    case.publish()
    assert case.results() == {"n": 1}
    assert not work.exists()
    # killed between the two renames of the next one:
    work = case.begin_run()
    (case.folder / "out").rename(work / "before")
    case.discard_run()
    assert case.results() == {"n": 1}


def test_a_result_is_current_until_settings_or_files_change(store):
    case = store.create("molar")
    complete(case)
    case.set_run({"state": "done", "result_of": case.fingerprint()})
    assert case.is_current()
    put(case, "crown", sha256="1" * 64)
    assert not case.is_current()
    put(case, "crown")
    assert case.is_current()
    case.set_fields({"crown.min_thickness_mm": 0.8})
    assert not case.is_current()


def test_a_broken_draft_is_an_empty_one(store):
    case = store.create("molar")
    (case.folder / "draft.json").write_text("{", encoding="utf-8")
    assert case.draft()["fields"] == {}


@pytest.mark.skipif(os.name == "nt", reason="rights are other there")
def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="give another --folder"):
        Store(tmp_path / "file" / "cases")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\scans\\upper.stl", "upper.stl"),
        ("a\x00\x1b[2Jb.stl", "a[2Jb.stl"),
        ("", "file"),
        ("/", "file"),
    ],
)
def test_a_file_name_is_shown_without_its_path_and_control_characters(name, shown):
    assert safe_name(name) == shown


def test_every_setting_is_one_of_the_case_model():
    """Each key is known to the model: asked with a value of no sense it is never an unknown key."""
    for field in FIELDS:
        data = {"schema": 1, "id": "x", "scans": {}, "crown": {}, **nested({field.key: object()})}
        words = [text for _, text in case_problems(data)]
        assert not any("unknown key" in text for text in words), field.key


def test_choices_are_those_of_the_case_model():
    for field in FIELDS:
        if not field.choices:
            continue
        for choice in (*field.choices, "no such"):
            data = {"schema": 1, "id": "x", "scans": {}, "crown": {}, **nested({field.key: choice})}
            last = field.key.split(".")[-1]
            wrong = [text for loc, text in case_problems(data) if loc and loc[-1] == last]
            assert bool(wrong) == (choice == "no such"), (field.key, choice, wrong)


def test_defaults_are_those_of_the_case_model():
    assert default_of("crown.min_thickness_mm") == Crown.model_fields["min_thickness_mm"].default
    assert default_of("guidance.sagittal_inclination_deg.left") == 33.0
    assert default_of("targets.centric_um") is None
    assert default_of("teeth.missing") is None
    assert default_of("crown.milling.tool_radius_mm") == 0.0
    assert default_of("crown.milling.axis") is None
    assert default_of("crown.access.max_tilt_deg") == 0.0
    assert default_of("crown.access.diameter_mm") is None


def test_a_screw_access_is_asked_for_whole_or_not_at_all(tmp_path):
    case = Store(tmp_path / "cases").create("molar")
    case.set_fields({"crown.access.axis": [0, None, 1], "crown.access.diameter_mm": ""})
    assert "crown.access.axis" in case.problems().fields
    case.set_fields({"crown.access.axis": [0, 0, 2]})
    assert "crown.access.axis" not in case.problems().fields
    assert "crown.access.point_mm" in case.problems().fields
    case.set_fields({"crown.access.point_mm": [1, 2, 3], "crown.access.diameter_mm": 2.4})
    assert not [key for key in case.problems().fields if key.startswith("crown.access")]
    case.set_fields({"crown.access.diameter_mm": 99})
    assert "0.5 to 10" in case.problems().fields["crown.access.diameter_mm"]
    case.set_fields(
        {
            "crown.access.axis": ["", "", ""],
            "crown.access.point_mm": [None, None, None],
            "crown.access.diameter_mm": "",
        }
    )
    assert "access" not in case.case_data()["crown"]


def test_an_error_finds_its_setting():
    assert field_of(("crown", 0, "min_thickness_mm")) == "crown.min_thickness_mm"
    assert field_of(("mounting", "incisal_mm")) == "mounting.incisal_mm"
    assert field_of(("crown", 0, "access")) == "crown.access.point_mm"
    assert field_of(("crown",)) == "crown.tooth"
    assert field_of(("guidance",)) == "guidance.inclination_plane"
    assert field_of(("loads", "light_N")) is None
    assert field_of(()) is None


def test_the_kept_scan_check_is_json(tmp_path):
    write_stl(tmp_path / "x.stl", dome(8))
    kept = kept_inspection(inspect_mesh(tmp_path / "x.stl", "mm", "crown"))
    assert json.loads(json.dumps(kept)) == kept
    assert kept["n_faces"] == len(dome(8).faces)
    assert Case.model_fields["crowns"].alias == "crown"
