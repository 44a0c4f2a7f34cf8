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


def test_spot_numbers_stand_outwards_of_their_places():
    posed, drawn = figure()
    spots = drawn["data"][TRACES.index("spots")]
    assert [text for text in spots["text"] if text] == ["<b>1</b>", "<b>2</b>"]
    points = np.column_stack([spots["x"], spots["y"], spots["z"]])
    for k, spot in enumerate(results()["crown"]["spots"]):
        assert_allclose(points[3 * k, :2], spot["centroid_mm"][:2], rtol=0, atol=1e-9)
    middle = posed.crown.mesh.vertices.mean(axis=0)[:2]
    at, out = (np.linalg.norm(points[k::3, :2] - middle, axis=1) for k in (0, 1))
    assert_allclose(out - at, 1.6, rtol=0, atol=0.05)
