"""Waves and heights of a patch's sheet: Parseval, closed forms, and slow twins."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from poredepth.patch.texture import autocorrelation, texture_parameters
from poredepth.patch.types import HeightPatch
from poredepth.view.sheet_measures import (
    N_DIRECTIONS,
    STEPS_PER_OCTAVE,
    height_counts,
    is_flat,
    levelled,
    measured,
    measured_waves,
)

TEXEL_MM = 0.02


def noise(shape, sigma=0.0, seed=1):
    height = np.random.default_rng(seed).standard_normal(shape)
    return (0.01 * gaussian_filter(height, sigma, mode="wrap")).astype(np.float32)


@pytest.mark.parametrize("shape", [(256, 256), (250, 301), (64, 512)])
def test_octaves_sum_to_sq(shape):
    """Parseval: octaves one apart hold all waves between them; smooth noise has none near either end."""
    height = np.random.default_rng(2).standard_normal(shape)
    height = (gaussian_filter(height, 2, mode="wrap") - gaussian_filter(height, 6, mode="wrap")).astype(np.float32)
    waves = measured_waves(height, TEXEL_MM, True)
    for start in (0, 17, 50):
        total_um = np.sqrt((waves.sq_um[start::STEPS_PER_OCTAVE] ** 2).sum())
        assert total_um == pytest.approx(1000 * height.std(dtype=float), rel=0.01)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 155.0])
@pytest.mark.parametrize("periodic", [True, False])
def test_a_wave_is_found_at_its_length_its_sq_and_across_its_furrows(turn_deg, periodic):
    """Whole waves for relief that tiles; any for relief that does not, where the Hann window keeps the mean square."""
    rows, cols = np.indices((384, 384)) + 0.5
    across = np.radians(turn_deg + 90)
    kx, ky = np.cos(across) * 384 / 24, np.sin(across) * 384 / 24
    if periodic:
        kx, ky = round(kx), round(ky)
    height = 0.005 * np.sin(2 * np.pi * (kx * cols - ky * rows) / 384).astype(np.float32)
    waves = measured_waves(height, TEXEL_MM, periodic)
    at = np.argmax(waves.sq_um)
    assert waves.length_mm[at] == pytest.approx(384 * TEXEL_MM / np.hypot(kx, ky), rel=0.012)
    assert waves.sq_um[at] == pytest.approx(5 / np.sqrt(2), rel=0.02)
    runs_deg = 180 / N_DIRECTIONS * np.argmax(waves.steepness_ratio)
    expected_deg = np.degrees(np.arctan2(ky, kx)) + 90
    assert abs((runs_deg - expected_deg + 90) % 180 - 90) <= 1.0


def test_lengths_run_from_two_texels_to_the_longer_side():
    waves = measured_waves(noise((100, 160)), TEXEL_MM, True)
    assert waves.length_mm[0] == pytest.approx(2 * TEXEL_MM)
    assert waves.length_mm[-1] == pytest.approx(160 * TEXEL_MM, rel=0.01)


@pytest.mark.parametrize("shape", [(400, 400), (60, 900)])
def test_relief_alike_in_all_directions_has_a_round_rose(shape):
    waves = measured_waves(noise(shape, 3.0), TEXEL_MM, True)
    assert (waves.steepness_ratio**2).mean() == pytest.approx(1, rel=1e-6)
    assert np.abs(waves.steepness_ratio - 1).max() < (0.12 if shape[0] > 100 else 0.35)


def test_a_plane_is_taken_off():
    """Against numpy's least squares."""
    height = (
        noise((40, 60)) + np.linspace(0, 1, 60, dtype=np.float32) + np.linspace(2, 0, 40, dtype=np.float32)[:, None]
    )
    rows, cols = np.indices(height.shape)
    terms = np.column_stack([np.ones(height.size), rows.ravel(), cols.ravel()])
    fitted = terms @ np.linalg.lstsq(terms, height.ravel().astype(float), rcond=None)[0]
    np.testing.assert_allclose(levelled(height), height - fitted.reshape(height.shape), atol=2e-6)


def test_counts_are_those_of_numpy():
    height = noise((300, 170)) - np.float32(0.4)
    patch = HeightPatch("x", height, TEXEL_MM)
    above_um = 1000 * (height.astype(float) - height.mean(dtype=float))
    ends = above_um.min(), above_um.max()
    count = height_counts(patch, *ends, 50)
    expected = np.histogram(above_um, 50, ends)[0]
    assert count.sum() == height.size
    assert np.abs(count - expected).max() <= 6  # heights that rounding carries over an edge
    narrow = height_counts(patch, -5.0, 5.0, 20)
    assert abs(int(narrow.sum()) - int((np.abs(above_um) < 5).sum())) <= 6


def test_counts_leave_out_what_is_outside():
    height = noise((50, 60))
    inside = np.zeros((50, 60))
    inside[10:30, 5:25] = 1
    patch = HeightPatch("x", np.where(inside > 0, height, 9), TEXEL_MM, False, inside=inside)
    assert height_counts(patch, -100.0, 100.0, 10).sum() == 400


def test_flat_is_what_rounding_leaves():
    level = np.full((20, 20), 0.37, np.float32)
    assert is_flat(level) and is_flat(np.zeros(0, np.float32))
    level[3, 3] += np.float32(1e-5)
    assert not is_flat(level)


def test_parameters_are_those_of_the_patch_as_it_is():
    """The autocorrelation is worked out once and handed on: that changes no parameter."""
    height = noise((90, 80), 2.0) + np.linspace(0, 0.004, 80, dtype=np.float32)
    found = measured(HeightPatch("x", height, TEXEL_MM, False))
    assert found.parameters == texture_parameters(height, TEXEL_MM, periodic=False)
    np.testing.assert_array_equal(found.correlation, autocorrelation(height, False))
    assert found.tilt_ratio == pytest.approx(1 - np.var(levelled(height)) / np.var(height), abs=1e-4)
