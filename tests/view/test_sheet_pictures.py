"""Pictures of a patch's sheet: means over areas, relief reduced and whole, colours even to the eye."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage.color import rgb2lab

from poredepth.patch.types import HeightPatch
from poredepth.view.clay import BACKGROUND_RGB, Light, clay_rgb
from poredepth.view.ramp import ramp_rgb
from poredepth.view.relief import raking_relief, received_light
from poredepth.view.sheet_pictures import area_means, close_relief, coloured_heights, ramp_ends_um, reduced_relief

TEXEL_MM = 0.02
LIGHT = Light()


def smooth(shape, sigma=4.0):
    height = gaussian_filter(np.random.default_rng(1).standard_normal(shape), sigma, mode="wrap")
    return (0.01 * height / height.std()).astype(np.float32)


@pytest.mark.parametrize(("n_from", "n_to"), [(12, 4), (10, 7), (7, 10), (5, 5), (1000, 251), (3, 1)])
def test_means_over_areas(n_from, n_to):
    """Against a sum over 1/n_to of each texel: parts are shared exactly."""
    values = np.random.default_rng(0).random(n_from)
    fine = np.repeat(values, n_to).reshape(n_to, n_from).mean(axis=1)
    np.testing.assert_allclose(area_means(n_from, n_to) @ values.astype(np.float32), fine, rtol=2e-6)


@pytest.mark.parametrize("periodic", [True, False])
def test_a_picture_of_its_own_size_is_the_relief_itself(periodic):
    height = smooth((300, 280))
    patch = HeightPatch("x", height, TEXEL_MM, periodic)
    step = TEXEL_MM * np.eye(2)
    padded = np.pad(height, 1, mode="wrap") if periodic else np.pad(height, 1, constant_values=np.nan)
    expected = raking_relief(padded, step[0], step[1])[1:-1, 1:-1].astype(int)
    assert np.abs(reduced_relief(patch, height.shape, LIGHT) - expected).max() <= 1
    np.testing.assert_array_equal(close_relief(patch, 400, 400, LIGHT).image, expected)


def test_a_reduced_picture_has_the_light_of_mean_slopes():
    height = smooth((600, 600))
    right = (np.roll(height, -1, axis=1) - np.roll(height, 1, axis=1)) / (2 * TEXEL_MM)
    up = (np.roll(height, 1, axis=0) - np.roll(height, -1, axis=0)) / (2 * TEXEL_MM)
    blocks = [s.reshape(200, 3, 200, 3).mean(axis=(1, 3)) for s in (right, up)]
    expected = clay_rgb(received_light(*blocks, LIGHT)).astype(int)
    assert np.abs(reduced_relief(HeightPatch("x", height, TEXEL_MM), (200, 200), LIGHT) - expected).max() <= 1


def test_waves_finer_than_pixels_leave_no_pattern():
    """A wave of 3 texels in a picture of one pixel for 3.7 texels: even, where picking texels would show beats."""
    cols = np.arange(999)
    height = np.tile(0.002 * np.sin(2 * np.pi * cols / 3), (40, 1))
    picture = reduced_relief(HeightPatch("x", height, TEXEL_MM), (11, 270), LIGHT)[..., 1].astype(float)
    close = close_relief(HeightPatch("x", height, TEXEL_MM), 999, 40, LIGHT).image[..., 1].astype(float)
    assert picture.std() < 0.25 * close.std()


def test_outside_is_background_without_an_edge_of_false_slopes():
    height = smooth((200, 200))
    inside = np.zeros((200, 200))
    inside[40:160, 60:150] = 1
    patch = HeightPatch("x", np.where(inside > 0, height, 4.0), TEXEL_MM, False, inside=inside)
    picture = reduced_relief(patch, (200, 200), LIGHT)
    assert (picture[inside == 0] == BACKGROUND_RGB).all()
    own = raking_relief(np.where(inside > 0, height, np.nan), *(TEXEL_MM * np.eye(2)))
    assert np.abs(picture[inside > 0].astype(int) - own[inside > 0]).max() <= 1


def test_small_patches_are_enlarged_by_whole_numbers():
    close = close_relief(HeightPatch("x", smooth((5, 7), 1.0), TEXEL_MM), 100, 100, LIGHT)
    assert close.px_per_texel == 14 and close.image.shape == (70, 98, 3)
    assert (close.image[:14, :14] == close.image[0, 0]).all()


def test_a_spike_does_not_flatten_the_ramp():
    height = smooth((300, 300))
    height[7, 7] = 3.0
    low, high = ramp_ends_um(HeightPatch("x", height, TEXEL_MM))
    assert low == pytest.approx(1000 * np.quantile(height, 0.0005)) and high < 60


def test_heights_are_coloured_by_the_mean_of_their_area():
    height = np.tile(np.repeat([0.0, 0.01, 0.02, 0.03], 5), (20, 1))
    image = coloured_heights(HeightPatch("x", height, TEXEL_MM), (2, 2), (0.0, 30.0))
    np.testing.assert_array_equal(image[0], ramp_rgb(np.array([5, 25]) / 30))


def test_the_ramp_is_even_to_the_eye():
    """CIE L* and a* of skimage: lightness rises in nearly even steps, and nothing parts by red against green."""
    lab = rgb2lab(ramp_rgb(np.linspace(0, 1, 33))[None].astype(float) / 255)[0]
    steps = np.diff(lab[:, 0])
    assert steps.min() > 0.75 * steps.mean() and steps.max() < 1.25 * steps.mean()
    assert lab[0, 0] < 20 and lab[-1, 0] > 90
    assert np.abs(lab[:, 1]).max() < 20
    assert lab[0, 2] < -20 and lab[-1, 2] > 30
