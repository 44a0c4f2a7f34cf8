import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.report.labels import DOT_APART_MM, LABEL_APART_MM, OUTWARD_MM, label_points

CROWN = np.array([[-5.0, -5.0, -3.0], [5.0, 5.0, 3.0]])
UP = np.array([0.0, 0.0, 1.0])


def distances(first, second):
    return np.linalg.norm(first[:, None, :2] - second[None, :, :2], axis=2)


def test_a_lone_number_stands_straight_outwards():
    place = np.array([[3.0, 4.0, 1.0]])
    assert_allclose(
        label_points(place, CROWN, UP), [[3.0 + 0.6 * OUTWARD_MM, 4.0 + 0.8 * OUTWARD_MM, 1.0]],
        rtol=0, atol=1e-12,
    )  # fmt: skip


@pytest.mark.parametrize("spread_mm", [0.0, 0.1, 0.4])
def test_numbers_of_crowded_spots_are_apart_and_off_every_spot(rng, spread_mm):
    places = np.array([2.0, 3.0, 0.5]) + spread_mm * rng.standard_normal((6, 3))
    labels = label_points(places, CROWN, UP)
    between = distances(labels, labels) + np.diag(np.full(6, np.inf))
    assert between.min() > 0.98 * LABEL_APART_MM
    assert distances(labels, places).min() > 0.98 * DOT_APART_MM
    assert_allclose(labels[:, 2], places[:, 2], rtol=0, atol=1e-12)


def test_numbers_turn_with_the_view(rng):
    places = rng.uniform(-4.0, 4.0, (5, 3))
    about = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    turned = label_points(places @ about.T, CROWN @ about.T, about @ UP)
    assert_allclose(turned, label_points(places, CROWN, UP) @ about.T, rtol=0, atol=1e-9)
