"""Raking relief: Lambert by hand, and the same skin gives the same shade however its texels lie on it."""

import numpy as np
import pytest

from poredepth.errors import PoredepthError
from poredepth.view.clay import BACKGROUND_RGB, CLAY_ALBEDO, Light, clay_rgb, srgb_codes
from poredepth.view.relief import AMBIENT, SHEEN, SHEEN_POWER, central_difference, lambert, raking_relief, skin_slopes

TEXEL_MM = 0.05
SQUARE = (np.array([TEXEL_MM, 0.0]), np.array([0.0, -TEXEL_MM]))


def plane(slope_right, slope_up, shape=(9, 11), steps=SQUARE):
    """Heights of a tilted plane on square texels, mm."""
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    return (cols * steps[0][0] * slope_right - rows * TEXEL_MM * slope_up).astype(np.float32)


@pytest.mark.parametrize(
    ("tilt_deg", "light_from_deg", "elevation_deg", "angle_deg"),
    [
        (0, 0, 18, 72),  # flat: 90 - 18
        (30, 180, 30, 30),  # rises to the right, so it faces left: normal 60 deg up in the left, light 30 deg up there
        (60, 180, 30, 0),  # faces the light
        (30, 0, 30, 90),  # grazed from behind
        (45, 90, 45, 60),  # light from the side: cos = sin 45 cos 45 = 1/2
    ],
)
def test_a_tilted_plane_has_lamberts_shade(tilt_deg, light_from_deg, elevation_deg, angle_deg):
    """Angles between normal and light by hand (own derivation)."""
    slope = np.float32(np.tan(np.radians(tilt_deg)))
    light = Light(light_from_deg, elevation_deg)
    np.testing.assert_allclose(lambert(slope, np.float32(0), light), np.cos(np.radians(angle_deg)), atol=2e-7)
    right, up = skin_slopes(plane(slope, 0), *SQUARE)
    np.testing.assert_allclose(right, slope, rtol=2e-5, atol=1e-6)
    np.testing.assert_allclose(up, 0, atol=1e-6)


def test_a_plane_turned_away_is_dark_but_never_negative():
    assert lambert(np.float32(np.tan(np.radians(60))), np.float32(0), Light(0, 30)) == 0


def test_the_picture_of_a_plane_is_the_written_formula():
    """Own derivation, once more in float64: Lambert + ambient + sheen, 1 - exp, IEC 61966-2-1."""
    p, q = 0.3, -0.2
    image = raking_relief(plane(p, q), *SQUARE, azimuth_deg=120, elevation_deg=25)
    azimuth, elevation = np.radians([120, 25])
    to_light = np.array([np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)])
    normal = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
    half = (to_light + [0, 0, 1]) / np.linalg.norm(to_light + [0, 0, 1])
    received = (1 - AMBIENT) * normal @ to_light / np.sin(elevation) + AMBIENT * normal[2]
    received += SHEEN * (normal @ half) ** SHEEN_POWER
    linear = 1 - np.exp(-received * CLAY_ALBEDO)
    codes = 255 * (1.055 * linear ** (1 / 2.4) - 0.055)
    assert np.abs(image.astype(float) - codes).max() <= 1.0


def test_srgb_codes_are_the_standards():
    """IEC 61966-2-1 at known points, values from memory: 0.5 linear is code 188, 0.2140 is 128 (rounded)."""
    np.testing.assert_array_equal(srgb_codes(np.array([0, 0.5, 0.21586, 1.0, 2.0, -1.0])), [0, 188, 128, 255, 255, 0])


def skin_height(x, y):
    return 0.02 * np.sin(2.1 * x + 0.4) * np.cos(1.3 * y) + 0.015 * np.sin(0.9 * x - 1.7 * y)


def skin_slope(x, y):
    along_x = 0.042 * np.cos(2.1 * x + 0.4) * np.cos(1.3 * y) + 0.0135 * np.cos(0.9 * x - 1.7 * y)
    along_y = -0.026 * np.sin(2.1 * x + 0.4) * np.sin(1.3 * y) - 0.0255 * np.cos(0.9 * x - 1.7 * y)
    return along_x, along_y


def turned(deg):
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, -s], [s, c]])


UPRIGHT = np.array([[TEXEL_MM, 0], [0, -TEXEL_MM]])
LAYS = {
    "upright": UPRIGHT,
    "twice as wide": UPRIGHT @ np.diag([2.0, 1.0]),
    "twice as high": UPRIGHT @ np.diag([1.0, 2.0]),
    "turned": turned(37) @ UPRIGHT,
    "mirrored": np.diag([-1.0, 1.0]) @ UPRIGHT,
    "mirrored, turned": turned(-110) @ np.diag([1.0, -1.0]) @ UPRIGHT,
    "sheared": UPRIGHT @ np.array([[1, 0.6], [0.2, 1.0]]),
    "sheared, mirrored, stretched": turned(200) @ UPRIGHT @ np.array([[1.5, 0.9], [0.1, -0.8]]),
}


