"""Pits of known number, width and depth, with what may hide or mimic them (tests/pitted.py).  Figures: pytest -s."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
import pytest
from fields import blurred_noise
from pitted import pitted
from scipy.spatial import cKDTree

from poredepth import PatchError, read_patch
from poredepth.patch.texture import pit_statistics
from poredepth.patch.texture.pit_form import half_ratio

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "patches"

FURROWS = {"furrow_mm": (0.010, 0.030), "junctions": 100, "grain_mm": 0.001}
CASES = {
    "bare": {},
    "grain": {"grain_mm": 0.001},
    "rims": {"grain_mm": 0.001, "rim_mm": 0.006},
    "longish 2 to 1": {"grain_mm": 0.001, "longer": 2.0},
    "furrows": FURROWS,
    "furrows, rims, longish": FURROWS | {"junctions": 250, "rim_mm": 0.006, "longer": 1.5},
    "many sizes": FURROWS | {"density_per_cm2": 60.0, "diameter_mm": (0.2, 0.4), "depth_mm": (0.04, 0.09)},
    "fine and dense": {"size_mm": 6.0, "texel_mm": 0.01, "density_per_cm2": 300.0, "grain_mm": 0.001}
    | {"diameter_mm": (0.15, 0.2), "depth_mm": (0.03, 0.05)},
}


def measured(skin, **settings):
    return pit_statistics(skin.height_mm, skin.texel_mm, **settings)


def ratios(found, skin, wide="median_diameter_um"):
    return (
        found.count / len(skin.depth_mm),
        getattr(found, wide) / (1000 * np.median(skin.diameter_mm)),
        found.median_depth_um / (1000 * np.median(skin.depth_mm)),
    )


def test_what_is_asked_has_this_coverage_and_mean():
    """100 pits a cm2, 0.25 mm wide, 50 um deep: coverage n pi a^2 = 4.91 %, mean -coverage d / 2 = -1.227 um."""
    skin = pitted(0, texel_mm=0.01, size_mm=10.0)
    assert skin.height_mm.mean() == pytest.approx(-0.001227, rel=2e-3)
    found = measured(skin)
    assert found.coverage_ratio == pytest.approx(0.0491, rel=0.05)
    assert found.density_per_cm2 == pytest.approx(100)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("seed", [0, 1])
def test_number_width_and_depth_are_within_five_percent(name, seed):
    skin = pitted(seed, **CASES[name])
    found = measured(skin)
    print(f"{name}, seed {seed}: number, width, depth found / laid {np.round(ratios(found, skin), 3)}")
    assert ratios(found, skin) == pytest.approx((1, 1, 1), abs=0.05)
    off, _ = cKDTree(skin.middle_mm, boxsize=len(skin.height_mm) * skin.texel_mm).query(found.center_mm)
    assert np.quantile(off, 0.95) < 0.035 and len(off) == found.count == len(found.depth_um) == len(found.opening_um)


def test_over_ten_seeds():
    """Pores with rims, joined by furrows 10 to 30 um deep, as many junctions without a pore, grain of 1 um."""
    settings = FURROWS | {"rim_mm": 0.005, "longer": 1.3, "size_mm": 7.0, "diameter_mm": (0.2, 0.3)}
    every = np.array([ratios(measured(skin), skin) for skin in (pitted(seed, **settings) for seed in range(10))])
    print("number, width, depth found / laid, ten seeds:\n", every.round(3))
    assert np.abs(every - 1).max() < 0.06 and np.abs(every.mean(axis=0) - 1).max() < 0.04


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_furrows_alone_hold_no_pores(seed):
    """200 places where three and more furrows of 10 to 30 um meet."""
    skin = pitted(seed, density_per_cm2=0.0, **FURROWS | {"junctions": 200})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = measured(skin)
    assert found.count <= 1  # of 200
    even = pit_statistics(np.zeros((60, 60)), 0.02)
    assert even.count == 0 and even.density_per_cm2 == even.coverage_ratio == 0
    assert math.isnan(even.median_depth_um) and math.isnan(even.median_diameter_um) and even.center_mm.shape == (0, 2)


def test_grain_alone_holds_no_pores():
    for sigma_px in (0.7, 2.0, 5.0):
        height = blurred_noise((400, 400), (sigma_px, sigma_px), 1)
        assert pit_statistics(0.003 * height / height.std(), 0.02).count == 0


def test_gaussian_pits_by_their_width_at_half_depth():
    skin = pitted(3, gaussian=True, diameter_mm=(0.15, 0.15), grain_mm=0.001)
    found = measured(skin)
    assert ratios(found, skin, "median_diameter_half_um") == pytest.approx((1, 1, 1), abs=0.02)
    paraboloid = pitted(3, grain_mm=0.001)
    half = measured(paraboloid).median_diameter_half_um
    assert half == pytest.approx(250 / math.sqrt(2), rel=0.02)


@pytest.mark.parametrize(
    ("exponent", "power", "want"), [(2, 1, 0.70711), (2, 2, 0.54120), (4, 1, 0.84090), (2, 1.5, 0.60831)]
)
def test_opening_from_the_form_of_the_profile(exponent, power, want):
    """Of depth x (1 - r^e)^p, half is left at r = (1 - 2^(-1/p))^(1/e)."""
    half = (1 - 0.5 ** (1 / power)) ** (1 / exponent)
    assert half == pytest.approx(want, abs=1e-5)
    inner = (1 - (half / 2) ** exponent) ** power
    steep = (1 - 0.75 ** (1 / power)) ** (1 / exponent) / half
    assert half_ratio(np.full(3, inner), np.full(3, steep)) == pytest.approx(half, abs=2e-3)


def test_thresholds_and_borders():
    skin = pitted(4, diameter_mm=(0.2, 0.4), depth_mm=(0.03, 0.09), grain_mm=0.001)
    deep = measured(skin, least_depth_um=60)
    assert deep.count == pytest.approx((skin.depth_mm > 0.06).sum(), abs=3) and deep.depth_um.min() >= 60
    wide = measured(skin, least_diameter_um=210)
    assert wide.count == pytest.approx((skin.diameter_mm > 0.21 * math.sqrt(2)).sum(), abs=5)
    piece = measured(skin, periodic=False)  # those at the border are left out, and so is the border
    print(f"a piece: {piece.count} pits, {piece.density_per_cm2:.1f} per cm2 (100)")
    assert 75 < piece.count < 100 and piece.density_per_cm2 == pytest.approx(100, rel=0.08)
    assert piece.median_depth_um == pytest.approx(1000 * np.median(skin.depth_mm), rel=0.05)


def test_nothing_depends_on_where_the_tile_is_cut_nor_on_its_level():
    skin = pitted(5, **FURROWS)
    found = measured(skin)
    rolled = pit_statistics(np.roll(skin.height_mm, (140, -77), (0, 1)) + 2.0, skin.texel_mm)
    assert rolled.count == found.count
    assert np.sort(rolled.depth_um) == pytest.approx(np.sort(found.depth_um), rel=0.02)
    assert rolled.median_diameter_um == pytest.approx(found.median_diameter_um, rel=5e-3)


def test_fine_and_coarse_texels_agree():
    """5 to 50 texels across a pore; of fine pictures several texels are put together to find the pits."""
    for texel_mm, within in ((0.005, 0.03), (0.01, 0.03), (0.03, 0.05), (0.05, 0.07)):
        skin = pitted(6, texel_mm=texel_mm, size_mm=6.0, grain_mm=0.001)
        found = ratios(measured(skin), skin)
        print(f"texel {1000 * texel_mm:g} um: {np.round(found, 3)}")
        assert found == pytest.approx((1, 1, 1), abs=within)


@pytest.mark.parametrize("texel_mm", [1e-6, 1e-3, 1.0, 2.0, 50.0])
def test_texels_of_any_size_are_looked_at(texel_mm):
    """Wider than the blocks that the level of the skin is guessed in, or so fine that no pore fits into the picture."""
    relief = np.random.default_rng(0).normal(0, 0.001, (60, 60))
    assert pit_statistics(relief, texel_mm).count == 0


def test_refusals_name_the_key():
    for key in ("texel_mm", "least_depth_um", "least_diameter_um"):
        settings = {"texel_mm": 0.02} | {key: -1.0}
        with pytest.raises(PatchError, match=f"pits: {key} is -1.0; allowed is a number above 0"):
            pit_statistics(np.zeros((20, 20)), **settings)
    with pytest.raises(PatchError, match="pits: height_mm has shape"):
        pit_statistics(np.zeros((2, 20)), 0.02)


@pytest.mark.parametrize(
    ("name", "density_per_cm2"),
    [("cheek_pores", 60), ("nose_pores", 120), ("chin_pores", 80), ("wrinkles", 0), ("grain", 0)],
)
def test_pores_of_the_demo_patches(name, density_per_cm2):
    """As many as demo_data/patches/README.md says were laid, and none among creases and grain."""
    patch = read_patch(DEMO / f"{name}.tif")
    found = pit_statistics(patch.height_mm, patch.texel_mm)
    print(name, f"{found.density_per_cm2:.1f} per cm2, {found.median_diameter_um:.0f} x {found.median_depth_um:.0f} um")
    assert found.density_per_cm2 == pytest.approx(density_per_cm2, rel=0.06, abs=0.2)
