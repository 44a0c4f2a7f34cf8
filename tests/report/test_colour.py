"""Laws of the colours: order in lightness, even steps, safe for colour-blindness and grey print."""

from itertools import combinations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.errors import InputError
from occlusim.report.colour import (
    GAP,
    NO_DATA_RGB,
    QUANTITIES,
    SURFACE_RGB,
    colour_scale,
    linear_from_srgb,
    oklab_from_srgb,
    paint,
    quantity_of,
    srgb_from_linear,
    srgb_from_oklab,
)

# Full dichromacy in linear RGB: Machado, Oliveira & Fernandes, A physiologically-based model for
# simulation of color vision deficiency, IEEE TVCG 15(6), 2009, severity 1.0 (from memory).
DICHROMATS = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
LEAST_SEEN = 0.02
"""A difference in OKLab that is plainly seen; one just seen is about 0.01 (from memory)."""

quantities = pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=QUANTITIES)


def lightness_of(rgb):
    """CIE 1976 L* by the luminance of sRGB (IEC 61966-2-1), a scale other than the maps' own."""
    luminance = linear_from_srgb(np.asarray(rgb) / 255.0) @ [0.2126, 0.7152, 0.0722]
    return 116.0 * np.cbrt(luminance) - 16.0


def seen_by(dichromat, rgb):
    linear = linear_from_srgb(np.asarray(rgb) / 255.0) @ np.array(DICHROMATS[dichromat]).T
    return oklab_from_srgb(srgb_from_linear(linear))


def test_white_is_lightness_one_and_greys_have_no_hue():
    lab = oklab_from_srgb(np.array([[1.0, 1.0, 1.0], [0.5, 0.5, 0.5]]))
    assert_allclose(lab[0, 0], 1.0, rtol=0, atol=1e-6)
    assert_allclose(lab[:, 1:], 0.0, rtol=0, atol=1e-6)


def test_red_green_blue_have_their_published_oklab():
    # Ottosson 2020; values to three decimals as reference implementations print them.
    expected = [[0.628, 0.225, 0.126], [0.866, -0.234, 0.179], [0.452, -0.032, -0.312]]
    assert_allclose(oklab_from_srgb(np.eye(3)), expected, rtol=0, atol=6e-4)


def test_oklab_and_srgb_are_inverse(rng):
    srgb = rng.uniform(0.0, 1.0, (500, 3))
    assert_allclose(srgb_from_oklab(oklab_from_srgb(srgb)), srgb, rtol=0, atol=1e-6)


@quantities
def test_lightness_only_rises_or_only_falls_so_grey_print_keeps_the_order(quantity):
    lightness = lightness_of(quantity.colours())
    steps = np.diff(lightness[::4])
    assert (steps > 0).all() or (steps < 0).all()
    assert abs(lightness[-1] - lightness[0]) > 45.0


@quantities
def test_equal_steps_of_the_number_are_equal_steps_of_colour(quantity):
    lab = oklab_from_srgb(quantity.colours() / 255.0)
    steps = np.linalg.norm(np.diff(lab[::17], axis=0), axis=1)  # 255 = 15 * 17: stops are hit
    assert steps.max() / steps.min() < 1.2  # what rounding to bytes leaves


@quantities
def test_no_colour_of_a_map_is_cut_off_by_srgb(quantity):
    for stop in quantity.stops:
        back = oklab_from_srgb(srgb_from_oklab(np.array(stop)))
        assert_allclose(back, stop, rtol=0, atol=2e-3)


