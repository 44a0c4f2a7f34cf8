"""An inspection says what a file holds and what is wrong, and never falls over."""

import json

import numpy as np
import trimesh
from numpy.testing import assert_allclose

from occlusim.files.inspection import inspect_mesh
from occlusim.files.mesh_files import write_ply, write_stl
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh


def ball(radius: float = 4.0) -> TriangleMesh:
    made = trimesh.creation.icosphere(subdivisions=3, radius=radius)
    return TriangleMesh(made.vertices, made.faces)


def test_a_sound_crown_is_described(tmp_path):
    path = tmp_path / "crown.ply"
    write_ply(path, PaintedMesh(ball(), {"tooth": np.full(642, 46.0)}))
    report = inspect_mesh(path, role="crown")
    assert report.usable
    facts = report.as_dict()
    assert facts["n_faces"] == 1280
    assert facts["closed"] is True
    assert facts["fields"] == ["tooth"]
    assert_allclose(facts["volume_mm3"], ball().volume(), rtol=1e-5, atol=0)
    assert_allclose(facts["box_mm"], [[-4, -4, -4], [4, 4, 4]], rtol=0, atol=1e-6)
    json.dumps(facts, allow_nan=False)
    text = "\n".join(report.lines())
    for words in (str(path), "can be used", "1280 triangles", "8.00 x 8.00 x 8.00 mm", "tooth"):
        assert words in text


def test_what_cannot_be_used_says_why(tmp_path):
    path = tmp_path / "crown.stl"
    write_stl(path, ball(radius=0.004))
    assert "CANNOT BE USED" in inspect_mesh(path, role="crown").lines()[0]
    assert inspect_mesh(path, units="m", role="crown").usable
    path.write_bytes(path.read_bytes()[:-1])
    report = inspect_mesh(path)
    assert not report.usable
    assert "promises 1280 triangles, the file holds 1279" in report.lines()[1]
    json.dumps(report.as_dict(), allow_nan=False)


def test_a_file_without_area_is_an_error_not_a_crash(tmp_path):
    path = tmp_path / "line.obj"
    path.write_text("v 0 0 0\nv 10 0 0\nv 20 0 0\nf 1 2 3\n")
    report = inspect_mesh(path)
    assert not report.usable
    assert "has an area" in "\n".join(report.lines())
