"""What all synthesised patches promise, and what each is for.

Ranges of depth and density are plausible-range advice (see each module); the checks are of what was asked for.
"""

import numpy as np
import pytest
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.synthesise import PoreRelief, grain, lines, pores, wrinkles

#: maker, size_mm, texel_mm
MAKERS = {
    "pores": (pores, 10, 0.02),
    "lines": (lines, 10, 0.02),
    "wrinkles": (wrinkles, 24, 0.04),
    "grain": (grain, 10, 0.02),
}


@pytest.fixture(scope="module")
def made():
    return {name: (make(size, texel, 3), texel) for name, (make, size, texel) in MAKERS.items()}


def lay_deg(height, texel_mm):
    """Direction of least slope, degrees anticlockwise from +u, from the mean structure tensor (rows run downwards)."""
    gy, gx = np.gradient(np.pad(height.astype(np.float64), 1, mode="wrap"), texel_mm)
    gy, gx = -gy[1:-1, 1:-1], gx[1:-1, 1:-1]
    return np.degrees(0.5 * np.arctan2(2 * (gx * gy).mean(), (gx**2 - gy**2).mean())) + 90.0


def count_pits(height, texel_mm, deeper_than_mm):
    """Local minima of the slightly smoothed relief below a depth, counted over the borders."""
    smooth = ndimage.gaussian_filter(height.astype(np.float64), 0.05 / texel_mm, mode="wrap")
    lowest = ndimage.minimum_filter(smooth, round(0.24 / texel_mm) | 1, mode="wrap")
    return np.count_nonzero((smooth == lowest) & (smooth < -deeper_than_mm))


@pytest.mark.parametrize("name", MAKERS)
def test_type_size_and_mean(made, name):
    height, texel = made[name]
    assert height.dtype == np.float32
    assert height.flags.c_contiguous
    assert height.shape == (round(MAKERS[name][1] / texel),) * 2
    assert np.isfinite(height).all()
    assert abs(height.mean(dtype=np.float64)) < 0.01 * height.std()


@pytest.mark.parametrize("name", MAKERS)
@pytest.mark.parametrize("axis", [0, 1])
def test_the_border_is_a_step_like_any_other(made, name, axis):
    height = made[name][0].astype(np.float64)
    if axis == 0:
        height = height.T
    inside = np.diff(height, axis=1)
    border = height[:, 0] - height[:, -1]
    assert np.abs(border).max() <= np.abs(inside).max()
    rms = np.sqrt((inside**2).mean(axis=0))
    assert rms.min() * 0.9 <= np.sqrt((border**2).mean()) <= rms.max() * 1.1
    # and no kink: the second difference across the border is within the inside's too
    kink = height[:, 1] - 2 * height[:, 0] + height[:, -1]
    assert np.abs(kink).max() <= np.abs(np.diff(height, n=2, axis=1)).max()


@pytest.mark.parametrize("name", MAKERS)
def test_same_seed_same_bits_other_seed_other_relief(made, name):
    make, size, texel = MAKERS[name]
    height = made[name][0]
    assert make(size, texel, 3).tobytes() == height.tobytes()
    other = make(size, texel, 4)
    assert abs(np.corrcoef(height.ravel(), other.ravel())[0, 1]) < 0.15
    assert other.std() == pytest.approx(height.std(), rel=0.15)


@pytest.mark.parametrize("seed", [1, 2])
def test_pore_density_is_the_asked_one(seed):
    height = pores(20, 0.02, seed)
    assert count_pits(height, 0.02, 0.029) == pytest.approx(60 * 4, rel=0.1)


def test_denser_pores_are_counted_too():
    relief = PoreRelief(furrow_mm=(0.004, 0.008), density_per_cm2=110, pore_depth_mm=(0.06, 0.1))
    assert count_pits(pores(12, 0.02, 5, relief), 0.02, 0.025) == pytest.approx(110 * 1.44, rel=0.05)


def test_pores_are_as_deep_and_wide_as_asked():
    relief = PoreRelief(
        furrow_mm=(1e-6, 2e-6), density_per_cm2=20, pore_mm=(0.3, 0.3), pore_depth_mm=(0.06, 0.06), rim_mm=0, grain_mm=0
    )
    height = pores(10, 0.02, 6, relief)
    ground = np.median(height)
    assert ground - height.min() == pytest.approx(0.06, abs=0.011)  # the uneven ground has Sq 2.2 um
    share = np.count_nonzero(height < ground - 0.03) * 0.02**2 / 100
    # 20 round pits per cm2 of 0.3 mm at half depth cover 20 * pi * 0.15^2 / 100 of the skin (closed form)
    assert share == pytest.approx(20 * np.pi * 0.15**2 / 100, rel=0.12)


def test_pore_skin_has_pits_and_furrows_not_bumps(made):
    height = made["pores"][0].astype(np.float64)
    sq = height.std()
    assert (height**3).mean() / sq**3 < -1.0  # Ssk < 0: valleys (ISO 25178-2)
    assert (height**4).mean() / sq**4 > 4.0
    assert 0.008 < sq < 0.020


def test_lines_and_wrinkles_run_along_u(made):
    for name in ("lines", "wrinkles"):
        assert lay_deg(*made[name]) % 180 == pytest.approx(180 if lay_deg(*made[name]) % 180 > 90 else 0, abs=6)


def test_lines_have_the_asked_depth(made):
    height = made["lines"][0]
    top = np.percentile(height, 90)
    lowest = top - np.percentile(height, 2)
    assert 0.014 < lowest < 0.045  # main lines of 14 to 35 um, a little deeper where they cross


def test_wrinkles_are_deep_and_apart(made):
    height, texel = made["wrinkles"]
    assert 0.08 < np.median(height) - height.min() < 0.19
    column_counts = []
    for col in range(0, height.shape[1], 10):
        below = height[:, col] < np.median(height) - 0.03
        column_counts.append(np.count_nonzero(below & ~np.roll(below, 1)))
    assert 2.0 <= 24 / np.mean(column_counts) <= 6.0  # mm between creases met on a way across


def test_grain_is_isotropic_noise_of_its_band():
    height = grain(10, 0.02, 7).astype(np.float64)
    assert height.std() == pytest.approx(0.003, rel=1e-5)
    assert (height**4).mean() / height.std() ** 4 == pytest.approx(3.0, abs=0.15)  # Gaussian field: Sku 3 (ISO 25178-2)
    power = np.abs(np.fft.fft2(height)) ** 2
    frequency = np.fft.fftfreq(500, 0.02)
    radius = np.hypot(frequency[:, None], frequency[None, :])
    inside = (radius > 1 / 0.28) & (radius < 1 / 0.071)
    assert power[inside].sum() / power.sum() > 0.99
    gy, gx = np.gradient(height)
    assert gx.std() == pytest.approx(gy.std(), rel=0.03)


def test_a_size_that_is_no_whole_number_of_texels_is_refused():
    for make in (pores, lines, wrinkles, grain):
        with pytest.raises(PatchError, match="synthesis: size_mm 1.01 is .* texels of 0.02 mm; allowed is a whole"):
            make(1.01, 0.02, 0)
