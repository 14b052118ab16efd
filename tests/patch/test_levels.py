import math

import numpy as np
import pytest
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.levels import PAD, build_levels
from poredepth.patch.types import HeightPatch

TEXEL_MM = 0.02


def sample(level, x_mm, y_mm):
    """scipy's own cubic B-spline sum over the stored coefficients: the independent reader of a level."""
    place = [y_mm / level.texel_y_mm - 0.5 + level.pad, x_mm / level.texel_x_mm - 0.5 + level.pad]
    return ndimage.map_coordinates(level.coefficients.astype(np.float64), place, order=3, prefilter=False)


def centres_mm(count):
    return (np.arange(count) + 0.5) * TEXEL_MM


def wave(x_mm, y_mm, fx_per_mm, fy_per_mm):
    return np.cos(2 * np.pi * (fx_per_mm * x_mm + fy_per_mm * y_mm) + 0.7)


@pytest.mark.parametrize("shape", [(256, 256), (243, 500), (501, 257), (250, 333)])
@pytest.mark.parametrize("k", [0, 1, 2, 3])
def test_periodic_level_equals_the_filtered_wave(rng_points, shape, k):
    rows, cols = shape
    width_mm, extent_mm = cols * TEXEL_MM, rows * TEXEL_MM
    fx_per_mm, fy_per_mm = 2 / width_mm, 1 / extent_mm
    y_mm, x_mm = np.meshgrid(centres_mm(rows), centres_mm(cols), indexing="ij")
    level = build_levels(0.05 * wave(x_mm, y_mm, fx_per_mm, fy_per_mm), TEXEL_MM, True)[k]
    assert (level.rows, level.cols) == (math.ceil(rows / 2 ** max(k - 1, 0)), math.ceil(cols / 2 ** max(k - 1, 0)))
    assert level.cols * level.texel_x_mm == pytest.approx(width_mm, rel=1e-15)
    assert level.coefficients.shape == (level.rows + 2 * PAD, level.cols + 2 * PAD)
    assert level.coefficients.dtype == np.float32
    sigma_mm = 0.5 * TEXEL_MM * 2**k if k else 0.0
    # transmission of a Gaussian of standard deviation sigma: exp(-2 pi^2 sigma^2 f^2) (closed form)
    gain = math.exp(-2 * math.pi**2 * sigma_mm**2 * (fx_per_mm**2 + fy_per_mm**2))
    x_mm, y_mm = rng_points[0] * width_mm, rng_points[1] * extent_mm
    got, expected = sample(level, x_mm, y_mm), 0.05 * gain * wave(x_mm, y_mm, fx_per_mm, fy_per_mm)
    assert np.abs(got - expected).max() <= 1e-4 * 0.05


@pytest.fixture
def rng_points():
    return np.random.default_rng(3).random((2, 4000))


@pytest.mark.parametrize("shape", [(64, 48), (37, 51)])
def test_periodic_continuation_is_exact(shape):
    height = np.random.default_rng(1).normal(size=shape).astype(np.float32)
    for level in build_levels(height, TEXEL_MM, True):
        inner = level.coefficients[PAD:-PAD, PAD:-PAD]
        assert np.array_equal(level.coefficients, np.pad(inner, PAD, mode="wrap"))
        x_mm = np.linspace(-0.5, 0.499, 9) * level.texel_x_mm  # every tap stays inside the margin
        y_mm = np.linspace(0.0, 1.0, 9) * level.rows * level.texel_y_mm
        again = sample(level, x_mm + level.cols * level.texel_x_mm, y_mm)
        assert sample(level, x_mm, y_mm) == pytest.approx(again, abs=1e-9)


@pytest.mark.parametrize("periodic", [True, False])
@pytest.mark.parametrize("shape", [(33, 40), (40, 33)])
def test_level_0_passes_through_the_texels(periodic, shape):
    height = np.random.default_rng(2).normal(size=shape).astype(np.float32)
    level = build_levels(height, TEXEL_MM, periodic)[0]
    y_mm, x_mm = np.meshgrid(centres_mm(shape[0]), centres_mm(shape[1]), indexing="ij")
    assert np.abs(sample(level, x_mm, y_mm) - height).max() < 2e-6


@pytest.mark.parametrize("shape", [(300, 320), (301, 333)])
@pytest.mark.parametrize("k", [1, 2, 3])
def test_bounded_level_equals_the_filtered_wave_away_from_the_borders(rng_points, shape, k):
    rows, cols = shape
    f_per_mm = 0.55
    y_mm, x_mm = np.meshgrid(centres_mm(rows), centres_mm(cols), indexing="ij")
    level = build_levels(wave(x_mm, y_mm, f_per_mm, -0.4), TEXEL_MM, False)[k]
    gain = math.exp(-2 * math.pi**2 * (0.5 * TEXEL_MM * 2**k) ** 2 * (f_per_mm**2 + 0.4**2))
    x_mm = (0.2 + 0.6 * rng_points[0]) * cols * TEXEL_MM
    y_mm = (0.2 + 0.6 * rng_points[1]) * rows * TEXEL_MM
    assert np.abs(sample(level, x_mm, y_mm) - gain * wave(x_mm, y_mm, f_per_mm, -0.4)).max() < 1e-3


def test_bounded_levels_keep_a_plane_flat_heights_and_stay_in_range():
    flat = build_levels(np.full((50, 70), 0.25), TEXEL_MM, False)
    for level in flat:
        assert level.coefficients == pytest.approx(0.25, abs=1e-6)
    assert build_levels(np.full((50, 70), 0.25), TEXEL_MM, True)[-1].coefficients == pytest.approx(0.25, abs=1e-6)


def test_every_level_keeps_the_mean():
    height = np.random.default_rng(4).normal(size=(95, 130)) + 0.5
    for level in build_levels(height, TEXEL_MM, True):
        inner = level.coefficients[PAD:-PAD, PAD:-PAD]
        assert inner.mean(dtype=np.float64) == pytest.approx(height.mean(), abs=1e-6)


def test_the_pyramid_stops_at_four_texels_and_at_max_levels():
    sizes = [(level.rows, level.cols) for level in build_levels(np.zeros((64, 100)), TEXEL_MM, True)]
    assert sizes == [(64, 100), (64, 100), (32, 50), (16, 25), (8, 13), (4, 7)]
    assert len(build_levels(np.zeros((64, 100)), TEXEL_MM, False, max_levels=2)) == 2


def test_a_patch_brings_its_own_texel_and_period():
    patch = HeightPatch("p", np.random.default_rng(4).normal(size=(16, 20)), TEXEL_MM, periodic=False)
    mine, given = build_levels(patch), build_levels(patch.height_mm, TEXEL_MM, False)
    assert all(np.array_equal(a.coefficients, b.coefficients) for a, b in zip(mine, given, strict=True))


def test_bad_input_is_refused():
    with pytest.raises(PatchError, match="levels: height_mm has 2 x 9 texels"):
        build_levels(np.zeros((2, 9)), TEXEL_MM, True)
    with pytest.raises(PatchError, match="levels: texel_mm is None; allowed is a finite number"):
        build_levels(np.zeros((9, 9)))
