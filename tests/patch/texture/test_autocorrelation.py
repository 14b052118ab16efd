"""Autocorrelation beside plain sums over shifts (scipy.signal.fftconvolve, numpy.roll)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve

from poredepth.patch.texture import autocorrelation

SHAPES = [(31, 40), (40, 31), (31, 33), (24, 20), (4, 5), (300, 20)]


def relief(shape, seed=0):
    return np.random.default_rng(seed).normal(size=shape) + 2.0


@pytest.mark.parametrize("shape", SHAPES)
def test_periodic_is_the_sum_over_the_relief_rolled(shape):
    z = relief(shape)
    found = autocorrelation(z, True)
    z -= z.mean()
    for down, right in [(0, 0), (1, 0), (0, 1), (-2, 1), (shape[0] // 2 - 1, -(shape[1] // 2)), (-(shape[0] // 2), 1)]:
        want = (z * np.roll(z, (down, right), (0, 1))).sum() / (z * z).sum()
        assert found[shape[0] // 2 + down, shape[1] // 2 + right] == pytest.approx(want, abs=1e-12)
    assert found.shape == shape and found.dtype == np.float64


@pytest.mark.parametrize("share", [1.0, 0.8])
@pytest.mark.parametrize("shape", SHAPES)
def test_bounded_is_the_mean_over_what_has_a_partner(shape, share):
    z = relief(shape, 1)
    inside = np.random.default_rng(2).random(shape) < share
    found = autocorrelation(np.where(inside, z, np.nan), False, inside)
    z = np.where(inside, z - z[inside].mean(), 0.0)
    overlap = np.round(fftconvolve(1.0 * inside, 1.0 * inside[::-1, ::-1]))
    want = fftconvolve(z, z[::-1, ::-1]) / np.maximum(overlap, 1)
    want /= (z * z).sum() / inside.sum()
    low = [n - 1 - n // 2 for n in shape]
    part = slice(low[0], low[0] + shape[0]), slice(low[1], low[1] + shape[1])
    want = np.where(overlap < inside.sum() / 16, 0.0, want)
    assert np.abs(found - want[part]).max() < 1e-12


def test_relief_without_height_has_none():
    assert np.isnan(autocorrelation(np.full((20, 30), 0.1, np.float32), True)).all()


def test_large_pictures_are_kept_in_single_precision():
    z = np.tile(relief((256, 300), 3), (9, 8))  # repeats, so the small one has the answer
    found, want = autocorrelation(z.astype(np.float32), True), autocorrelation(relief((256, 300), 3), True)
    assert found.dtype == np.float32
    assert np.abs(found[9 * 128 : 9 * 128 + 100, 8 * 150 : 8 * 150 + 100] - want[128:228, 150:250]).max() < 2e-6
