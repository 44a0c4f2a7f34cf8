"""The teeth of the demo scans: found by their shape, or named by the file."""

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from cases import records
from numpy.testing import assert_array_equal
from scipy.spatial import KDTree

from demo_arches.noise import FOLDER, read_ply
from occlusim.errors import InputError
from occlusim.files.case_file import read_case
from occlusim.files.mesh_files import read_mesh, write_ply
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.axes import ArchOrientation
from occlusim.jaw.numbering import neighbours
from occlusim.jaw.orientation import orient_arches
from occlusim.jaw.tooth_location import locate_teeth
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.placing import Rows, place_teeth

TEETH = json.loads((FOLDER / "teeth.json").read_text(encoding="utf-8"))
ON_SCAN_MM = 1.0
"""A cusp farther from every vertex is not on the scan."""
ABSENT = {46, 24, 36, 16}
"""Teeth whose places the demo scans leave to a crown."""


@pytest.mark.parametrize("name", ["molar-46", "premolar-24", "molar-36-low", "molar-16-clean"])
def test_every_cusp_bears_its_tooths_number(name):
    """The last molars' hindmost cusps too, which stand past the width that fits best."""
    case = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    crown = int(case["crown"]["tooth"])
    truth = json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    T_upper_lower = RigidTransform.from_matrix(truth["T_upper_lower"])
    meshes = [TriangleMesh(*read_ply(FOLDER / case["scans"][a])) for a in ("upper", "lower")]
    axes = orient_arches(*meshes, T_upper_lower)
    both = (axes, axes.transformed(T_upper_lower.inverse()))
    for arch, mesh, there in zip(("upper", "lower"), meshes, both, strict=True):
        is_own = (crown < 30) == (arch == "upper")
        known = {}
        if is_own:
            vertices, _ = read_ply(FOLDER / case["crown"]["mesh"])
            known = {crown: vertices.mean(axis=0)}
        found = locate_teeth(mesh, there, arch == "upper", known)
        cusps = [
            (int(tooth), place)
            for tooth, part in TEETH[arch]["teeth"].items()
            for place in part["cusps_mm"].values()
        ]
        far, vertex = KDTree(mesh.vertices).query([place for _, place in cusps])
        is_on = far < ON_SCAN_MM
        names = np.array([tooth for tooth, _ in cusps])
        assert set(names[~is_on]) <= ABSENT
        assert_array_equal(found.tooth[vertex[is_on]], names[is_on])
        if is_own:
            beside = neighbours(crown, 1)
            assert neighbours(crown, 1, present=found.present) == beside
            for tooth in beside:
                middle = np.array(TEETH[arch]["teeth"][str(tooth)]["middle_mm"])
                nearest = min(found.centroids, key=lambda t: _off(found.centroids[t], middle))
                assert nearest == tooth


def _off(a, b):
    return float(np.linalg.norm(a - b))


def spiked(mesh):
    """Return the mesh with a spike where its faces are smallest, and that vertex."""
    longest = np.zeros(len(mesh.vertices))
    corner = mesh.vertices[mesh.faces]
    sides = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    np.maximum.at(longest, mesh.faces.reshape(-1), np.repeat(sides, 3))
    vertex = int(np.argmin(longest))
    normal = mesh.face_vectors()[(mesh.faces == vertex).any(axis=1)].sum(axis=0)
    vertices = mesh.vertices.copy()
    vertices[vertex] += 0.5 * normal / np.linalg.norm(normal)
    return mesh.with_vertices(vertices), vertex


def test_numbers_in_a_scans_file_are_taken_as_they_are(tmp_path):
    """Numbers that no search would find, and a spike behind which every vertex moves up by one."""
    case = records.given(records.copied(tmp_path), 0.0)
    mesh, spike = spiked(read_mesh(tmp_path / "lower_a.ply").mesh)
    named = np.where(np.arange(len(mesh.vertices)) % 2, 45.0, 0.0)
    write_ply(tmp_path / "lower_a.ply", PaintedMesh(mesh, {"tooth": named}))
    records.edited(case, (r'^tooth = "46"$', "universal = 30"))
    inputs = load_inputs(read_case(case))
    assert inputs.crown_spec.iso == (46,)
    assert any(f.code == "left_out_spikes" and f.role == "lower" for f in inputs.findings)
    assert set(inputs.labels) == {"lower"}
    assert_array_equal(inputs.labels["lower"], np.delete(named, spike))
    none = {"upper": np.zeros(len(inputs.upper.mesh.vertices), dtype=np.int32)}
    rows = Rows(ArchOrientation(*np.eye(3)), None, None)
    for number, words in ((15, "do not belong"), (30, "Universal number, give 46")):
        wrong = none | {"lower": np.full(len(inputs.lower.mesh.vertices), number)}
        with pytest.raises(InputError, match=words):
            place_teeth(replace(inputs, labels=wrong), rows)
    placed = place_teeth(replace(inputs, labels=none | inputs.labels), rows)
    assert_array_equal(placed.lower.tooth, np.delete(named, spike))
    assert placed.lower.method == "given"
