"""Curved condylar paths, lateroprotrusion and the slide: laws, and values from publications."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.condylar_path import CHORD_TRAVEL_MM, SagittalPath
from occlusim.jaw.frame import frame_from_condyles
from occlusim.jaw.guidance import GuidanceSettings, condyle_paths, displacement
from occlusim.jaw.landmarks import Landmarks
from occlusim.jaw.movements import (
    course_of,
    lateroprotrusion,
    lateroprotrusion_angle_deg,
)
from occlusim.jaw.slide import RetrusiveSlide

HALF_MM = 49.8
FRAME = frame_from_condyles(
    [HALF_MM, 0, 0],
    [-HALF_MM, 0, 0],
    Landmarks([0, 83.75, -34.3], [26, 45.75, -34.3], [-26, 45.75, -34.3]),
)
UNEQUAL = GuidanceSettings.from_degrees(
    inclination_plane="occlusal",
    sagittal_inclination_deg={"right": 38.0, "left": 21.0},
    bennett_angle_deg={"right": 9.0, "left": 7.0},
    immediate_side_shift_mm={"right": 1.2, "left": 0.3},
    path_radius_mm={"right": 19.0, "left": None},
)
SWAPPED = GuidanceSettings(UNEQUAL.left, UNEQUAL.right, "occlusal")
SIDES = (("right", "left"), ("left", "right"))
S_MM = np.linspace(0.0, 8.0, 33)


# --- the curved path


@given(st.floats(-20.0, 60.0), st.floats(15.0, 900.0))
def test_an_arc_has_its_radius_everywhere_and_its_chord_the_inclination(angle_deg, radius) -> None:
    path = SagittalPath(float(np.deg2rad(angle_deg)), radius)
    low, high = path.limits_mm
    s = np.linspace(max(low, -3.0), min(high, 12.0), 7)
    drop = path.drop_mm(s)
    # Through three points of a plane curve: the circle's radius is abc / 4 area.
    for i in range(len(s) - 2):
        p = np.column_stack([s[[i, i + 1, i + 2]], drop[[i, i + 1, i + 2]]])
        a, b, c = p[1] - p[0], p[2] - p[1], p[2] - p[0]
        twice = a[0] * c[1] - a[1] * c[0]
        found = np.linalg.norm(a) * np.linalg.norm(b) * np.linalg.norm(c) / (2 * abs(twice))
        assert_allclose(found, radius, rtol=1e-6, atol=0)
        assert twice < 0.0  # convex downwards: the drop falls behind as it goes on
    chord = path.drop_mm(np.array([CHORD_TRAVEL_MM]))[0] / CHORD_TRAVEL_MM
    assert_allclose(chord, np.tan(np.deg2rad(angle_deg)), rtol=1e-12, atol=1e-14)
    assert path.drop_mm(np.zeros(1))[0] == 0.0


def test_a_curved_path_descends_steeply_first() -> None:
    s = np.array([2.5])
    curved, straight = (SagittalPath(np.deg2rad(33.0), r).drop_mm(s)[0] for r in (19.0, None))
    # The sagitta across the chord, R - sqrt(R^2 - c^2 / 4), seen down the vertical.
    half = 2.5 / np.cos(np.deg2rad(33.0))
    sagitta = 19.0 - np.sqrt(19.0**2 - half**2)
    assert curved > straight
    assert_allclose(curved - straight, sagitta / np.cos(np.deg2rad(33.0)), rtol=0.03, atol=0)


def test_a_curved_path_tends_to_the_straight_one_with_the_first_power_of_its_curvature() -> None:
    radii = np.array([50.0, 100.0, 200.0, 400.0, 800.0])
    straight = SagittalPath(0.6).drop_mm(S_MM)
    off = [np.abs(SagittalPath(0.6, r).drop_mm(S_MM) - straight).max() for r in radii]
    orders = np.diff(np.log(off)) / np.diff(np.log(radii))
    assert_allclose(orders[-2:], -1.0, rtol=0, atol=0.02)


def test_a_large_radius_loses_no_digits() -> None:
    # (s (L - s)) / (2 R cos^3 C) to first order in 1 / R: 5 nm of the arc's 2 um at 1 m.
    path = SagittalPath(0.5, 1000.0)
    s = np.array([1.0, 2.5, 4.0])
    expected = s * np.tan(0.5) + s * (5.0 - s) / (2.0 * 1000.0 * np.cos(0.5) ** 3)
    assert_allclose(path.drop_mm(s), expected, rtol=0, atol=2e-5)


@pytest.mark.parametrize(
    ("inclination_deg", "radius", "message"),
    [
        (33.0, 3.0, "5 to 1000 is allowed"),
        (33.0, float("nan"), "5 to 1000 is allowed"),
        (70.0, 10.0, "or more is wanted"),
        (-30.0, 2.0, "5 to 1000 is allowed"),
    ],
)
def test_arcs_that_cannot_be_are_refused(inclination_deg, radius, message) -> None:
    with pytest.raises(InputError, match=message):
        GuidanceSettings.from_degrees(
            inclination_plane="occlusal",
            sagittal_inclination_deg=inclination_deg,
            path_radius_mm=radius,
        )


def test_an_inclination_is_judged_in_the_plane_where_the_path_is() -> None:
    # 75 degrees to Frankfort are 63 to the occlusal plane, where the arc still fits.
    given_to_frankfort = GuidanceSettings.from_degrees(
        inclination_plane="frankfort", sagittal_inclination_deg=75.0, path_radius_mm=15.0
    )
    right, _ = condyle_paths("protrusion", [5.0], given_to_frankfort, HALF_MM)
    assert_allclose(right[0, 2], -5.0 * np.tan(np.deg2rad(63.0)), rtol=1e-12, atol=0)
    with pytest.raises(InputError, match="or more is wanted"):
        GuidanceSettings.from_degrees(
            inclination_plane="occlusal", sagittal_inclination_deg=75.0, path_radius_mm=15.0
        )


def test_a_travel_round_the_crest_is_refused() -> None:
    tight = GuidanceSettings.from_degrees(inclination_plane="occlusal", path_radius_mm=6.0)
    with pytest.raises(InputError, match="give a larger radius, or shorter movements"):
        condyle_paths("protrusion", [14.0], tight, HALF_MM)


# --- all movements


BETWEEN = [lateroprotrusion(side, a) for side in ("right", "left") for a in (7.5, 30.0, 80.0)]
MOVEMENTS = ["protrusion", "laterotrusion_right", "laterotrusion_left", *BETWEEN]


@given(
    st.sampled_from(MOVEMENTS),
    st.floats(-25.0, 60.0),
    st.floats(-25.0, 60.0),
    st.sampled_from([None, 16.0, 300.0]),
    st.floats(0.0, 4.0),
    st.floats(0.0, 30.0),
    st.floats(0.0, 12.0),
)
def test_the_condyles_keep_their_distance(movement, right, left, radius, shift, bennett, s) -> None:
    settings = GuidanceSettings.from_degrees(
        inclination_plane="occlusal",
        sagittal_inclination_deg={"right": right, "left": left},
        path_radius_mm={"right": radius, "left": None},
        bennett_angle_deg=bennett,
        immediate_side_shift_mm=shift,
    )
    s = min(s, settings.sagittal_path("right").limits_mm[1])
    a, b = condyle_paths(movement, s, settings, HALF_MM)
    assert_allclose(np.linalg.norm(a - b), 2 * HALF_MM, rtol=0, atol=1e-12)
    moved = displacement(movement, s, settings, FRAME)
    ends = moved.apply([[HALF_MM, 0, 0], [-HALF_MM, 0, 0]])
    assert_allclose(ends, [a[0], b[0]], rtol=0, atol=1e-11)


def test_a_protrusion_backwards_keeps_the_distance_too() -> None:
    right, left = condyle_paths("protrusion", np.linspace(-4.5, 0.0, 19), UNEQUAL, HALF_MM)
    assert_allclose(np.linalg.norm(right - left, axis=1), 2 * HALF_MM, rtol=0, atol=1e-12)
    assert (np.diff(right[:, 2]) < 0).all()


@pytest.mark.parametrize(("working", "advancing"), SIDES)
@pytest.mark.parametrize("angle", [0.0, 7.5, 45.0, 90.0])
def test_mirroring_exchanges_right_and_left(working, advancing, angle) -> None:
    here = condyle_paths(lateroprotrusion(working, angle), S_MM, UNEQUAL, HALF_MM)
    there = condyle_paths(lateroprotrusion(advancing, angle), S_MM, SWAPPED, HALF_MM)
    for one, other in zip(here, reversed(there), strict=True):
        assert_allclose(one * [-1, 1, 1], other, rtol=0, atol=1e-13)


@pytest.mark.parametrize("working", ["right", "left"])
def test_lateroprotrusion_is_protrusion_at_0_and_laterotrusion_at_90_degrees(working) -> None:
    for angle, movement in ((0.0, "protrusion"), (90.0, f"laterotrusion_{working}")):
        found = condyle_paths(lateroprotrusion(working, angle), S_MM, UNEQUAL, HALF_MM)
        wanted = condyle_paths(movement, S_MM, UNEQUAL, HALF_MM)
        assert_allclose(found, wanted, rtol=0, atol=1e-13)


@pytest.mark.parametrize("working", ["right", "left"])
def test_lateroprotrusion_changes_with_its_angle_without_a_jump(working) -> None:
    angles = np.round(np.arange(0.0, 90.1, 0.1), 1)
    places = np.array([
        condyle_paths(lateroprotrusion(working, float(a)), [2.5], UNEQUAL, HALF_MM) for a in angles
    ])[:, :, 0]  # fmt: skip
    steps = np.linalg.norm(np.diff(places, axis=0), axis=2)
    # A tenth of a degree changes the share by 0.0017 at most, so the travel by 5 um; the immediate
    # shift of 1.2 mm adds 1.2 / 0.5 of that.
    assert steps.max() < 0.0175
    forward = places[:, 0 if working == "right" else 1, 1]
    assert (np.diff(forward) < 0.0).all()


def test_the_share_of_the_working_condyle() -> None:
    shares = [course_of(lateroprotrusion("right", a)).share for a in (0.0, 30.0, 45.0, 60.0, 90.0)]
    # cos A / (cos A + sin A), by hand: 1, sqrt(3) / (sqrt(3) + 1), 1/2, 1 / (1 + sqrt(3)), 0.
    wanted = [1.0, 0.6339745962, 0.5, 0.3660254038, 0.0]
    assert_allclose(shares, wanted, rtol=0, atol=1e-10)
    right, left = condyle_paths(lateroprotrusion("right", 30.0), [3.0], UNEQUAL, HALF_MM)
    assert_allclose([right[0, 1], left[0, 1]], [3.0 * wanted[1], 3.0], rtol=1e-10, atol=0)
    # Each follows its own sagittal path.
    down = UNEQUAL.sagittal_path("right").drop_mm(np.array([3.0 * wanted[1]]))
    assert_allclose(-right[0, 2], down[0], rtol=1e-9, atol=0)
    assert_allclose(-left[0, 2], 3.0 * np.tan(np.deg2rad(21.0)), rtol=1e-12, atol=0)


def test_the_incisal_point_leaves_the_sagittal_plane_in_proportion_to_the_angle() -> None:
    settings = GuidanceSettings.from_degrees(
        inclination_plane="occlusal", sagittal_inclination_deg=0.0, bennett_angle_deg=0.0
    )
    angles = np.array([15.0, 30.0, 45.0, 60.0, 75.0, 90.0])
    seen = []
    for angle in angles:
        moved = displacement(lateroprotrusion("right", float(angle)), 0.01, settings, FRAME)
        x, y, _ = moved.apply(FRAME.incisal_jaw) - FRAME.incisal_jaw
        seen.append(np.rad2deg(np.arctan2(x, y)))
    # In laterotrusion atan(83.75 / 49.8), 59 degrees; between, its tangent by (1 - k) / (1 + k)
    # of the share k, which for cos A / (cos A + sin A) is tan(A) / (2 + tan(A)).
    tangent = np.tan(np.deg2rad(angles[:-1]))
    wanted = np.rad2deg(np.arctan(83.75 / 49.8 * tangent / (2.0 + tangent)))
    assert_allclose(seen, [*wanted, np.rad2deg(np.arctan(83.75 / 49.8))], rtol=0, atol=0.01)
    assert (np.array(seen) / angles > 0.6).all()
    assert (np.array(seen) / angles < 0.5 * 83.75 / 49.8).all()


def test_names_tell_their_angle() -> None:
    assert lateroprotrusion("left", 30.0) == "lateroprotrusion_left_30"
    assert lateroprotrusion("left", 22.5) == "lateroprotrusion_left_22_5"
    assert lateroprotrusion_angle_deg("lateroprotrusion_left_22_5") == 22.5
    assert lateroprotrusion_angle_deg("laterotrusion_left") is None


@pytest.mark.parametrize("angle", [-1.0, 90.1, 30.05, float("nan")])
def test_angles_that_no_name_can_tell_are_refused(angle) -> None:
    with pytest.raises(InputError, match="0 to 90 in tenths"):
        lateroprotrusion("right", angle)


@pytest.mark.parametrize(
    "name", ["retrusion", "lateroprotrusion_right", "lateroprotrusion_right_95", "retrusive_slide"]
)
def test_movements_that_guidance_does_not_know_are_refused(name) -> None:
    with pytest.raises(InputError, match="such as lateroprotrusion_right_30"):
        condyle_paths(name, 0.0, UNEQUAL, HALF_MM)


# --- published and derived values


@pytest.mark.parametrize(
    ("travel_mm", "shift_mm", "is_over_half"),
    [(1.0, 0.8, False), (1.0, 1.68, True), (3.0, 0.8, True), (3.0, 1.68, True)],
)
def test_more_than_half_of_the_lateral_translation_comes_early(
    travel_mm, shift_mm, is_over_half
) -> None:
    # Son et al 1998, J Prosthet Dent: more than half of the total lateral translation had occurred
    # by 1 mm of forward travel of the non-working condyle in 64 % of 100 tracings, by 3 mm in 94 %.
    # Shifts of 0.80 (women) to 1.68 mm (men): Zakaria, J Baghdad Coll Dent; a progressive angle of
    # 7.5 degrees: Lundeen & Wirth 1973 (from memory). Total: over 8 mm of travel.
    settings = GuidanceSettings.from_degrees(
        inclination_plane="occlusal", bennett_angle_deg=7.5, immediate_side_shift_mm=shift_mm
    )
    _, left = condyle_paths("laterotrusion_right", [travel_mm, 8.0], settings, HALF_MM)
    share = (left[0, 0] + HALF_MM) / (left[1, 0] + HALF_MM)
    wanted = [
        shift_mm * (1 - np.exp(-s / 0.5)) + s * np.tan(np.deg2rad(7.5)) for s in (travel_mm, 8.0)
    ]
    assert_allclose(share, wanted[0] / wanted[1], rtol=1e-12, atol=0)
    assert bool(share > 0.5) == is_over_half


def test_an_average_condylar_setting_errs_by_millimetres_at_the_first_molar() -> None:
    # Lee, Lim, Kim & Kwon 2017, J Prosthet Dent 117:532: average instead of individual setting,
    # vertical error at the non-working first molar from -2,964 to +1,711 um. Settings of 10 to 60
    # degrees about 30, at 5 mm of travel, on a first molar 28 mm behind the incisal point, which
    # stays at its height.
    tooth = np.array(
        [-24.0, 83.75 - 28.0, -34.3]
    )  # left: to the right the left side is non-working

    def drop(inclination_deg: float) -> float:
        settings = GuidanceSettings.from_degrees(
            inclination_plane="occlusal", sagittal_inclination_deg=inclination_deg
        )
        moved = displacement("laterotrusion_right", 5.0, settings, FRAME)
        axis = moved.rotate(np.array([1.0, 0.0, 0.0]))
        point = moved.apply(np.zeros(3))

        def opened(opening: float) -> RigidTransform:
            return RigidTransform.rotation_about(point, axis, -opening) @ moved

        low, high = -0.2, 0.2  # the incisal point's height falls with the opening: bisection
        for _ in range(60):
            middle = 0.5 * (low + high)
            is_low = opened(middle).apply(FRAME.incisal_jaw)[2] < FRAME.incisal_jaw[2]
            low, high = (low, middle) if is_low else (middle, high)
        return tooth[2] - opened(0.5 * (low + high)).apply(tooth)[2]

    errors = np.array([drop(30.0) - drop(float(c)) for c in (10.0, 20.0, 40.0, 60.0)])
    assert (np.diff(errors) < 0.0).all()
    assert 0.5 < errors[0] < 1.711
    assert -2.964 < errors[-1] < -0.5


# --- the slide


def retruded(twist: list[float]) -> RetrusiveSlide:
    return RetrusiveSlide.between(FRAME, RigidTransform.exp(twist), RigidTransform.identity())


@given(st.lists(st.floats(-0.02, 0.02), min_size=3, max_size=3), st.floats(0.0, 1.0))
def test_the_slide_keeps_the_distance_of_the_condyles(turn, share) -> None:
    slide = retruded([*turn, 0.3, -0.8, 0.4])
    right, left = slide.condyles(-share * slide.length_mm)
    assert_allclose(np.linalg.norm(right - left), 2 * HALF_MM, rtol=0, atol=1e-12)


def test_the_slide_joins_both_records() -> None:
    slide = retruded([0.02, 0.006, -0.009, 0.3, -0.8, 0.4])
    right, left = slide.condyles(-slide.length_mm)
    assert_allclose([right, left], [slide.right, slide.left], rtol=0, atol=1e-13)
    assert_allclose(slide.displacement(0.0).matrix, np.eye(4), rtol=0, atol=0)
    # Half way the middle is half way, and each condyle off its straight line by the sagitta only.
    right, left = slide.condyles(-0.5 * slide.length_mm)
    assert_allclose(right + left, 0.5 * (slide.right + slide.left), rtol=0, atol=1e-14)
    turn = np.arccos((slide.right - slide.left)[0] / (2 * HALF_MM))
    straight = 0.5 * (slide.right + np.array([HALF_MM, 0, 0]))
    sagitta = HALF_MM * (1 - np.cos(0.5 * turn))
    assert_allclose(np.linalg.norm(right - straight), sagitta, rtol=1e-9, atol=0)
    assert sagitta < 0.001


def test_the_slide_has_no_closing_rotation() -> None:
    slide = retruded([0.05, 0.006, -0.009, 0.3, -0.8, 0.4])
    for s in np.linspace(-slide.length_mm, 0.0, 5):
        assert_allclose(slide.displacement(float(s)).log()[0], 0.0, rtol=0, atol=1e-14)


def test_opening_on_the_hinge_alone_is_no_slide() -> None:
    assert not retruded([-0.03, 0, 0, 0, 0, 0]).is_one
    assert retruded([-0.03, 0, 0, 0, -0.4, 0.2]).is_one


@pytest.mark.parametrize(
    ("twist", "message"),
    [
        ([0, 0, 0, 0, 1.0, 0], "not exchanged"),
        ([0, 0, 0, 0, -6.0, 0], "5 mm at most"),
    ],
)
def test_records_that_cannot_be_a_slide_are_refused(twist, message) -> None:
    with pytest.raises(InputError, match=message):
        retruded(twist)


@pytest.mark.parametrize("s", [0.1, -3.0])
def test_the_slide_ends_at_its_records(s) -> None:
    slide = retruded([0, 0, 0, 0, -0.8, 0.4])
    with pytest.raises(InputError, match="is allowed"):
        slide.displacement(s)
