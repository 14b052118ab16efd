"""Areal parameters on surfaces of known answer.  Figures: pytest -s.

Formulas: ISO 25178-2 (the text from memory, cross-read in the open library surfalize, surface.py); the answers are
closed forms of them, so anyone can work them out anew.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import asdict

import numpy as np
import pytest
from fields import blurred_noise
from scipy.special import ellipe

from poredepth import PatchError
from poredepth.patch.texture import texture_parameters


def wave(amplitude_mm, length_px, waves=4, rows=8, phase=0.0):
    return np.tile(amplitude_mm * np.sin(2 * np.pi * np.arange(waves * length_px) / length_px + phase), (rows, 1))


def test_heights_of_a_sine():
    """Sa = 2A/pi = 0.636620 A, Sq = 0.707107 A, Ssk = 0, Sku = 1.5, Sz = 2A."""
    found = texture_parameters(wave(0.010, 4000, waves=1), 0.001, periodic=True)
    print(found)
    assert found.sa_um == pytest.approx(6.36620, abs=5e-6)
    assert found.sq_um == pytest.approx(7.07107, abs=5e-6)
    assert found.ssk == pytest.approx(0, abs=1e-12) and found.sku == pytest.approx(1.5, abs=1e-12)
    assert (found.sp_um, found.sv_um, found.sz_um) == pytest.approx((10, 10, 20), abs=1e-9)


@pytest.mark.parametrize(
    ("amplitude_mm", "length_mm", "sdr"),
    [(0.005, 0.5, 0.00098623), (0.020, 0.3, 0.0425182), (0.050, 0.5, 0.0923835), (0.100, 1.0, 0.0923835)],
)
@pytest.mark.parametrize("periodic", [True, False])
def test_slopes_of_a_sine(amplitude_mm, length_mm, sdr, periodic):
    """Sdr = (2/pi) sqrt(1 + m^2) E(m^2 / (1 + m^2)) - 1 with m = 2 pi A / L; Sdq = m / sqrt 2.  40 texels a wave."""
    m = 2 * np.pi * amplitude_mm / length_mm
    exact = 2 / np.pi * math.sqrt(1 + m * m) * ellipe(m * m / (1 + m * m)) - 1
    assert exact == pytest.approx(sdr, rel=1e-5)
    height = wave(amplitude_mm, 40, rows=20)
    if not periodic:  # the three texels at a border have no slope of their own: whole waves of those that have
        height = np.hstack([height[:, -3:], height, height[:, :3]])
    found = texture_parameters(height, length_mm / 40, periodic=periodic)
    print(f"A {1000 * amplitude_mm:g} um, L {length_mm} mm: Sdr {found.sdr:.7f} ({exact:.7f}), Sdq {found.sdq:.6f}")
    assert found.sdr == pytest.approx(exact, rel=3e-7) and found.sdq == pytest.approx(m / math.sqrt(2), rel=3e-7)


@pytest.mark.parametrize("length_px", [8, 10, 20, 50, 200])
def test_sal_of_a_sine(length_px):
    """acos(0.2) / (2 pi) L = 0.217953 L; it runs through, so Str is but bounded."""
    found = texture_parameters(wave(0.01, length_px, rows=40, phase=0.3), 0.01, periodic=True)
    print(f"{length_px} texels a wave: Sal {found.sal_mm / (0.01 * length_px):.6f} L")
    assert found.sal_mm == pytest.approx(0.217953 * 0.01 * length_px, rel=1e-4 if length_px < 20 else 1e-5)
    assert found.std_deg == pytest.approx(90, abs=1e-9)
    assert found.str_is_bound and found.str_ratio < found.sal_mm / (0.01 * 20) + 1e-12


def test_str_of_waves_is_small():
    """A picture of 25 waves: one direction, and Str says so."""
    found = texture_parameters(wave(0.01, 20, waves=25, rows=500), 0.01, periodic=True)
    assert found.str_ratio < 0.018 and found.str_is_bound


@pytest.mark.parametrize(
    ("name", "sa", "sq", "shortest", "longest"),
    [
        ("product", 0.405285, 0.5, math.acos(0.2), math.sqrt(2) * math.acos(math.sqrt(0.2))),
        ("sum", 0.810569, 1.0, math.sqrt(2) * math.acos(0.2), math.acos(-0.6)),
    ],
)
def test_two_sines(name, sa, sq, shortest, longest):
    """A sin x sin y: Sa 4A/pi^2 = 0.405285 A, Sq A/2; A (sin x + sin y): Sa 8A/pi^2 = 0.810569 A, Sq A; Sku 2.25.

    Autocorrelations are cos x cos y and (cos x + cos y) / 2: they fall to 0.2 first and last along axis or diagonal.
    """
    # starting at 1/2 - sqrt(1/12) of a step the sum over |sin| has no error of second order (Euler & Maclaurin)
    one = np.sin(2 * np.pi * (np.arange(1000) + 0.5 - math.sqrt(1 / 12)) / 1000)
    height = one[:, None] * one if name == "product" else one[:, None] + one
    found = texture_parameters(0.01 * height, 0.01, periodic=True)
    print(name, found)
    assert found.sa_um == pytest.approx(10 * sa, rel=2e-6)
    assert found.sq_um == pytest.approx(10 * sq, rel=1e-9) and found.sku == pytest.approx(2.25, abs=1e-9)
    assert found.sal_mm == pytest.approx(10 * shortest / (2 * np.pi), rel=1e-5)
    assert found.str_ratio == pytest.approx(shortest / longest, rel=1e-5) and math.isnan(found.std_deg)


@pytest.mark.parametrize("sigma_px", [2.0, 4.0, 12.0])
def test_blurred_white_noise(sigma_px):
    """Sq = 1 / (2 s sqrt pi), Sdq = Sq / s, Sal = 2 s sqrt(ln 5) = 2.53727 s, Str = 1; Sa / Sq = 0.797885."""
    found = texture_parameters(blurred_noise((512, 512), (sigma_px, sigma_px)), 1.0, periodic=True)
    print(sigma_px, found)
    sq_mm = 1 / (2 * sigma_px * math.sqrt(math.pi))
    # the mean is taken off, so of the waves the constant one is missing
    missing = 1 / 512**2 / sq_mm**2
    assert found.sq_um == pytest.approx(1000 * sq_mm * math.sqrt(1 - missing), rel=1e-4)
    assert found.sq_um == pytest.approx(1000 * sq_mm, rel=4e-3)
    assert found.sdq == pytest.approx(sq_mm / sigma_px, rel=2e-3 if sigma_px < 4 else 1e-4)
    assert found.sal_mm == pytest.approx(2 * sigma_px * math.sqrt(-math.log(0.2 + 0.8 * missing)), rel=2e-4)
    assert found.sal_mm == pytest.approx(2.53727 * sigma_px, rel=1e-2)
    assert found.str_ratio == pytest.approx(1, abs=2e-3) and not found.str_is_bound
    assert found.sa_um / found.sq_um == pytest.approx(0.797885, rel=0.02)
    # a sample: fewer independent heights, the wider the blur
    assert abs(found.ssk) < 0.016 * sigma_px and found.sku == pytest.approx(3, abs=0.04 * sigma_px)
    assert math.isnan(found.std_deg)


@pytest.mark.parametrize("periodic", [True, False])
@pytest.mark.parametrize("lay_deg", [0.0, 25.0, 90.0, 140.0])
def test_noise_blurred_unevenly(lay_deg, periodic):
    """Str = 3/6 and Sal = 2.53727 x 3; the lay is the long way of the blur.  A cut-out is a sample: 6 %."""
    height = blurred_noise((600, 600), (6.0, 3.0), 3, lay_deg)
    found = texture_parameters(height if periodic else height[:500, :420], 1.0, periodic=periodic)
    print(f"lay {lay_deg}: Sal {found.sal_mm:.4f} (7.6118), Str {found.str_ratio:.4f}, Std {found.std_deg:.2f}")
    off = 1e-3 if periodic else 0.06
    assert found.str_ratio == pytest.approx(0.5, rel=off) and found.sal_mm == pytest.approx(7.61181, rel=off)
    assert abs((found.std_deg - lay_deg + 90) % 180 - 90) < (0.05 if periodic else 2.0)


@pytest.mark.parametrize(("sdq", "sdr"), [(0.1, 0.0049754), (0.3, 0.0432009), (0.5, 0.1131693)])
def test_developed_area_of_gaussian_relief(sdq, sdr):
    """Slopes of an isotropic Gaussian surface: Sdr = E sqrt(1 + g^2) - 1, g^2 exponential of mean Sdq^2."""
    height = blurred_noise((1000, 1000), (3.0, 3.0), 5)
    height *= sdq / texture_parameters(height, 1.0, periodic=True).sdq
    found = texture_parameters(height, 1.0, periodic=True)
    print(f"Sdq {found.sdq:.6f}: Sdr {found.sdr:.7f}, expected {sdr}")
    assert found.sdr == pytest.approx(sdr, rel=2e-3)


def test_a_plane_of_45_degrees():
    """Sdq = 1, Sdr = sqrt 2 - 1 = 0.414214; heights are evenly distributed: Sku = 1.8."""
    found = texture_parameters(0.02 * np.indices((300, 1000))[1], 0.02)
    assert found.sdq == pytest.approx(1, abs=1e-12) and found.sdr == pytest.approx(0.414214, abs=5e-7)
    assert found.sku == pytest.approx(1.8, abs=1e-5) and found.ssk == pytest.approx(0, abs=1e-9)


def test_pits_and_bumps_are_told_by_the_skewness():
    y, x = np.indices((100, 100)) - 50
    pit = -np.maximum(1 - (x**2 + y**2) / 10**2, 0)
    assert texture_parameters(pit, 1.0).ssk < -3 and texture_parameters(-pit, 1.0).ssk > 3


# what may come


def test_an_offset_costs_no_digits_and_pieces_join():
    """Offset of 5 mm, float32 and double, more rows than are looked at together: the plain formulas."""
    height = 0.01 * blurred_noise((700, 90), (2.0, 2.0), 1)
    z = height - height.mean()
    found = texture_parameters(height + 5.0, 0.02)
    assert found.sa_um == pytest.approx(1000 * np.abs(z).mean(), rel=1e-9)
    assert found.ssk == pytest.approx((z**3).mean() / (z**2).mean() ** 1.5, rel=1e-9)
    k = np.array([-1, 9, -45, 0, 45, -9, 1]) / 60 / 0.02
    right = sum(w * height[3:-3, i : i + 84] for i, w in enumerate(k))
    down = sum(w * height[i : i + 694, 3:-3] for i, w in enumerate(k))
    assert found.sdq == pytest.approx(math.sqrt((right**2 + down**2).mean()), rel=1e-9)
    assert found.sdr == pytest.approx(np.sqrt(1 + right**2 + down**2).mean() - 1, rel=1e-9)
    single = texture_parameters((height + 5.0).astype(np.float32), 0.02)
    for name, value in asdict(found).items():
        assert getattr(single, name) == pytest.approx(value, rel=2e-3, nan_ok=True), name


def test_outside_counts_for_nothing():
    height = 0.01 * blurred_noise((300, 260), (3.0, 3.0), 2)
    inside = np.zeros((300, 260), np.float32)
    inside[20:280, 30:200] = 1.0
    cut = height[20:280, 30:200]
    holed = np.where(inside > 0, height, np.nan)
    for shown in (holed, np.where(inside > 0, height, 1e3)):
        found, want = texture_parameters(shown, 0.02, inside=inside), texture_parameters(cut, 0.02)
        for name in ("sa_um", "sq_um", "ssk", "sku", "sp_um", "sv_um", "sz_um", "sdq", "sdr", "sal_mm", "str_ratio"):
            assert getattr(found, name) == pytest.approx(getattr(want, name), rel=1e-9), name
    # a ragged inside: heights by the plain formula, the lobe much as without holes
    ragged = np.random.default_rng(0).random(height.shape) < 0.98
    found = texture_parameters(np.where(ragged, height, np.nan), 0.02, inside=ragged)
    assert found.sq_um == pytest.approx(1000 * height[ragged].std(), rel=1e-9)
    assert found.sal_mm == pytest.approx(texture_parameters(height, 0.02).sal_mm, rel=0.01)


@pytest.mark.parametrize("level", [0.0, 0.1, -3.7])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("periodic", [True, False])
def test_even_surfaces_have_no_shape(level, kind, periodic):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = texture_parameters(np.full((30, 50), level, kind), 0.02, periodic=periodic)
    assert (found.sa_um, found.sq_um, found.sz_um) == (0, 0, 0) and found.sdq == pytest.approx(0, abs=1e-12)
    assert all(math.isnan(x) for x in (found.ssk, found.sku, found.sal_mm, found.str_ratio, found.std_deg))


@pytest.mark.parametrize("shape", [(4, 4), (4, 600), (5, 7), (301, 17)])
@pytest.mark.parametrize("periodic", [True, False])
def test_small_and_oblong_pictures(shape, periodic):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = texture_parameters(np.random.default_rng(1).normal(size=shape), 0.02, periodic=periodic)
    assert 400 < found.sq_um < 1600 and found.sdq > 0 and found.sdr > 0
    assert 0 < found.sal_mm < 0.06 and 0 < found.str_ratio <= 1


def test_refusals_say_what_is_wrong():
    height = np.zeros((20, 20))
    with pytest.raises(PatchError, match="texel_mm is -1; allowed is a number above 0"):
        texture_parameters(height, -1)
    with pytest.raises(PatchError, match=r"shape \(3, 20\); allowed is .* at least 4 texels"):
        texture_parameters(height[:3], 0.02)
    with pytest.raises(PatchError, match=r"1 value\(s\) are NaN or infinite, the first at row 2, col 5"):
        texture_parameters(np.where(np.indices((20, 20))[0] * 20 + np.indices((20, 20))[1] == 45, np.nan, 0), 0.02)
    with pytest.raises(PatchError, match=r"inside has shape \(4, 4\)"):
        texture_parameters(height, 0.02, inside=np.ones((4, 4)))
    with pytest.raises(PatchError, match="inside is below 0.5 everywhere"):
        texture_parameters(height, 0.02, inside=np.zeros((20, 20)))
