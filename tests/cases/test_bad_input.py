"""Each bad input ends with exit code 2, an error that names it and a remedy, and no output."""

import numpy as np
import pytest
from typer.testing import CliRunner

from demo_arches.noise import FOLDER, clean_twin, read_ply, write_ply
from occlusim.cli import app
from occlusim.files.mesh_files import write_stl
from occlusim.geometry.mesh import TriangleMesh

pytestmark = pytest.mark.slow


@pytest.fixture
def case(tmp_path):
    """A fresh copy of a demo case; its path, and paths of its upper scan, lower scan and crown."""
    path = clean_twin("molar-46", tmp_path / "case")
    text = path.read_text(encoding="utf-8")
    names = {
        key: path.parent / text.split(f'{key} = "')[1].split('"')[0]
        for key in ("upper", "lower", "mesh")
    }
    return path, names


def run(case_path, out):
    return CliRunner().invoke(app, ["check", str(case_path), "--out", str(out), "--no-pictures"])


def changed(path, change):
    vertices, faces = read_ply(path)
    write_ply(path, *change(vertices, faces))


def missing(path, names):
    names["upper"].unlink()


def empty(path, names):
    names["upper"].write_bytes(b"")


def truncated_ply(path, names):
    data = names["upper"].read_bytes()
    names["upper"].write_bytes(data[: len(data) // 2])


def promises_more(path, names):
    data = names["upper"].read_bytes()
    count = data.split(b"element face ")[1].split(b"\n")[0]
    names["upper"].write_bytes(data.replace(b"element face " + count, b"element face 999999"))


def truncated_stl(path, names):
    vertices, faces = read_ply(names["mesh"])
    stl = names["mesh"].with_suffix(".stl")
    write_stl(stl, TriangleMesh(vertices, faces))
    stl.write_bytes(stl.read_bytes()[:-1000])
    path.write_text(path.read_text().replace(names["mesh"].name, stl.name))


def truncated_obj(path, names):
    vertices, faces = read_ply(names["mesh"])
    lines = [f"v {x} {y} {z}" for x, y, z in vertices[: len(vertices) // 2]]
    lines += [f"f {a} {b} {c}" for a, b, c in faces + 1]
    names["mesh"].with_suffix(".obj").write_text("\n".join(lines))
    path.write_text(path.read_text().replace(names["mesh"].name, f"{names['mesh'].stem}.obj"))


def not_a_number(path, names):
    def change(vertices, faces):
        vertices[7] = np.nan
        return vertices, faces

    changed(names["lower"], change)


def in_metres(path, names):
    for file in path.parent.rglob("*.ply"):
        changed(file, lambda vertices, faces: (vertices / 1000, faces))


def arches_swapped(path, names):
    a, b = names["upper"].read_bytes(), names["lower"].read_bytes()
    names["upper"].write_bytes(b)
    names["lower"].write_bytes(a)


def inside_out(path, names):
    changed(names["lower"], lambda vertices, faces: (vertices, faces[:, ::-1]))


def crown_far_away(path, names):
    changed(names["mesh"], lambda vertices, faces: (vertices + np.array([0.0, 0.0, 60.0]), faces))


def crown_within_the_opposing_teeth(path, names):
    up = np.array([-0.1032, 0.1495, 0.9834])
    changed(names["mesh"], lambda vertices, faces: (vertices + 4.0 * up, faces))


def crown_inside_out(path, names):
    changed(names["mesh"], lambda vertices, faces: (vertices, faces[:, ::-1]))


def crown_twice(path, names):
    """A smaller copy within the crown's material, its normals outwards too."""

    def change(vertices, faces):
        middle = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
        small = np.array([15.0, -7.2, -12.3]) + 0.25 * (vertices - middle)
        return np.concatenate([vertices, small]), np.concatenate([faces, faces + len(vertices)])

    changed(names["mesh"], change)


def inner_surface_of_another_crown(path, names):
    vertices, faces = read_ply(names["mesh"])
    write_ply(names["mesh"].with_name("inner.ply"), 1.5 * vertices, faces)
    path.write_text(
        path.read_text().replace('tooth = "46"', 'tooth = "46"\ninner = "crowns/inner.ply"')
    )


def unknown_key(path, names):
    path.write_text(path.read_text().replace("[crown]", '[crown]\nsuport = "tooth"'))


def leaves_the_folder(path, names):
    path.write_text(path.read_text().replace(f'upper = "{names["upper"].name}"',
                                             'upper = "../../upper.ply"'))  # fmt: skip


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (missing, ["upper", "no file", "line"]),
        (empty, ["upper", "empty"]),
        (truncated_ply, ["upper", "export"]),
        (promises_more, ["upper", "999999"]),
        (truncated_stl, [".stl", "export"]),
        (truncated_obj, [".obj"]),
        (not_a_number, ["lower", "finite"]),
        (in_metres, ["upper", 'units = "m"']),
        (arches_swapped, ["exchange"]),
        (inside_out, ["lower", "inside out"]),
        (crown_far_away, ["crown", "mm away"]),
        (crown_within_the_opposing_teeth, ["crown", "into the opposing teeth", "coordinates"]),
        (crown_inside_out, ["molar-46.ply", "inside out", "flip"]),
        (crown_twice, ["second shell", "outwards", "flip"]),
        (inner_surface_of_another_crown, ["inner.ply", "outside of the crown", "exchange"]),
        (unknown_key, ["suport", "support", "line"]),
        (leaves_the_folder, ["upper", "folder"]),
    ],
)
def test_bad_input_is_named_and_nothing_is_written(spoil, words, case, tmp_path):
    path, names = case
    spoil(path, names)
    out = tmp_path / "out"
    result = run(path, out)
    said = result.stderr.lower()
    assert result.exit_code == 2, result.output
    assert "error:" in said
    for word in words:
        assert word in said, (word, said)
    assert not out.exists()
    assert {p.name for p in tmp_path.iterdir()} == {"case"}


def test_an_output_folder_that_cannot_be_written(case, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    result = run(case[0], blocked / "out")
    assert result.exit_code == 2
    assert str(blocked) in result.stderr
    assert blocked.read_text() == "in the way"


def test_inspect_says_what_a_file_holds_and_refuses_a_broken_one(case):
    _, names = case
    good = CliRunner().invoke(app, ["inspect", str(names["upper"])])
    assert good.exit_code == 0
    assert "can be used" in good.stdout
    names["upper"].write_bytes(b"ply\nnonsense")
    bad = CliRunner().invoke(app, ["inspect", str(names["lower"]), str(names["upper"])])
    assert bad.exit_code == 2
    assert "CANNOT BE USED" in bad.stdout


def test_an_unknown_demo_case_lists_the_known_ones():
    result = CliRunner().invoke(app, ["demo", "--case", "molar-99"])
    assert result.exit_code == 2
    for path in FOLDER.glob("*.toml"):
        assert path.stem in result.stderr
