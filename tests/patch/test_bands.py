"""Bands of patches: gains of the areal Gaussian filter, sums, borders. Figures: pytest -s."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from poredepth import load_patch
from poredepth.patch.bands import SIGMA_PER_CUTOFF, bounded_low_pass, periodic_low_pass

DEMO = Path(__file__).resolve().parents[2] / "demo_data" / "patches"

#: Share of a wave that is passed, by cutoff / length.  ISO 16610-21 and -61, Gaussian with half passed at the cutoff;
#: the standard's text from memory, the values computed from 2**-((cutoff / L)**2) and met with scipy's Gaussian.
PASSED = {0.5: 0.840896, 1.0: 0.5, 2.0: 0.0625}

TEXEL_MM = 0.02


def wave(shape, per_side, phase=0.4):
    """A wave with whole numbers of periods down the rows and along the columns, amplitude 1; its length, texels."""
    r, c = np.indices(shape) + 0.5
    down, right = per_side[0] / shape[0], per_side[1] / shape[1]
    return np.sin(2 * np.pi * (down * r + right * c) + phase), 1 / math.hypot(down, right)


def gain(out, wave_in):
    """Least squares: how much of a wave is in a picture."""
    return float((out * wave_in).sum() / (wave_in * wave_in).sum())


def demo_patches():
    lines = (DEMO / "README.md").read_text(encoding="utf-8").splitlines()
    for line in lines:
        if ".tif |" in line:
            name, _, _, _, texel_um, height_um, *_ = [cell.strip() for cell in line.strip("|").split("|")]
            yield load_patch(name, DEMO / name, texel_um=float(texel_um), height_um=float(height_um))


def ragged(shape, seed=1):
    """A mask with holes, bays and crumbs, true for about 6 in 10, with fine speckle in it."""
    rng = np.random.default_rng(seed)
    inside = ndimage.gaussian_filter(rng.normal(size=shape), 9.0) > -0.01
    return inside & (rng.random(shape) > 0.02)


def sigma_px(cutoff_mm, texel_mm=TEXEL_MM):
    return SIGMA_PER_CUTOFF * cutoff_mm / texel_mm


# gains


def test_sigma_is_that_of_the_standard():
    """0.187390625 cutoffs (to 9 digits): sqrt(ln 2 / 2) / pi, as in the open library surfalize, filter.py."""
    assert abs(SIGMA_PER_CUTOFF - 0.187390625) < 5e-10


@pytest.mark.parametrize("per_cutoff", PASSED)
@pytest.mark.parametrize("per_side", [(0, 6), (6, 0), (6, 6), (-5, 9)], ids=["u", "v", "diagonal", "oblique"])
@pytest.mark.parametrize("shape", [(240, 240), (150, 320), (151, 233)], ids=["square", "oblong", "odd"])
def test_periodic_gain(shape, per_side, per_cutoff):
    h, length_px = wave(shape, per_side)
    out = periodic_low_pass(0.01 * h, TEXEL_MM, per_cutoff * length_px * TEXEL_MM)
    assert gain(100 * out, h) == pytest.approx(PASSED[per_cutoff], abs=1e-6)
    assert out.dtype == np.float32 and np.abs(out - 0.01 * PASSED[per_cutoff] * h).max() < 1e-8


@pytest.mark.parametrize("per_cutoff", PASSED)
@pytest.mark.parametrize("per_side", [(0, 6), (6, 0), (5, 5), (-5, 7)], ids=["u", "v", "diagonal", "oblique"])
@pytest.mark.parametrize("shape", [(300, 300), (260, 400), (301, 283)], ids=["square", "oblong", "odd"])
def test_bounded_gain_beyond_reach_of_the_border(shape, per_side, per_cutoff):
    """As far from the border as the kernel reaches the gain is the periodic one; at the border it is stated."""
    h, length_px = wave(shape, per_side)
    cutoff_mm = per_cutoff * length_px * TEXEL_MM
    out = bounded_low_pass(h, TEXEL_MM, cutoff_mm)
    reach = math.ceil(5 * sigma_px(cutoff_mm))
    if 2 * reach + 40 < min(shape):
        inner = slice(reach, -reach), slice(reach, -reach)
        assert np.abs(out - PASSED[per_cutoff] * h)[inner].max() < 1e-5
    # half a cutoff inside, the border is hardly felt
    rim = math.ceil(0.5 * cutoff_mm / TEXEL_MM)
    inner = slice(rim, -rim), slice(rim, -rim)
    off = np.abs(out - PASSED[per_cutoff] * h)
    if 2 * rim + 40 < min(shape):
        assert off[inner].max() < 0.03
        assert gain(out[inner], h[inner]) == pytest.approx(PASSED[per_cutoff], abs=0.005)
    # the bound of a regression of leverage 3.5, that of a square corner
    assert np.abs(out).max() < math.sqrt(1 + 3.5)
