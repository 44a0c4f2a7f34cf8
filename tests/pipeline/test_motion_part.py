"""The motion in the results against trigonometry, and the slide followed by tooth contact."""

import numpy as np
import pytest
from motion.test_closure import LEVER_MM, PLANE_MM, RADIUS_MM, cap, opposition, plate
from motion.test_excursion import rigid
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import frame_from_condyles
from occlusim.jaw.guidance import GuidanceSettings
from occlusim.jaw.landmarks import Landmarks
from occlusim.jaw.slide import RetrusiveSlide
from occlusim.motion.closure import ClosureSettings
from occlusim.motion.excursion import ExcursionSettings
from occlusim.pipeline.jaw_run import JawModel, run_jaw
from occlusim.pipeline.motion_part import HINGE_OPENING_MM, motion_part, opening_arc
from occlusim.pipeline.retruded import Retruded

HALF_MM = 49.8
INCISAL = np.array([0.0, 85.0, -6.0])
FRAME = frame_from_condyles(
    [HALF_MM, 0, 0], [-HALF_MM, 0, 0], Landmarks(INCISAL, [25, 40, -6], [-25, 40, -6])
)
RECORDED = RigidTransform.identity()
BACK = RigidTransform.exp([0.0, 0.002, -0.004, 0.05, -0.8, 0.25])
"""The retruded record: condyles back, up and a little turned."""

CENTRE = np.array([0.0, LEVER_MM, PLANE_MM - RADIUS_MM])
GUIDANCE = GuidanceSettings.from_degrees(inclination_plane="occlusal", path_radius_mm=20.0)


@pytest.fixture(scope="module")
def jaw():
    """A sphere on a flat plate: the lower tooth touches wherever the jaw goes."""
    slide = RetrusiveSlide.between(FRAME, BACK, RECORDED)
    back = ExcursionSettings(0.25, slide.length_mm, is_backward=True)
    excursions = {
        "protrusion": ExcursionSettings(0.5, 1.0),
        "lateroprotrusion_left_30": ExcursionSettings(0.5, 1.0),
        "retrusive_slide": back,
    }
    model = JawModel(
        FRAME, GUIDANCE, RECORDED, 1e-4, 1.0, (), excursions, rigid(), rigid(), ClosureSettings(),
        slide,
    )  # fmt: skip
    teeth = opposition(plate(PLANE_MM), cap(CENTRE, n=80), field_is_upper=True)
    run, _ = run_jaw(model, teeth, lambda _near, closure: closure)
    record = Retruded("bite scans", "accepted", (), BACK, slide)
    return model, run, motion_part(FRAME, RECORDED, run.paths, record)


def touching(model, movement, s):
    """Return the motion at which the sphere's centre is its radius below the plate."""
    hinge = model.hinge_at(movement)(s)

    def height(opening):
        return hinge.pose(opening).apply(CENTRE)[2] - (PLANE_MM - RADIUS_MM)

    return hinge.pose(brentq(height, -0.1, 0.1, xtol=1e-14))


def part_of(part, name):
    return next(one for one in part["movements"] if one["name"] == name)


def test_the_slide_runs_from_the_retruded_to_the_intercuspal_record(jaw):
    model, run, part = jaw
    path = next(path for path in run.paths if path.name == "retrusive_slide")
    assert_allclose(path.step_mm[[0, -1]], [-model.slide.length_mm, 0.0], rtol=0, atol=1e-12)
    assert (np.diff(path.step_mm) > 0).all()
    one = part_of(part, "retrusive_slide")
    wanted = [touching(model, "retrusive_slide", s).apply(INCISAL) for s in path.step_mm]
    assert_allclose(one["incisal_jaw_mm"], wanted, rtol=0, atol=2e-3)
    ends = np.array([one["right_condyle_jaw_mm"], one["left_condyle_jaw_mm"]])
    places = BACK.apply([[HALF_MM, 0, 0], [-HALF_MM, 0, 0]])
    assert_allclose(ends[:, 0], places, rtol=0, atol=1e-6)
    assert_allclose(ends[:, -1], [[HALF_MM, 0, 0], [-HALF_MM, 0, 0]], rtol=0, atol=1e-6)


