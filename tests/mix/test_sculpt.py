"""The job: a sculpt keeps its wrinkles, its scan noise goes, pores come in."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from poredepth.patch.bands import SIGMA_PER_CUTOFF
from tests.mix.test_rules import SIDE_MM, SIZE_PX, bands_of, height_mm, map_layer, plate
from tests.recipes import pore_patch, scatter_layer

TEXEL_MM = SIDE_MM / SIZE_PX
DEPTH_MM, WIDTH_MM = 1.2, 4.0
NOISE_MM = 0.1
INNER = slice(64, -64)  # of the plate, away from its open border


def _wrinkle() -> np.ndarray:
    """A furrow 1.2 mm deep, 4 mm wide at half its depth, float32 (SIZE_PX, SIZE_PX), mm."""
    x_mm = (np.arange(SIZE_PX) + 0.5) * TEXEL_MM - SIDE_MM / 2
    row = -DEPTH_MM * np.exp(-np.log(2) * (2 * x_mm / WIDTH_MM) ** 2)
    return np.tile(row, (SIZE_PX, 1)).astype(np.float32)


def _depth_and_width_mm(height: np.ndarray) -> tuple[float, float]:
    """Depth, and width at half of it, of the mean profile across the furrow."""
    row = height[INNER].astype(float).mean(axis=0)
    row -= row[INNER][[0, -1]].mean()
    low = int(np.argmin(row))
    half = 0.5 * row[low]
    left = np.interp(-half, -row[low - 80 : low + 1], np.arange(low - 80, low + 1))
    right = np.interp(half, row[low : low + 81], np.arange(low, low + 81))
    return -row[low], (right - left) * TEXEL_MM


@pytest.fixture(scope="module")
def composed():
    """The sculpt with noise, cleaned; pores on it; each by itself."""
    noise = np.random.default_rng(5).normal(0, NOISE_MM, (SIZE_PX, SIZE_PX)).astype(np.float32)
    sculpt = map_layer("sculpt", gain={"fine": 0})
    pores = scatter_layer("pores", 10.0)
    maps = {"sculpt": {1001: _wrinkle() + noise}}
    patches = {"pores": pore_patch()}
    return {
        "noise": noise,
        "cleaned": plate([sculpt], {}, maps),
        "raw": plate([map_layer("sculpt")], {}, maps),
        "pores": plate([pores], patches),
        "both": plate([sculpt, pores], patches, maps),
    }


def test_the_wrinkle_is_kept(composed):
    depth_mm, width_mm = _depth_and_width_mm(_wrinkle())
    assert depth_mm == pytest.approx(DEPTH_MM, rel=1e-3) and width_mm == pytest.approx(WIDTH_MM, rel=1e-3)
    pores_mm = height_mm(composed["pores"])[INNER].astype(float).mean(axis=0)
    found_mm = height_mm(composed["both"]) - pores_mm.astype(np.float32)
    found = _depth_and_width_mm(found_mm)
    print(f"depth {100 * (found[0] / depth_mm - 1):+.2f} %, width {100 * (found[1] / width_mm - 1):+.2f} %")
    assert found == pytest.approx((depth_mm, width_mm), rel=0.01)


def test_the_noise_is_gone_from_the_fine_band(composed):
    """Exactly from the band as it is laid; from the finished map, wavelengths below a third of the cutoff are down by
    40 dB (spectrum by numpy's FFT of the inner part, with a Hann window)."""
    laid = bands_of(composed["cleaned"])["fine"], bands_of(composed["raw"])["fine"]
    assert np.sqrt((laid[1][INNER, INNER].astype(float) ** 2).mean()) == pytest.approx(NOISE_MM, rel=0.03)
    assert (laid[0] == 0).all()
    cleaned, raw = (_fine_spectrum(height_mm(composed[name])[INNER, INNER]) for name in ("cleaned", "raw"))
    db = 10 * np.log10(cleaned.sum() / raw.sum())
    again = [x - gaussian_filter(x, SIGMA_PER_CUTOFF * 0.8 / TEXEL_MM) for x in _inner(composed, "cleaned", "raw")]
    left = 20 * np.log10(again[0][INNER, INNER].std() / again[1][INNER, INNER].std())
    print(f"below 0.27 mm {db:.0f} dB; fine band split off the finished map again {left:.1f} dB")
    assert db < -40
    assert left < -24  # what a Gaussian leaves beside its cutoff: G (1 - G)


def _inner(composed, *names):
    return [height_mm(composed[name])[INNER, INNER].astype(float) for name in names]


def _fine_spectrum(height: np.ndarray) -> np.ndarray:
    """Power at wavelengths below a third of 0.8 mm."""
    window = np.outer(np.hanning(height.shape[0]), np.hanning(height.shape[1]))
    power = np.abs(np.fft.fft2((height - height.mean()) * window)) ** 2
    f = np.hypot(*np.meshgrid(*(np.fft.fftfreq(n, TEXEL_MM) for n in height.shape), indexing="ij"))
    return power[f > 3 / 0.8]


def test_the_pores_are_whole(composed):
    """Their fine band in the mix is theirs alone, and their middle and coarse ones lie on the sculpt's."""
    both, pores, cleaned = (bands_of(composed[name]) for name in ("both", "pores", "cleaned"))
    assert np.abs(both["fine"] - pores["fine"]).max() < 1e-8
    assert pores["fine"].std() > 0.005
    for band in ("coarse", "middle"):
        # the skin is split more finely under pores, so that the sculpt's low pass is summed in another order
        assert np.abs(both[band] - pores[band] - cleaned[band]).max() < 1e-5