@quantities
@pytest.mark.parametrize("dichromat", DICHROMATS)
def test_a_twelfth_of_the_range_is_seen_by_dichromats(quantity, dichromat):
    lab = seen_by(dichromat, quantity.colours()[:: 256 // 12])
    distance = np.linalg.norm(lab[:, None] - lab[None, :], axis=-1)
    distance[np.diag_indices(len(lab))] = np.inf
    assert distance.min() > LEAST_SEEN


@quantities
def test_unknown_is_on_no_map_for_any_eye_or_in_grey(quantity):
    colours = quantity.colours()
    assert np.abs(lightness_of(colours) - lightness_of(NO_DATA_RGB)).min() > 10.0
    own = oklab_from_srgb(colours / 255.0) - oklab_from_srgb(np.array(NO_DATA_RGB) / 255.0)
    assert np.linalg.norm(own, axis=1).min() > 4 * LEAST_SEEN
    for dichromat in DICHROMATS:
        seen = seen_by(dichromat, colours) - seen_by(dichromat, NO_DATA_RGB)
        assert np.linalg.norm(seen, axis=1).min() > LEAST_SEEN


@quantities
def test_a_surface_without_a_number_is_on_no_map_and_not_the_unknown(quantity):
    surface = oklab_from_srgb(np.array(SURFACE_RGB) / 255.0)
    own = oklab_from_srgb(quantity.colours() / 255.0) - surface
    assert np.linalg.norm(own, axis=1).min() > LEAST_SEEN
    assert abs(lightness_of(SURFACE_RGB) - lightness_of(NO_DATA_RGB)) > 45.0


def test_a_colour_that_is_not_neutral_means_one_quantity():
    hued = {}
    for name, quantity in QUANTITIES.items():
        lab = oklab_from_srgb(quantity.colours() / 255.0)
        hued[name] = lab[np.linalg.norm(lab[:, 1:], axis=1) > 0.05]
        assert len(hued[name]) > 60
    for first, second in combinations(hued.values(), 2):
        distance = np.linalg.norm(first[:, None] - second[None, :], axis=-1)
        assert distance.min() > 1.5 * LEAST_SEEN


def test_touching_is_neutral_overlap_warm_open_cool():
    lab = oklab_from_srgb(paint([-100.0, 0.0, 100.0], GAP) / 255.0)
    assert_allclose(lab[1, 1:], 0.0, rtol=0, atol=4e-3)
    assert lab[0, 2] > 0.08
    assert lab[2, 2] < -0.01


def test_paint_clamps_beyond_the_ends_and_greys_the_unknown():
    painted = paint([-1e6, -200.0, 100.0, 1e6, np.nan], GAP)
    assert (painted[0] == painted[1]).all()
    assert (painted[2] == painted[3]).all()
    assert tuple(painted[4]) == NO_DATA_RGB
    assert painted.dtype == np.uint8


@quantities
def test_ticks_stand_in_the_range_and_say_their_number(quantity):
    assert (quantity.ticks[0], quantity.ticks[-1]) == (quantity.low, quantity.high)
    for tick, words in zip(quantity.ticks, quantity.tick_words(), strict=True):
        assert str(abs(tick)) in words
        assert ("−" in words) == (tick < 0)


@quantities
def test_plotly_scale_is_the_painted_map(quantity):
    values = np.linspace(quantity.low, quantity.high, 256) / quantity.per_stored
    scale = colour_scale(quantity)
    assert [stop[1] for stop in scale] == [
        f"#{red:02x}{green:02x}{blue:02x}" for red, green, blue in paint(values, quantity)
    ]


@pytest.mark.parametrize(
    ("field", "name"),
    [
        ("gap_um", "gap"),
        ("side_gap_um", "gap"),
        ("clearance_um", "clearance"),
        ("clearance_laterotrusion_left_um", "clearance"),
        ("residual_um", "residual"),
        ("reduction_um", "reduction"),
        ("raise_um", "raise"),
        ("thickness_um", "thickness"),
        ("probability_high", "probability"),
    ],
)
def test_fields_find_their_map(field, name):
    assert quantity_of(field).name == name


def test_a_field_without_a_map_is_named():
    with pytest.raises(
        InputError, match=r"'area_mm2'.*gap, clearance, reduction, raise, thickness"
    ):
        quantity_of("area_mm2")
