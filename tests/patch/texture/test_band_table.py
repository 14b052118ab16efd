"""Sq by octaves: the gains of ISO 16610-61 (closed form), sums, patches.  Figures: pytest -s."""

from __future__ import annotations

import numpy as np
import pytest
from fields import blurred_noise

from poredepth import Cutoffs, HeightPatch, PatchError
from poredepth.patch.bands import band_sq_mm
from poredepth.patch.texture import band_table


def passed(cutoff, length):
    """Low pass of a wave: 2^-((cutoff / length)^2) (ISO 16610-61, from memory; as in test_bands.py)."""
    return 2.0 ** -((cutoff / length) ** 2)


def test_a_wave_stands_in_its_octaves():
    height = np.tile(0.01 * np.sin(2 * np.pi * np.arange(512) / 32), (512, 1))
    rows = band_table(height, 0.01, periodic=True)
    assert [(r.low_mm, r.high_mm) for r in rows] == [(0.01 * 2**k, 0.01 * 2 ** (k + 1)) for k in range(1, 9)]
    for row in rows:
        want = 10 / np.sqrt(2) * (passed(row.low_mm, 0.32) - passed(row.high_mm, 0.32))
        print(f"{row.low_mm:5.2f} to {row.high_mm:5.2f} mm: {row.sq_um:.4f} um ({want:.4f})")
        assert row.sq_um == pytest.approx(want, abs=2e-5)


def test_own_edges_and_patches():
    """The middle band of a patch is what `band_sq_mm` says of it, tiled or not."""
    height = 0.01 * blurred_noise((200, 260), (4.0, 4.0), 1)
    inside = np.zeros((200, 260), np.float32)
    inside[10:190, 20:250] = 1.0
    for patch in (
        HeightPatch("tile", height, 0.02),
        HeightPatch("piece", height, 0.02, periodic=False),
        HeightPatch("cut", height, 0.02, periodic=False, inside=inside),
    ):
        [row] = band_table(patch, edges_mm=[0.3, 1.1])
        assert row.sq_um == pytest.approx(1000 * band_sq_mm(patch, Cutoffs(1.1, 0.3))["middle"], rel=1e-5)
    assert band_table(height.astype(np.float32), 0.02, False, [0.3, 1.1], inside=inside) == [row]


def test_octaves_end_at_two_texels_and_the_shorter_side():
    rows = band_table(np.random.default_rng(0).normal(size=(100, 300)), 0.02, True)
    assert rows[-1].high_mm == pytest.approx(2.0) and 0.04 <= rows[0].low_mm < 0.08
    assert len(band_table(np.zeros((4, 4)), 0.02)) == 1


def test_refusals():
    height = np.zeros((20, 20))
    with pytest.raises(PatchError, match="texel_mm is not given"):
        band_table(height)
    with pytest.raises(PatchError, match=r"edges_mm is \[2.0, 1.0\]; allowed are two wavelengths or more"):
        band_table(height, 0.02, True, [2.0, 1.0])
    with pytest.raises(PatchError, match="edges_mm is -1.0"):
        band_table(height, 0.02, True, [-1.0, 1.0])
