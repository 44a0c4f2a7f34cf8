"""Walls that are unknown, thin before any cut, or of another crown are told, not computed with."""

from types import SimpleNamespace

import numpy as np
import pytest
from crown.block_shapes import ball, cap

from occlusim.crown.thickness import CrownWalls
from occlusim.errors import InputError
from occlusim.files.mesh_files import write_stl
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.pipeline.crown_walls import crown_walls, wall_findings

UP = np.array([0.0, 0.0, 1.0])


def part(mesh: TriangleMesh, low: float, high: float) -> TriangleMesh:
    radius = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1), axis=1)
    return mesh.submesh(np.flatnonzero((radius > low) & (radius < high)).astype(np.int32))[0]


@pytest.fixture(scope="module")
def shell() -> TriangleMesh:
    return cap(4.0, 3.0, 4)


def inputs_of(crown: TriangleMesh, inner=None) -> SimpleNamespace:
    """Return what the walls of a case are taken from."""
    return SimpleNamespace(
        crown=Surface.build(crown),
        crown_spec=SimpleNamespace(inner=inner),
        crown_file=SimpleNamespace(path=SimpleNamespace(name="crown.stl")),
        case=SimpleNamespace(scans=SimpleNamespace(units="mm")),
    )


def test_a_wall_below_its_minimum_is_told_with_place_and_area(shell):
    """Inner radius 3 mm + 0.4 mm cos^2 of the angle from the top: 0.6 mm are left there."""
    vertices = np.array(shell.vertices)
    inner = np.isclose(np.linalg.norm(vertices, axis=1), 3.0)
    vertices[inner] *= 1.0 + 0.4 * (vertices[inner, 2:] / 3.0) ** 2 / 3.0
    walls = CrownWalls.build(Surface.build(TriangleMesh(vertices, shell.faces)), UP)
    (said,) = wall_findings(walls, 0.8)
    assert said.code == "wall_thin"
    assert said.severity == "warning"
    assert "0.60 mm at its thinnest at (0.0, 0.0, 4.0) mm" in said.message
    # Below 0.8 mm within 45 degrees of the top.
    area = float(said.message.split(" mm2")[0].split()[-1])
    assert area == pytest.approx(32 * np.pi * (1 - np.sqrt(0.5)), rel=0.05)
    assert wall_findings(walls, 0.55) == ()


def test_an_open_crown_is_told_to_have_unknown_walls(shell):
    walls = crown_walls(inputs_of(part(shell, 3.7, 5.0)), UP)
    (said,) = wall_findings(walls, 1.0)
    assert said.code == "walls_unknown"
    assert "crown.inner" in said.message


def test_inner_and_outer_surface_in_two_files(shell, tmp_path):
    outer, inner = part(shell, 3.7, 5.0), part(shell, 0.0, 3.2)
    write_stl(tmp_path / "inner.stl", inner)
    walls = crown_walls(inputs_of(outer, tmp_path / "inner.stl"), UP)
    assert np.nanmedian(walls.thickness_mm()) == pytest.approx(1.0, abs=2e-3)
    assert wall_findings(walls, 0.9) == ()


def test_inner_and_outer_file_exchanged_are_refused(shell, tmp_path):
    """The stump's shape as crown, the crown's as inner surface: all of it lies outside."""
    stump = ball(3.0, (0.0, 0.0, 0.0), 4)
    write_stl(tmp_path / "inner.stl", part(shell, 3.7, 5.0))
    with pytest.raises(InputError, match=r"100 % of the inner surface lies outside.*exchange"):
        crown_walls(inputs_of(stump, tmp_path / "inner.stl"), UP)
