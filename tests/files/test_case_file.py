"""Errors of a case file name the file, the line, the key, and what is allowed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from occlusim.errors import CaseFileError
from occlusim.files.case_file import case_files, read_case
from occlusim.files.toml_lines import find_line

TEXT = """schema = 1
id = "molar-46"   # a # in quotes is none: "#"

[scans]
upper = "upper.ply"
lower = "lower.ply"
bites = [
    "bite_right.ply",  # right = first
    "sub/bite_left.ply",
]

[crown]
mesh = "crown.ply"
tooth = "46"
support = "implant"

[crown.access]
point_mm = [1, 2, 3]
axis = [0, 0, 1]
diameter_mm = 2.5

[guidance]
inclination_plane = "occlusal"
sagittal_inclination_deg = { right = 33.0, left = 33.0 }

[targets]
centric_um = 25
"""


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "case"
    (root / "sub").mkdir(parents=True)
    for name in ("upper", "lower", "bite_right", "sub/bite_left", "crown"):
        (root / f"{name}.ply").write_text("ply")
    (tmp_path / "secret.ply").write_text("ply")
    return root


def read(folder, *changes):
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return read_case(path)


def test_paths_are_absolute_and_beside_the_case_file(folder):
    case = read(folder)
    assert [(role, path.name) for role, path in case_files(case)] == [
        ("upper", "upper.ply"),
        ("lower", "lower.ply"),
        ("bite", "bite_right.ply"),
        ("bite", "bite_left.ply"),
        ("crown", "crown.ply"),
    ]
    assert all(path.is_absolute() and path.is_file() for _, path in case_files(case))


def test_a_case_without_a_crown_names_its_scans_only(folder):
    start, end = TEXT.index("[crown]"), TEXT.index("[guidance]")
    case = read(folder, (TEXT[start:end], ""))
    assert [role for role, _ in case_files(case)] == ["upper", "lower", "bite", "bite"]


def test_the_folder_of_the_run_does_not_matter(folder, monkeypatch):
    read(folder)
    monkeypatch.chdir(folder.parent)
    assert read_case("case/case.toml").scans.upper == (folder / "upper.ply").resolve()


WRONG = [
    ("centric_um", "centrik_um", "line 27: targets.centrik_um: unknown key", "'centric_um'"),
    ("[targets]", "[targest]", "line 26: targest: unknown key", "'targets'"),
    ("diameter_mm", "diametre_mm", "line 20: crown.access.diametre_mm: unknown", "'diameter_mm'"),
    ("left = 33.0", "lefft = 33.0", "line 24: guidance.sagittal_inclination_deg.lefft", "'left'"),
    ('tooth = "46"', 'tooth = "46"\ncentric_um = 5', "line 15: crown.centric_um", "[targets] has"),
    ('support = "implant"', "", "line 12: crown.support: missing", ""),
    (
        'support = "implant"',
        'support = "screw"',
        "line 15: crown.support: 'screw' given",
        "implant",
    ),
    ('tooth = "46"', 'tooth = "49"', "line 14: crown.tooth", "ISO 3950"),
    ("centric_um = 25", "centric_um = 2500", "line 27: targets.centric_um: 2500 given", "-200 to"),
    ("[scans]", "scans = 3\n[other]", "line 4: scans: 3 given; a table is wanted", ""),
    ('inclination_plane = "occlusal"', "", "line 22: guidance: sagittal_incl", "without its plane"),
    (
        "sagittal_inclination_deg = { right = 33.0, left = 33.0 }",
        "sagittal_inclination_deg = 75\npath_radius_mm = 12",
        "line 22: guidance: path_radius_mm: 12 given",
        "or more is wanted",
    ),
    ("schema = 1", "schema = 2", "line 1: schema: 2 given", "reads schema = 1 only"),
    ("schema = 1", "", "schema: missing", "write schema = 1"),
    ("schema = 1", "schema = = 1", "no valid TOML", "line 1"),
    ("crown.ply", "krown.ply", "line 13: crown.mesh: there is no file 'krown.ply'", "check"),
    ("lower.ply", "upper.ply", "'upper.ply' is named more than once", "a file of its own"),
    ("sub/bite_left.ply", "../secret.ply", "line 7: scans.bites: '../secret.ply' leaves", "copy"),
    ("upper.ply", "sub/../../secret.ply", "line 5: scans.upper", "leaves the case"),
    ('"upper.ply"', '"/etc/passwd"', "line 5: scans.upper: '/etc/passwd' leaves", "relative"),
    ('"upper.ply"', '"link.ply"', "line 5: scans.upper: 'link.ply' leaves", "copy"),
    ('"upper.ply"', '"linked/secret.ply"', "line 5: scans.upper", "leaves"),
    ('"upper.ply"', '"sub"', "line 5: scans.upper: there is no file 'sub'", "check"),
    ('"upper.ply"', '"a\\u0000b"', "line 5: scans.upper", "cannot be a file name"),
]


@pytest.mark.parametrize(("old", "new", "words", "more"), WRONG)
def test_errors_name_file_line_key_and_what_is_allowed(folder, old, new, words, more):
    (folder / "link.ply").symlink_to(folder.parent / "secret.ply")
    (folder / "linked").symlink_to(folder.parent)
    with pytest.raises(CaseFileError) as caught:
        read(folder, (old, new))
    message = str(caught.value)
    assert str(folder / "case.toml") in message
    assert words in message
    assert more in message


def test_all_errors_are_told_at_once(folder):
    with pytest.raises(CaseFileError) as caught:
        read(folder, ("centric_um", "centrik_um"), ('tooth = "46"', 'tooth = "49"'))
    assert len(str(caught.value).splitlines()) == 2


def test_files_that_are_no_text_are_named(folder):
    for data, words in ((b"", "empty"), (b"\xff\xfe\x00", "UTF-8")):
        (folder / "odd.toml").write_bytes(data)
        with pytest.raises(CaseFileError, match=words):
            read_case(folder / "odd.toml")
    with pytest.raises(CaseFileError, match="there is no such case file"):
        read_case(folder / "none.toml")
    with pytest.raises(CaseFileError, match="cannot be read"):
        read_case(folder)


def test_lines_are_found_in_arrays_of_tables_and_past_strings():
    text = '''a = """
