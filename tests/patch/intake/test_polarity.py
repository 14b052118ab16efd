"""Relief that is inside out."""

from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import ndimage
from shared_data import FOLDER

from poredepth.patch.intake import check_polarity
from poredepth.patch.intake.polarity import MOST_SSK, block_skewness
from poredepth.patch.synthesise import grain

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "patches"


def test_skin_is_right_and_its_inverse_is_told(skin):
    demo = {path.stem: tifffile.imread(path) / np.float32(65535) for path in DEMO.glob("*_*.tif")}
    assert len(demo) == 4
    for name, height in (skin | demo).items():
        assert check_polarity(height) is None, name
        told = check_polarity(-height)
        assert told is not None and "turn the relief with invert" in told, name


def test_form_dust_and_gaps_do_not_hide_it(skin):
    """A sphere's cap 40 times as high as the relief, sparse spikes outwards, holes and an inside."""
    rng = np.random.default_rng(2)
    height = skin["pores"].astype(np.float64)
    y, x = np.mgrid[-1 : 1 : height.shape[0] * 1j, -1 : 1 : height.shape[1] * 1j]
    form = 40 * np.ptp(height) * (1 - 0.5 * (x * x + y * y) + 0.3 * x)
    dust = np.where(rng.random(height.shape) < 3e-4, 5 * np.ptp(height), 0.0)
    holes = rng.random(height.shape) < 0.1
    worn = np.where(holes, np.nan, height + form + dust)
    assert check_polarity(worn) is None
    assert check_polarity(np.where(holes, np.nan, -height + form + dust)) is not None
    inside = (x < 0.5).astype(np.float32)
    garbage = np.where(inside > 0, -height, 1e3 * rng.random(height.shape) ** 9)
    assert check_polarity(garbage, inside) is not None
    assert check_polarity(np.where(inside > 0, height, garbage), inside) is None


def test_noise_of_any_wavelength_is_not_told():
    """Gaussian noise has no skewness; what a small picture has by chance is not told."""
    rng = np.random.default_rng(0)
    for size in (100, 250):
        for sigma_px in (0, 1, 4, 16, 40):
            for _ in range(3):
                noise = rng.standard_normal((size, size))
                noise = ndimage.gaussian_filter(noise, sigma_px, mode="wrap") if sigma_px else noise
                assert check_polarity(noise) is None and check_polarity(-noise) is None, (size, sigma_px)
    assert check_polarity(grain(8.0, 0.02, 1)) is None and check_polarity(-grain(8.0, 0.02, 1)) is None


def test_measured_surfaces_that_are_no_skin_are_not_told():
    """A groove and a turned metal surface, where they are there."""
    for name in ("groove_616", "conf_768"):
        path = FOLDER / f"{name}.npy"
        if path.is_file():
            assert check_polarity(np.load(path)) is None, name


def test_small_flat_and_empty_pictures_say_nothing(skin):
    assert check_polarity(-skin["pores"][:80, :80]) is None
    assert check_polarity(np.zeros((300, 300))) is None
    assert check_polarity(np.full((300, 300), 0.3, np.float32)) is None
    assert check_polarity(np.full((300, 300), np.nan)) is None
    assert check_polarity(-skin["pores"], np.zeros(skin["pores"].shape)) is None


def test_the_skewness_is_that_of_the_standard():
    """Ssk = mean z^3 / Sq^3 (ISO 25178-2), of pits of depth 1 in p = 5 % of a plain: -(1 - 2 p) / sqrt(p (1 - p)) =
    -4.13; of triangular heights, 2 sqrt(2) / 5 = 0.566 (closed forms).  Exponential heights have 2, less when their
    outliers are drawn in."""
    rng = np.random.default_rng(3)
    pits = -(rng.random((600, 600)) < 0.05).astype(float)
    assert block_skewness(pits).mean() == pytest.approx(-4.13, rel=0.05)
    assert block_skewness(rng.triangular(0, 0, 1, (600, 600))).mean() == pytest.approx(0.566, rel=0.05)
    assert 1.4 < block_skewness(rng.exponential(size=(600, 600))).mean() < 2.0
    assert MOST_SSK < 0.5
