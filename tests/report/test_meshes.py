import numpy as np
import pytest
from numpy.testing import assert_allclose
from report.made_up import MIDDLE_MM, ORIENTATION, crown_fields, dome, meshes, results

from occlusim.errors import InputError
from occlusim.geometry.mesh import PaintedMesh
from occlusim.report.meshes import Orientation, in_upper_frame, is_lower_crown, thinned


def test_a_lower_crown_is_carried_to_where_its_spots_are():
    posed, is_lower = in_upper_frame(results(), meshes(12))
    assert is_lower
    expected = dome(12).vertices + MIDDLE_MM
    assert_allclose(posed.crown.mesh.vertices, expected, rtol=0, atol=1e-9)


def test_an_upper_crown_stays_where_it_is():
    case = results()
    case["crown"]["tooth"] = "26"
    given = meshes(12)
    posed, is_lower = in_upper_frame(case, given)
    assert not is_lower
    assert posed is given


def test_without_a_tooth_number_the_nearer_arch_tells_the_jaw():
    case = results()
    del case["crown"]["tooth"]
    assert is_lower_crown(case, meshes(12))


@pytest.mark.parametrize("wanted", [500, 2000])
def test_thinning_keeps_numbers_of_the_full_mesh(wanted):
    mesh = dome(40)
    painted = PaintedMesh(mesh, crown_fields(mesh))
    thin = thinned(painted, wanted)
    assert 0.3 * wanted < len(thin.mesh.faces) <= wanted
    given = {tuple(v): k for k, v in enumerate(mesh.vertices)}
    index = [given[tuple(v)] for v in thin.mesh.vertices]
    for name, values in painted.fields.items():
        np.testing.assert_array_equal(thin.fields[name], values[index])
    assert_allclose(thin.mesh.volume(), mesh.volume(), rtol=0.05, atol=0)


def test_a_small_mesh_is_drawn_as_it_is():
    painted = PaintedMesh(dome(10))
    assert thinned(painted, 10_000) is painted


@pytest.mark.parametrize("rows", [np.eye(3)[::-1], 2 * np.eye(3), np.ones((3, 3)), np.eye(2)])
def test_directions_must_be_a_right_handed_frame(rows):
    with pytest.raises(InputError, match="orientation"):
        Orientation.of(rows)


def test_directions_keep_their_order():
    orientation = Orientation.of(ORIENTATION)
    assert_allclose(
        np.cross(orientation.right, orientation.anterior), orientation.superior, 0, 1e-12
    )