[no.table]
b = 1
"""
"quoted key" = \'[x\'
[[crown]]
mesh = "["
[crown.access]
axis = [
  1,
]
[[crown]] # ]
mesh = 2
access.axis = 3
[crown.inner]
axis = 4
'''
    assert find_line(text, ("quoted key",)) == 5
    assert find_line(text, ("crown", 0, "mesh")) == 7
    assert find_line(text, ("crown", 0, "access", "axis", 2)) == 9
    assert find_line(text, ("crown", 1, "mesh")) == 13
    assert find_line(text, ("crown", 1, "access", "axis")) == 14
    assert find_line(text, ("crown", 1, "inner", "axis")) == 16
    assert find_line(text, ("crown", 0, "inner", "axis")) == 6
    assert find_line(text, ("crown", 1, "tooth")) == 12
    assert find_line(text, ("no", "table", "b")) == 0


@given(st.text(max_size=60))
def test_any_text_in_place_of_a_value_gives_a_case_or_a_named_error(tmp_path_factory, word):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    text = TEXT.replace("33.0, left", f"{word}, left")
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")
    with pytest.raises(CaseFileError) as caught:
        read_case(path)  # the scans are not there, so it is never whole
    assert str(path) in str(caught.value)


def test_retruded_bites_are_files_of_the_case_like_any_other(folder):
    (folder / "retruded.ply").write_text("ply")
    named = 'retruded_bites = ["retruded.ply"]'
    scans = '    "sub/bite_left.ply",\n]\n'
    case = read(folder, (scans, f"{scans}{named}\n"))
    assert case.scans.retruded_bites == ((folder / "retruded.ply").resolve(),)
    assert ("retruded_bite", (folder / "retruded.ply").resolve()) in list(case_files(case))
    missing = f"{scans}{named.replace('retruded.', 'gone.')}\n"
    with pytest.raises(CaseFileError, match=r"line 11: scans.retruded_bites: there is no file"):
        read(folder, (scans, missing))
    with pytest.raises(CaseFileError, match="named more than once"):
        read(folder, (scans, f'{scans}retruded_bites = ["bite_right.ply"]\n'))