def test_the_length_of_the_slide_is_that_of_the_incisal_points_way(jaw):
    model, _, part = jaw
    slide = part["slide"]
    start = touching(model, "retrusive_slide", -model.slide.length_mm).apply(INCISAL)
    right, forward, up = touching(model, "centric", 0.0).apply(INCISAL) - start
    found = [slide["right_mm"], slide["forward_mm"], slide["up_mm"]]
    assert_allclose(found, [right, forward, up], rtol=0, atol=2e-3)
    assert_allclose(slide["length_mm"], np.linalg.norm(found), rtol=1e-12, atol=0)
    assert forward > 0.7
    # The retruded jaw is turned to the right: coming home it swings to the left.
    assert right < -0.2


def test_every_movement_keeps_the_distance_of_the_condyles(jaw):
    _, _, part = jaw
    assert len(part["movements"]) == 4
    for one in part["movements"]:
        apart = np.subtract(one["right_condyle_jaw_mm"], one["left_condyle_jaw_mm"])
        assert_allclose(np.linalg.norm(apart, axis=1), 2 * HALF_MM, rtol=0, atol=2e-6)


def test_a_movement_tells_its_displacement_and_opening(jaw):
    model, _, part = jaw
    one = part_of(part, "lateroprotrusion_left_30")
    at = np.array(one["incisal_jaw_mm"])
    moved = np.linalg.norm(at - INCISAL, axis=1)
    assert_allclose(one["incisal_displacement_mm"], moved, rtol=0, atol=2e-6)
    pose = touching(model, "lateroprotrusion_left_30", 1.0)
    # The hinge's own pose has no opening: what turns the touching one back to it is the opening.
    still = model.hinge_at("lateroprotrusion_left_30")(1.0).T_upper_lower
    back = (still.inverse() @ pose).log()[:3]
    assert_allclose(one["opening_deg"][-1], -np.rad2deg(back[0]), rtol=0, atol=2e-3)
    assert at[-1, 0] < -0.3


def test_the_border_figure_opens_by_20_mm_from_the_end_of_each_movement(jaw):
    _, _, part = jaw
    border = part["border"]
    assert border["opening_mm"][-1] == HINGE_OPENING_MM == 20.0
    assert [arc["name"] for arc in border["arcs"]] == [one["name"] for one in part["movements"]]
    for arc, one in zip(border["arcs"], part["movements"], strict=True):
        way = np.array(arc["incisal_jaw_mm"])
        end = one["incisal_jaw_mm"][0 if one["name"] == "retrusive_slide" else -1]
        assert_allclose(way[0], end, rtol=0, atol=2e-6)
        chord = np.linalg.norm(way - way[0], axis=1)
        assert_allclose(chord, border["opening_mm"], rtol=0, atol=5e-6)


def test_opening_on_the_hinge_is_a_circle_about_the_condyles():
    moved = RigidTransform.exp([0.01, 0.02, -0.03, 0.5, 2.0, -1.5])
    way = opening_arc(FRAME, RECORDED, moved, np.array([0.0, 7.0, 20.0]))
    condyles = moved.apply([[HALF_MM, 0, 0], [-HALF_MM, 0, 0]])
    for condyle in condyles:
        far = np.linalg.norm(way - condyle, axis=1)
        assert_allclose(far, far[0], rtol=1e-12, atol=0)
    assert (np.diff(way[:, 2]) < 0).all()
    assert (np.diff(way[:, 1]) < 0).all()  # below the axis, opening goes back


def test_a_record_without_a_slide_has_no_figures_of_one(jaw):
    _, run, _ = jaw
    paths = [path for path in run.paths if path.name != "retrusive_slide"]
    refused = Retruded("bite scans", "refused", ("too little overlap",))
    slide = motion_part(FRAME, RECORDED, paths, refused)["slide"]
    assert slide["length_mm"] is None
    assert slide["T_upper_lower"] is None
    assert "slide" not in motion_part(FRAME, RECORDED, paths, None)