@pytest.mark.parametrize("name", LAYS)
@pytest.mark.parametrize("frame", [np.eye(2), turned(73), np.diag([1.0, -1.0]) @ turned(15)])
def test_the_same_skin_under_the_same_light_has_the_same_shade(name, frame):
    """The light is fixed on the skin; its side of the picture follows from the lay.  Own derivation."""
    lay = LAYS[name]  # columns: mm of one column, mm of one row
    rows, cols = np.mgrid[:60, :80]
    x, y = np.einsum("kj,jrc->krc", lay, np.stack([cols, rows]))
    skin_light_deg, elevation_deg = 70.0, 20.0
    towards = np.array([np.cos(np.radians(skin_light_deg)), np.sin(np.radians(skin_light_deg))])
    e1 = lay[:, 0] / np.linalg.norm(lay[:, 0])
    e2 = -lay[:, 1] + (lay[:, 1] @ e1) * e1
    e2 /= np.linalg.norm(e2)
    azimuth_deg = np.degrees(np.arctan2(towards @ e2, towards @ e1))
    in_frame = frame @ lay  # the flat frame is arbitrary: turned, or seen from below
    image = raking_relief(
        skin_height(x, y).astype(np.float32),
        in_frame[:, 0],
        in_frame[:, 1],
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
    )
    along_x, along_y = skin_slope(x, y)
    expected = raking_light_on_skin(along_x, along_y, towards, elevation_deg)
    inside = np.s_[1:-1, 1:-1]
    assert np.abs(image[inside].astype(int) - expected[inside]).max() <= 2


def raking_light_on_skin(along_x, along_y, towards, elevation_deg):
    """Shade in the skin's own frame, from analytic slopes."""
    elevation = np.radians(elevation_deg)
    to_light = np.array([*(towards * np.cos(elevation)), np.sin(elevation)])
    normal = np.stack([-along_x, -along_y, np.ones_like(along_x)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    half = (to_light + [0, 0, 1]) / np.linalg.norm(to_light + [0, 0, 1])
    key = np.maximum(normal @ to_light, 0) / np.sin(elevation)
    gloss = np.maximum(normal @ half, 0)
    return clay_rgb((1 - AMBIENT) * key + AMBIENT * normal[..., 2] + SHEEN * gloss**SHEEN_POWER).astype(int)


@pytest.mark.parametrize(("azimuth_deg", "lit"), [(0, "right"), (90, "top"), (180, "left"), (270, "bottom")])
def test_a_bump_is_brighter_on_the_side_the_light_comes_from(azimuth_deg, lit):
    rows, cols = np.mgrid[:41, :41] - 20
    bump = (0.1 * np.exp(-(rows**2 + cols**2) / 72)).astype(np.float32)
    image = raking_relief(bump, *SQUARE, azimuth_deg=azimuth_deg).astype(int).sum(axis=2)
    sides = {"right": image[20, 26], "left": image[20, 14], "top": image[14, 20], "bottom": image[26, 20]}
    assert max(sides, key=sides.get) == lit
    opposite = {"right": "left", "left": "right", "top": "bottom", "bottom": "top"}[lit]
    assert sides[lit] - sides[opposite] > 150


def test_a_pit_is_brighter_on_the_far_side():
    rows, cols = np.mgrid[:41, :41] - 20
    pit = (-0.1 * np.exp(-(rows**2 + cols**2) / 72)).astype(np.float32)
    image = raking_relief(pit, *SQUARE, azimuth_deg=180).astype(int).sum(axis=2)
    assert image[20, 26] > image[20, 14] + 150


def test_exaggeration_is_a_factor_on_the_heights():
    height = skin_height(*(0.05 * np.mgrid[:20, :30])).astype(np.float32)
    np.testing.assert_array_equal(
        raking_relief(height, *SQUARE, exaggeration=4.0), raking_relief(height * np.float32(4), *SQUARE)
    )


def test_no_skin_is_background_and_heights_beyond_a_border_still_count():
    height = plane(0.4, 0.1)
    x = np.broadcast_to(SQUARE[0], (*height.shape, 2)).copy()
    x[:, 6:] = np.nan
    image = raking_relief(height, x, SQUARE[1])
    assert (image[:, 6:] == BACKGROUND_RGB).all()
    assert (image[:, :6] == image[0, 0]).all()
    assert not (image[:, :6] == BACKGROUND_RGB).all()


def test_unknown_heights_leave_one_sided_slopes():
    height = plane(0.4, -0.3)
    height[:, 6:] = np.nan
    right, up = skin_slopes(height, *SQUARE)
    np.testing.assert_allclose(right[:, :6], 0.4, rtol=2e-5)
    np.testing.assert_allclose(up[:, :6], -0.3, rtol=2e-5)
    assert np.isnan(right[:, 6:]).all()


def test_central_difference_does_not_cross_what_is_not_joined():
    values = np.array([[0, 1, 2, 10, 12, 14]], np.float32)
    joined = np.array([[True, True, False, True, True]])
    np.testing.assert_array_equal(central_difference(values, 1, joined), [[1, 1, 1, 2, 2, 2]])
    np.testing.assert_array_equal(central_difference(values, 0), np.zeros((1, 6)))


def test_texels_without_area_are_drawn_flat():
    right, up = skin_slopes(plane(0.4, 0.2), np.zeros(2), np.zeros(2))
    assert (right == 0).all() and (up == 0).all()


@pytest.mark.parametrize("elevation_deg", [0, -5, 91, float("nan")])
def test_a_light_not_above_the_skin_is_refused(elevation_deg):
    with pytest.raises(PoredepthError, match="allowed: above 0 up to 90"):
        raking_relief(plane(0, 0), *SQUARE, elevation_deg=elevation_deg)


def test_a_light_without_side_is_refused():
    with pytest.raises(PoredepthError, match="azimuth_deg is nan"):
        Light(float("nan"), 20)
