"""What the page draws: every arch from its biting side, each click read as a place."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.app.previews import Preview
from occlusim.app.view3d import clicked_point, facing, scan_figure
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform


def horseshoe(n=60):
    """A band along half an ellipse, open in the back (-y), looked at from above (+z)."""
    t = np.linspace(0.0, np.pi, n)
    inner = np.stack([22 * np.cos(t), 35 * np.sin(t), 0 * t], axis=1)
    outer = np.stack([30 * np.cos(t), 43 * np.sin(t), 0 * t], axis=1)
    k = np.arange(n - 1)
    one = np.stack([k, n + k, n + k + 1], axis=1)
    two = np.stack([k, n + k + 1, k + 1], axis=1)
    return TriangleMesh(np.vstack([inner, outer]), np.vstack([one, two]).astype(np.int32))


@pytest.mark.parametrize("seed", range(5))
def test_an_arch_is_looked_at_from_its_biting_side_with_the_front_up(seed):
    rng = np.random.default_rng(seed)
    T = RigidTransform.exp([*rng.uniform(-2, 2, 3), *rng.uniform(-50, 50, 3)])
    mesh = horseshoe()
    assert mesh.face_vectors()[:, 2].min() > 0
    eye, up = facing(mesh.transformed(T))
    assert_allclose(eye, T.rotation @ [0, 0, 1], rtol=0, atol=1e-9)
    assert_allclose(up, T.rotation @ [0, 1, 0], rtol=0, atol=0.02)


def test_only_a_click_on_the_surface_is_a_place():
    point = {"curveNumber": 0, "x": 1.23456, "y": 2, "z": -3.0}
    assert clicked_point({"points": [point]}) == [1.2346, 2.0, -3.0]
    for click in (None, {}, {"points": []}, {"points": [{**point, "curveNumber": 1}]}):
        assert clicked_point(click) is None
    assert clicked_point({"points": [{**point, "x": "left"}]}) is None
    assert clicked_point({"points": [{"curveNumber": 0, "x": 1}]}) is None


def test_each_place_has_a_scene_of_its_own_and_points_are_shown_in_it():
    mesh = horseshoe()
    preview = Preview(mesh.vertices, mesh.faces, np.zeros((0, 3)))
    points = {"mounting.incisal_mm": [1.0, 2.0, 3.0]}
    scenes = set()
    for place in ("upper", "lower", "crown", "bite-1"):
        figure = scan_figure(place, preview, points, is_lower=place == "lower")
        up = figure.layout[figure.data[0].scene or "scene"].camera.up
        assert_allclose(up.y, -1.0 if place == "lower" else 1.0, rtol=0, atol=0.01)
        assert_allclose(figure.data[0].intensity, figure.data[0].intensity[0], rtol=1e-9, atol=0)
        assert figure.data[0].intensity[0] > 0.85  # a flat surface under the eye is light
        (scene,) = {trace.scene or "scene" for trace in figure.data}
        camera = figure.layout[scene].camera
        assert_allclose([camera.eye.x, camera.eye.y, camera.eye.z], [0, 0, 1.6], atol=1e-9, rtol=0)
        assert figure.data[-1].text[0] == "Incisal point"
        scenes.add(scene)
    assert len(scenes) == 4
