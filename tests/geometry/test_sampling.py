"""Samples lie on the faces they name and share the area evenly."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes

from occlusim.errors import InputError
from occlusim.geometry.sampling import sample_surface
from occlusim.geometry.surface import Surface


def test_samples_lie_on_the_surface_and_integrate_over_it(rng):
    """Integral of x^2 over a sphere of radius R: 4 pi R^4 / 3."""
    surface = Surface.build(shapes.sphere(2.0, 24))
    samples = sample_surface(surface, 40000, rng)
    assert_allclose(surface.closest(samples.points).unsigned_mm, 0, rtol=0, atol=1e-12)
    assert_allclose(samples.area_mm2.sum(), surface.face_area_mm2.sum(), rtol=1e-12, atol=0)
    have = (samples.area_mm2 * samples.points[:, 0] ** 2).sum()
    assert_allclose(have, 4 * np.pi * 2.0**4 / 3, rtol=1e-2, atol=0)


def test_each_face_gets_its_share_within_two(rng):
    surface = Surface.build(shapes.box((2.0, 1.0, 0.6), 2))
    samples = sample_surface(surface, 1000, rng)
    share = 1000 * surface.face_area_mm2 / surface.face_area_mm2.sum()
    count = np.bincount(samples.face, minlength=len(share))
    assert (np.abs(count - share) < 2).all()


def test_same_generator_same_points_and_only_the_faces_asked_for(rng):
    surface = Surface.build(shapes.box())
    one = sample_surface(surface, 50, np.random.default_rng(3), np.array([2, 5]))
    two = sample_surface(surface, 50, np.random.default_rng(3), np.array([2, 5]))
    assert_array_equal(one.points, two.points)
    assert set(one.face.tolist()) == {2, 5}
    with pytest.raises(InputError, match="more than 0"):
        sample_surface(surface, 0, rng)
    with pytest.raises(InputError, match="no area"):
        sample_surface(surface, 5, rng, np.array([], int))
