"""How published ranges and shares become spreads."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import frame_from_condyles, frame_from_landmarks
from occlusim.jaw.landmarks import Landmarks
from occlusim.jaw.mounting_scatter import (
    GuidanceScatter,
    condyle_scatter,
    expected_range,
    sigma_of_range,
    sigma_of_share,
)

LANDMARKS = Landmarks([0.0, 83.75, -34.3], [26.0, 46.0, -34.3], [-26.0, 46.0, -34.3])


def test_the_range_of_normal_draws():
    # 2 / sqrt(pi) for two draws (closed form); 3.078 for ten (Tippett 1925, from memory).
    assert_allclose(expected_range(2), 2 / np.sqrt(np.pi), rtol=0, atol=1e-9)
    assert_allclose(expected_range(10), 3.078, rtol=0, atol=6e-4)
    rng = np.random.default_rng(3)
    drawn = np.ptp(rng.standard_normal((4000, 120)), axis=1)
    assert_allclose(expected_range(120), drawn.mean(), rtol=0, atol=0.03)
    assert_allclose(sigma_of_range(21.0, 47.2, 120), 26.2 / 5.144, rtol=1e-3, atol=0)


def test_the_surveys_shares_as_spreads():
    # 95, 33 and 20 % within 5 mm: 2.0, 5.6 and 7.5 mm (derived).
    found = [sigma_of_share(share, 5.0) for share in (0.95, 0.33, 0.20)]
    assert_allclose(found, [2.0, 5.6, 7.5], rtol=0, atol=0.06)
    rng = np.random.default_rng(4)
    r = np.linalg.norm(found[1] * rng.standard_normal((40000, 2)), axis=1)
    assert_allclose((r < 5.0).mean(), 0.33, rtol=0, atol=0.01)


def test_measured_is_surer_than_arbitrary_and_landmarks_found_least_sure():
    given = frame_from_landmarks(LANDMARKS).scatter
    found = frame_from_landmarks(
        Landmarks(LANDMARKS.incisal, LANDMARKS.right_molar, LANDMARKS.left_molar, "found", 0.9)
    ).scatter
    measured, arbitrary = condyle_scatter("measured"), condyle_scatter("arbitrary")
    assert measured.vertical_mm < arbitrary.vertical_mm
    assert given.vertical_mm < found.vertical_mm
    # By hand: ranges over 5.144; forward^2 = arm^2 - (base / 2)^2 - height^2.
    arm, base, height = (w / 5.144 for w in (27.7, 27.4, 26.2))
    forward = np.sqrt((103.3 * arm) ** 2 + (24.9 * base) ** 2 + (34.3 * height) ** 2) / 83.75
    assert_allclose(given.forward_mm, np.hypot(forward, 0.5 / np.sqrt(3)), rtol=1e-3, atol=0)
    assert "PMID 26734666" in given.words


def test_the_axis_shifts_and_the_teeth_stay():
    place = RigidTransform.exp(np.array([0.3, -0.2, 0.5, 4.0, 7.0, -9.0]))
    frame = frame_from_condyles(
        place.apply([49.8, 0, 0]), place.apply([-49.8, 0, 0]), LANDMARKS.transformed(place)
    )
    moved = frame.shifted(3.0, -2.0)
    assert_allclose(moved.incisal_jaw, frame.incisal_jaw - [0, 3.0, -2.0], rtol=0, atol=1e-9)
    back = frame.T_jaw_upper.apply(np.array([moved.right_condyle, moved.left_condyle]))
    assert_allclose(back, [[49.8, 3.0, -2.0], [-49.8, 3.0, -2.0]], rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: condyle_scatter("guessed"), "measured or arbitrary"),
        (lambda: sigma_of_share(1.2, 5.0), "between 0 and"),
        (lambda: expected_range(1), "2 or more"),
        (lambda: GuidanceScatter(side_shift_mm=(2.0, 1.0)), "smaller first"),
        (lambda: GuidanceScatter(inclination_rad=1.0), "0 to 30"),
    ],
)
def test_what_cannot_be_is_refused(make, words):
    with pytest.raises(InputError, match=words):
        make()
