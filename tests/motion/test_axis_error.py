"""Published effects of a wrong hinge axis, through the hinge and the closure that a check uses.

A record lifts the jaw about the true axis by t at the tooth; the model closes about another axis
until the tooth is back at its height. RAS axes: forward is y, up is z; the true axis is the origin,
the tooth lies L in front of it and h below.
"""

import numpy as np
import pytest
from motion.test_closure import cap, opposition, plate
from motion.test_excursion import rigid
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import frame_from_condyles
from occlusim.jaw.guidance import GuidanceSettings
from occlusim.jaw.landmarks import Landmarks
from occlusim.jaw.mounting_scatter import condyle_scatter
from occlusim.motion.closure import ClosureSettings, close_to_load
from occlusim.pipeline.jaw_run import JawModel, close_jaw

HEIGHT = 34.3  # mean height of the axis over the occlusal plane, 120 scans, PMID 26734666
STILL = RigidTransform.identity()
UP = np.array([0.0, 0.0, 1.0])


def hinge(forward_mm=0.0, up_mm=0.0, recorded=STILL, light_N=1.0):
    """Return the model and the closure's hinge of an axis that lies so far from the true one."""
    landmarks = Landmarks([0.0, 83.75, -HEIGHT], [26.0, 46.0, -HEIGHT], [-26.0, 46.0, -HEIGHT])
    frame = frame_from_condyles([49.8, 0.0, 0.0], [-49.8, 0.0, 0.0], landmarks)
    guidance = GuidanceSettings.from_degrees(inclination_plane="occlusal")
    model = JawModel(
        frame.shifted(forward_mm, up_mm), guidance, recorded, light_N, 200.0, (), {},
        rigid(), rigid(), ClosureSettings(),
    )  # fmt: skip
    return model, model.hinge_at("centric")(0.0)


def error_mm(forward_mm, up_mm, lift_mm, length_mm, height_mm=HEIGHT):
    """Return how far forward of its place the tooth is closed, and the angle of the record."""
    tooth = np.array([0.0, length_mm, -height_mm])
    _, true = hinge()
    angle = brentq(
        lambda a: true.pose(a).apply(tooth)[2] + height_mm + lift_mm, 0.0, 0.5, xtol=1e-13
    )
    _, wrong = hinge(forward_mm, up_mm, true.pose(angle))
    closed = brentq(lambda a: wrong.pose(-a).apply(tooth)[2] + height_mm, 0.0, 0.5, xtol=1e-13)
    return float(wrong.pose(-closed).apply(tooth)[1] - length_mm), angle


@pytest.mark.parametrize(
    ("length_mm", "lift_mm", "exact_mm"),
    # Derived, root-solved: 5 mm straight forward, h = 34.3. About 0.2 and 0.4 mm at the second
    # molar: the classical calculation (J Prosthet Dent 1959;9:775, from memory), which covered an
    # axis 5 mm in front only (abstract of J Prosthet Dent 1982;48:725).
    [
        (46, 3, 0.291), (50, 3, 0.243), (52, 3, 0.224), (54, 3, 0.206), (56, 3, 0.191),
        (46, 6, 0.624), (50, 6, 0.519), (52, 6, 0.476), (54, 6, 0.439), (56, 6, 0.405),
    ],
)  # fmt: skip
def test_an_axis_five_millimetres_in_front(length_mm, lift_mm, exact_mm):
    found, _ = error_mm(5.0, 0.0, lift_mm, length_mm)
    assert_allclose(found, exact_mm, rtol=0, atol=0.0006)
    if length_mm == 54:
        published = {3: 0.2, 6: 0.4}[lift_mm]
        assert_allclose(found, published, rtol=0, atol=0.05)  # published to one digit


@pytest.mark.parametrize(
    ("direction_deg", "exact_mm"),
    # Derived: 5 mm in every direction, t = 3, L = 50.
    [(0.0, 0.243), (45.0, 0.394), (90.0, 0.299), (180.0, -0.200), (270.0, -0.301)],
)
def test_an_axis_five_millimetres_off_in_other_directions(direction_deg, exact_mm):
    a = np.deg2rad(direction_deg)
    found, _ = error_mm(5.0 * np.cos(a), 5.0 * np.sin(a), 3.0, 50.0)
    assert_allclose(found, exact_mm, rtol=0, atol=0.0006)


def test_along_the_line_to_the_tooth_nothing_happens_to_first_order():
    a = np.arctan2(HEIGHT, -50.0)
    sweep = np.abs(
        [
            error_mm(5.0 * np.cos(x), 5.0 * np.sin(x), 3.0, 50.0)[0]
            for x in a + np.linspace(-3, 3, 25)
        ]
    )
    assert np.argmin(sweep) == 12
    assert sweep[12] < 0.011


def test_closing_by_the_same_angle_shifts_every_point_alike():
    # Derived: |(I - R) e| = 2 |e| sin(theta / 2) = 0.307 mm at theta = 3.514 degrees.
    _, angle = error_mm(5.0, 0.0, 3.0, 50.0)
    assert_allclose(np.rad2deg(angle), 3.514, rtol=0, atol=0.0006)
    _, true = hinge()
    _, wrong = hinge(5.0, 0.0, true.pose(angle))
    places = np.array([[0.0, 46.0, -HEIGHT], [20.0, 84.0, -30.0], [-25.0, 50.0, -40.0]])
    moved = wrong.pose(-angle).apply(places) - places
    assert_allclose(moved, np.tile(moved[0], (3, 1)), rtol=0, atol=1e-9)
    assert_allclose(np.linalg.norm(moved[0]), 0.307, rtol=0, atol=0.0006)


