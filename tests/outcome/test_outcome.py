"""A result as Python sees it: numbers, arrays, other libraries' meshes, a notebook's display."""

import gc
import html.parser
import json
import subprocess
import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from report.made_up import meshes, results

import occlusim
from occlusim.errors import InputError
from occlusim.files.mesh_files import write_ply
from occlusim.outcome import outcome as outcome_module
from occlusim.pipeline import CheckResult

UNITS = ("mm", "um", "inch")
SINGLE_PRECISION_MM = 2e-6  # half a step of single precision at 20 mm, and one division


@pytest.fixture
def folder(tmp_path):
    """A folder as a check leaves it, of the invented case."""
    return fill(tmp_path / "out")


def fill(folder, units="mm"):
    folder.mkdir(parents=True)
    drawn = meshes(12)
    for name, painted in (
        ("crown_gap", drawn.crown),
        ("crown_reduction", drawn.crown),
        ("crown_adjusted", drawn.adjusted),
        ("upper_gap", drawn.upper),
        ("lower_gap", drawn.lower),
    ):
        write_ply(folder / f"{name}.ply", painted, units=units)
    content = {**results(), "job": "check"}
    (folder / "results.json").write_text(json.dumps(content), encoding="utf-8")
    return folder


def test_the_import_is_quick_and_loads_neither_kernels_nor_libraries():
    code = (
        "import sys, occlusim\n"
        "heavy = {'numba', 'numpy', 'scipy', 'dash', 'flask', 'pydantic', 'plotly', 'open3d'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
        "assert callable(occlusim.check) and callable(occlusim.read_outcome)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_results_and_words_are_those_of_the_folder(folder):
    found = occlusim.read_outcome(folder)
    assert found.results["case_id"] == results()["case_id"]
    assert found.results["case_id"] in found.summary()
    assert found.report == folder / "report.html"


@pytest.mark.parametrize("units", UNITS)
def test_meshes_are_in_mm_whatever_unit_they_were_written_in(tmp_path, units):
    found = occlusim.read_outcome(fill(tmp_path / "out", units)).mesh("crown")
    wanted = meshes(12).crown
    assert_allclose(found.vertices, wanted.mesh.vertices, rtol=2e-7, atol=SINGLE_PRECISION_MM)
    assert_array_equal(found.faces, wanted.mesh.faces)
    for name, values in wanted.fields.items():
        assert_allclose(found.fields[name], values, rtol=1e-6, atol=1e-4)


@pytest.mark.parametrize("name", ["crown", "upper", "lower"])
def test_a_gap_map_has_one_number_a_vertex_and_nan_where_it_is_not_known(folder, name):
    found = occlusim.read_outcome(folder)
    gap_um = found.gap_um(name)
    assert gap_um.shape == (len(found.mesh(name).vertices),)
    wanted = getattr(meshes(12), name).fields["gap_um"]
    assert_array_equal(np.isnan(gap_um), np.isnan(wanted))
    assert np.isfinite(gap_um).any()


def test_a_mesh_without_a_gap_and_an_unknown_one_are_named(folder):
    found = occlusim.read_outcome(folder)
    with pytest.raises(InputError, match="there are crown, adjusted"):
        found.mesh("tooth")
    with pytest.raises(InputError, match=r"no_such.*gap_um"):
        found.mesh("crown").colours("no_such")


def test_colours_are_those_of_the_report(folder):
    mesh = occlusim.read_outcome(folder).mesh("crown")
    colours = mesh.colours("gap_um")
    assert colours.shape == (len(mesh.vertices), 3)
    unknown = np.isnan(mesh.fields["gap_um"])
    assert unknown.any()
    assert (colours[unknown] == 46).all()


def same_mesh(vertices, faces, mesh):
    assert_array_equal(np.asarray(vertices), mesh.vertices)
    assert_array_equal(np.asarray(faces), mesh.faces)


def test_trimesh_gets_every_vertex_face_and_number(folder):
    mesh = occlusim.read_outcome(folder).mesh("crown")
    other = mesh.to_trimesh()
    same_mesh(other.vertices, other.faces, mesh)
    assert_array_equal(other.vertex_attributes["gap_um"], mesh.fields["gap_um"])
    other.vertices[0] = 0.0  # a copy: what belongs to the result stays


def test_pyvista_gets_every_vertex_face_and_number(folder):
    mesh = occlusim.read_outcome(folder).mesh("crown")
    other = mesh.to_pyvista()
    same_mesh(other.points, other.regular_faces, mesh)
    assert_array_equal(other.point_data["gap_um"], mesh.fields["gap_um"])


@pytest.mark.needs_open3d
def test_open3d_gets_every_vertex_face_and_number(folder):
    mesh = occlusim.read_outcome(folder).mesh("crown")
    other = mesh.to_open3d()
    same_mesh(other.vertex.positions.numpy(), other.triangle.indices.numpy(), mesh)
    assert_array_equal(other.vertex["gap_um"].numpy()[:, 0], mesh.fields["gap_um"])


@pytest.mark.parametrize("name", ["trimesh", "pyvista", "open3d"])
def test_a_missing_library_is_named_with_how_to_install_it(folder, name, monkeypatch):
    mesh = occlusim.read_outcome(folder).mesh("crown")
    monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(InputError, match=rf"{name} cannot be imported.*pip install {name}"):
        getattr(mesh, f"to_{name}")()


class Tags(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.seen, self.open = [], []

    def handle_starttag(self, tag, attrs):  # noqa: ARG002
        self.seen.append(tag)
        self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_a_notebook_shows_the_answer_and_the_spots(folder):
    found = occlusim.read_outcome(folder)
    shown = found._repr_html_()
    tags = Tags()
    tags.feed(shown)
    assert tags.open == []
    assert tags.seen.count("tr") == 1 + len(found.results["crown"]["spots"])
    assert "The crown is high" in shown


def test_what_comes_from_a_case_cannot_become_markup(folder):
    content = {**results(), "job": "check", "case_id": "<script>alert(1)</script>"}
    (folder / "results.json").write_text(json.dumps(content), encoding="utf-8")
    shown = occlusim.read_outcome(folder)._repr_html_()
    assert "<script" not in shown
    assert "&lt;script&gt;" in shown


def test_a_folder_without_results_of_a_check_is_refused_in_words(tmp_path):
    with pytest.raises(InputError, match="give the folder that a check wrote"):
        occlusim.read_outcome(tmp_path)
    (tmp_path / "results.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="run the check again"):
        occlusim.read_outcome(tmp_path)
    (tmp_path / "results.json").write_text('{"job": "register"}', encoding="utf-8")
    with pytest.raises(InputError, match="no results of a check"):
        occlusim.read_outcome(tmp_path)


def fake_check(case, out, **options):
    fill(out)
    return CheckResult({**results(), "job": "check"}, out)


def test_without_a_folder_the_files_live_as_long_as_the_outcome(monkeypatch):
    monkeypatch.setattr("occlusim.pipeline.check_case", fake_check)
    found = occlusim.check("case.toml")
    folder = found.folder
    assert len(found.gap_um()) > 0
    del found
    gc.collect()
    assert not folder.parent.exists()


def test_with_a_folder_the_files_stay(monkeypatch, tmp_path):
    monkeypatch.setattr("occlusim.pipeline.check_case", fake_check)
    folder = occlusim.check("case.toml", tmp_path / "out").folder
    gc.collect()
    assert (folder / "results.json").is_file()


def test_a_check_that_fails_leaves_no_temporary_folder(monkeypatch, tmp_path):
    monkeypatch.setattr(outcome_module.tempfile, "tempdir", str(tmp_path))
    with pytest.raises(InputError, match="there is no such case file"):
        occlusim.check(tmp_path / "none.toml")
    assert list(tmp_path.iterdir()) == []
