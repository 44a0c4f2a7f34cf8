import numpy as np
from numpy.testing import assert_allclose
from report.made_up import meshes, results

from occlusim.report.figures import (
    LEAST_SHADE,
    TRACES,
    crown_figure,
    shading,
    view,
)
from occlusim.report.meshes import Orientation, in_upper_frame
from occlusim.report.words import WORDS

FRAME = Orientation.of(np.eye(3))


def figure(field="gap_um"):
    posed, is_lower = in_upper_frame(results(), meshes(12))
    spots = results()["crown"]["spots"]
    return posed, crown_figure(posed, spots, FRAME, is_lower=is_lower, field=field)


def test_the_patients_right_is_on_the_left_of_both_views():
    for is_lower in (True, False):
        to_eye, up = view(FRAME, is_lower=is_lower)
        right_of_picture = np.cross(up, to_eye)
        assert_allclose(right_of_picture, -FRAME.right, rtol=0, atol=1e-12)


def test_an_upper_crown_is_seen_from_below_a_lower_from_above():
    assert view(FRAME, is_lower=False)[0] @ FRAME.superior == -1.0
    assert view(FRAME, is_lower=True)[0] @ FRAME.superior == 1.0


def test_traces_stand_in_the_order_that_the_page_relies_on():
    _, drawn = figure()
    assert tuple(trace["name"] for trace in drawn["data"]) == TRACES


def test_shading_is_full_towards_the_light_and_never_below_its_floor():
    posed, _ = figure()
    shade = shading(posed.crown.mesh, *view(FRAME, is_lower=True))
    assert shade.min() == LEAST_SHADE
    assert 0.98 < shade.max() <= 1.0


def test_spot_numbers_stand_outwards_of_their_places_on_the_picture():
    posed, drawn = figure()
    numbers = [one for one in drawn["layout"]["scene"]["annotations"] if "name" in one]
    assert [one["text"] for one in numbers] == ["<b>1</b>", "<b>2</b>"]
    middle = posed.crown.mesh.vertices.mean(axis=0)
    to_eye, up = view(FRAME, is_lower=True)
    extent_mm = np.ptp(posed.crown.mesh.vertices, axis=0).max() + 5.0
    for one, spot in zip(numbers, results()["crown"]["spots"], strict=True):
        place = np.array([one["x"], one["y"], one["z"]])
        assert_allclose(place[:2], spot["centroid_mm"][:2], rtol=0, atol=1e-9)
        # The plot's y axis points down.
        beside = one["ax"] * np.cross(up, to_eye) - one["ay"] * up
        outward = place - middle
        outward -= outward @ to_eye * to_eye
        cosine = beside @ outward / np.linalg.norm(beside) / np.linalg.norm(outward)
        assert_allclose(cosine, 1.0, rtol=0, atol=0.01)
        wanted_px = 1.6 * 544.0 * 1.9 / 2.1 / extent_mm
        assert_allclose(np.linalg.norm(beside), wanted_px, rtol=0.03, atol=0)


def test_directions_stand_beside_the_crown_on_their_own_sides():
    posed, drawn = figure()
    low, high = (f(posed.crown.mesh.vertices, axis=0) for f in (np.min, np.max))
    words = [one for one in drawn["layout"]["scene"]["annotations"] if "name" not in one]
    at = {one["text"]: (one["x"], one["y"]) for one in words}
    assert at[WORDS["direction_right"]][0] > high[0]
    assert at[WORDS["direction_left"]][0] < low[0]
    assert at[WORDS["direction_front"]][1] > high[1]
    assert at[WORDS["direction_back"]][1] < low[1]
