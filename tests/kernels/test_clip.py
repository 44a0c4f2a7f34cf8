"""Integrals below a level: exact for a linear field."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference import naive, shapes

from occlusim.contact.overlap import clipped_integrals
from occlusim.errors import InputError


@pytest.mark.parametrize("level", [-2.0, 0.1, 0.45, 0.9, 2.0])
def test_equals_quadrature(rng, level):
    corner = rng.normal(size=(3, 3))
    phi = np.array([0.0, 0.5, 1.0])[rng.permutation(3)]
    faces = np.array([[0, 1, 2]], np.int32)
    have = clipped_integrals(corner, faces, phi, level)
    area, volume, area_moment, volume_moment = naive.clipped_integrals(corner, phi, level)
    assert_allclose(have.area_mm2[0], area, rtol=4e-3, atol=1e-6)
    assert_allclose(have.volume_mm3[0], volume, rtol=1e-4, atol=1e-6)
    assert_allclose(have.area_moment_mm3[0], area_moment, rtol=0, atol=5e-3)
    assert_allclose(have.volume_moment_mm4[0], volume_moment, rtol=0, atol=1e-4)


def test_a_plane_through_a_plate_cuts_a_wedge():
    """phi = x over a 4 x 4 plate, level 1: area 3 * 4, volume 9 / 2 * 4, centroid x = -1/2."""
    mesh = shapes.plate(2.0, 3)
    have = clipped_integrals(mesh.vertices, mesh.faces, mesh.vertices[:, 0], 1.0)
    assert_allclose(have.area_mm2.sum(), 12.0, rtol=1e-12, atol=0)
    assert_allclose(have.volume_mm3.sum(), 18.0, rtol=1e-12, atol=0)
    assert_allclose(have.area_moment_mm3.sum(axis=0), [-6.0, 0, 0], rtol=0, atol=1e-12)
    # Integral of (1 - x) x over -2..1, times 4.
    assert_allclose(have.volume_moment_mm4.sum(axis=0), [-18.0, 0, 0], rtol=0, atol=1e-12)


def test_level_on_a_vertex_and_on_a_whole_face():
    corner = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    faces = np.array([[0, 1, 2]], np.int32)
    assert clipped_integrals(corner, faces, [0.0, 1, 1], 0.0).area_mm2[0] == 0.0
    assert clipped_integrals(corner, faces, [0.0, 0, 0], 0.0).area_mm2[0] == 0.0
    assert_allclose(
        clipped_integrals(corner, faces, [0.0, 0, 1], 1.0).area_mm2[0], 0.5, rtol=1e-15, atol=0
    )


def test_unknown_stays_unknown():
    mesh = shapes.plate(1.0, 1)
    have = clipped_integrals(mesh.vertices, mesh.faces, [np.nan, 0, 0, 0], 1.0)
    assert np.isnan(have.area_mm2).all()
    with pytest.raises(InputError, match="wanted"):
        clipped_integrals(mesh.vertices, mesh.faces, [0.0], 1.0)