def test_the_error_grows_faster_than_the_gape():
    # Average mounting against the mouth: no difference in gap at 3 and 6 mm, one at 9 mm
    # (Dent J 2022;10:212); the classical pair 0.2 and 0.4 mm is the linear part.
    three, six, nine = (error_mm(5.0, 0.0, t, 50.0)[0] for t in (3.0, 6.0, 9.0))
    assert six > 2.05 * three
    assert nine - six > 1.05 * (six - three)


def test_the_thickness_of_the_record_counts_most():
    # The occlusal plane's tilt counts, and especially the thickness of the wax (J Oral Rehabil
    # 1997;24:929): over what varies, 3 mm of wax, the tilt by the range of heights, the arch.
    thickness = error_mm(5.0, 0.0, 6.0, 54.0)[0] - error_mm(5.0, 0.0, 3.0, 54.0)[0]
    tilt = error_mm(5.0, 0.0, 3.0, 54.0, 47.2)[0] - error_mm(5.0, 0.0, 3.0, 54.0, 21.0)[0]
    place = error_mm(5.0, 0.0, 3.0, 50.0)[0] - error_mm(5.0, 0.0, 3.0, 54.0)[0]
    assert thickness > tilt > place > 0


def test_rotation_alone_opens_to_twenty_millimetres_between_the_incisors():
    # Posselt 1957: pure rotation up to about 20 mm. As vertical drop 14.6 degrees, as a chord at
    # the incisors' distance of 90.5 mm from the axis 12.7 (derived).
    incisal = np.array([0.0, 83.75, -HEIGHT])
    _, true = hinge()
    drop = brentq(lambda a: true.pose(a).apply(incisal)[2] + HEIGHT + 20.0, 0.0, 0.5)
    chord = brentq(lambda a: np.linalg.norm(true.pose(a).apply(incisal) - incisal) - 20.0, 0.0, 0.5)
    assert_allclose(np.rad2deg([drop, chord]), [14.6, 12.7], rtol=0, atol=0.06)


def test_arbitrary_axes_err_as_published_only_by_order_of_magnitude():
    """57 people, arbitrary axis, 2 mm of gape: below 300 um in 87 %, above 500 um in 1 %.

    Int J Prosthodont 2002;15:358. The model takes the scatter of the mounting named arbitrary (33 %
    within 5 mm) and L = 54, h = 34.3; where the 2 mm were measured is not stated, so both places
    are tried, and nothing is fitted. Found at the tooth: 75 % below 300 um, 20 % up to 500, 5 %
    above; at the incisors 93, 7 and 0.3 %. The published 87, 12 and 1 % lie between. The survey
    with 95 % within 5 mm would leave every error below 300 um.
    """
    rng = np.random.default_rng(20261126)
    sigma = condyle_scatter("arbitrary")
    shift = rng.standard_normal((400, 2)) * [sigma.forward_mm, sigma.vertical_mm]
    shares = []
    for lift in (2.0, 2.0 * 54.0 / 83.75):
        found = np.abs([error_mm(f, u, lift, 54.0)[0] for f, u in shift])
        shares.append([(found < 0.3).mean(), (found > 0.5).mean()])
    at_tooth, at_incisors = shares
    assert at_tooth[0] < 0.87 < at_incisors[0]
    assert at_incisors[1] < 0.01 < at_tooth[1]


def test_the_closure_under_load_lands_where_the_hinge_says():
    # The same 0.206 mm, the tooth a ball under a plate: the closure finds the height itself.
    radius, length, lift = 3.0, 54.0, 3.0
    middle = np.array([0.0, length, -HEIGHT])
    flat = plate(-HEIGHT + radius, size_mm=6.0)
    flat = TriangleMesh(flat.vertices + np.array([0.0, length - 60.0, 0.0]), flat.faces)
    facing = opposition(flat, cap(middle), field_is_upper=True)
    _, true = hinge()
    expected, angle = error_mm(5.0, 0.0, lift, length)
    model, wrong = hinge(5.0, 0.0, true.pose(angle), light_N=0.02)
    closed = close_jaw(model, (facing,), model.light_N, None)
    again = close_to_load(
        wrong, (facing,), UP, model.light_N, model.statics.foundation, model.closure,
        start_rad=-0.01,
    )  # fmt: skip
    # Area seen along the gap and along the tooth differ by the facets' tilt, squared: 1e-4.
    assert_allclose(closed.opening_rad, again.opening_rad, rtol=0, atol=2e-8)
    at = closed.T_upper_lower.apply(middle)
    # F = k pi R d^2: the ball sinks in by 2.7 um; its facets leave the sphere by 0.2 um.
    sunk = np.sqrt(0.02 / (300.0 * np.pi * radius))
    assert_allclose(at[2], -HEIGHT + sunk, rtol=0, atol=0.0004)
    # Over that height the tooth turns on by h / (L - e) of it.
    forward = expected + sunk * HEIGHT / (length - 5.0)
    assert_allclose(at[1] - length, forward, rtol=0, atol=0.0004)
