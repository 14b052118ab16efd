"""LEAN moments: what averaging keeps, and the roughness that stands for it."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_surface, sphere_surface, two_charts_mesh
from relief_maps import map_of
from scipy.ndimage import gaussian_filter

from poredepth.derived.heights import MapHeights
from poredepth.derived.moments import added_roughness, covariance, moments, reduced_moments
from poredepth.derived.normals import tangent_normals
from poredepth.derived.slopes import slopes
from poredepth.errors import RecipeError
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window
from poredepth.surface.skin import surface_from_mesh


def _rough(size_px=256, sigma_px=1.5, anisotropy=1.0) -> MapHeights:
    """Gaussian noise on a flat square of 20 mm that fills its tile."""
    noise = np.random.default_rng(5).normal(size=(size_px, size_px))
    z = gaussian_filter(noise, (sigma_px * anisotropy, sigma_px), mode="wrap")
    raster = TileRaster(flat_surface(20, 20, 4), size_px, 0)
    return MapHeights(raster, {1001: (0.02 * z / z.std()).astype(np.float32)})


@pytest.mark.parametrize("factor", [1, 2, 8, 64])
def test_spread_and_mean_give_the_mean_square_slope_at_every_level(factor):
    """mean tr(Cov) + mean |B|^2 = Sdq^2 (ISO 25178-2) whatever is averaged (Olano & Baker 2010)."""
    heights = _rough()
    found = slopes(heights, 1001, heights.raster.whole())
    sdq2 = np.mean(found.along_t.astype(float) ** 2 + found.along_b.astype(float) ** 2)
    assert np.sqrt(sdq2) > 0.05
    mean = reduced_moments(heights, 1001, 256 // factor)
    spread = covariance(mean[..., :2], mean[..., 2:])[..., :2].sum(-1)
    total = spread.mean() + (mean[..., :2] ** 2).sum(-1).mean()
    assert total == pytest.approx(sdq2, rel=1e-6)
    if factor == 1:
        assert spread.max() < 1e-12
    if factor == 64:
        assert spread.mean() > 0.95 * sdq2


def test_moments_are_of_the_slopes_of_the_normal():
    heights = _rough(64)
    found = moments(heights, 1001, heights.raster.whole())
    n = tangent_normals(heights, 1001, heights.raster.whole()).astype(float)
    assert found[..., :2] == pytest.approx(n[..., :2] / n[..., 2:], abs=1e-5)
    b = found[..., :2].astype(float)
    assert found[..., 2:] == pytest.approx(
        np.stack([b[..., 0] ** 2, b[..., 1] ** 2, b[..., 0] * b[..., 1]], 2), abs=1e-7
    )


def test_covariance_equals_numpys():
    b = np.random.default_rng(1).normal(size=(500, 2)) @ [[0.3, 0.1], [0.0, 0.2]] + [0.05, -0.2]
    m = np.stack([b[:, 0] ** 2, b[:, 1] ** 2, b[:, 0] * b[:, 1]], 1)
    want = np.cov(b.T, bias=True)
    found = covariance(b.mean(0), m.mean(0))
    assert found == pytest.approx([want[0, 0], want[1, 1], want[0, 1]], abs=1e-12)
    # what rounding leaves below 0 is 0
    assert covariance(np.array([0.5, 0.5]), np.array([0.25 - 1e-9, 0.25 + 1e-9, 0.3])).tolist()[0] == 0.0


def test_roughness_of_noise_is_the_alpha_of_its_slopes():
    """Beckmann: alpha^2 = 2 sigma^2 for slopes of standard deviation sigma along either axis (Walter, Marschner, Li &
    Torrance 2007, section 5.2, from memory; Heitz 2014, JCGT 3(2), from memory).  Even noise: sigma_x = sigma_y."""
    heights = _rough()
    found = slopes(heights, 1001, heights.raster.whole())
    sigma = np.std(found.along_t.astype(float)), np.std(found.along_b.astype(float))
    assert sigma[0] == pytest.approx(sigma[1], rel=0.05)
    added = added_roughness(heights, 1001, 4)
    assert added.shape == (4, 4) and added.dtype == np.float32
    assert added.mean() == pytest.approx(2 * sigma[0] * sigma[1], rel=0.05)


def test_a_tilted_plane_adds_none_and_waves_add_half_their_square():
    square = flat_surface(20, 20, 4)
    plane = map_of(square, lambda p: 0.4 * p[:, 0] - 0.2 * p[:, 1], 128, 0)
    assert added_roughness(plane, 1001, 16).max() < 1e-6
    # slope A k cos: mean of its square over whole waves is (A k)^2 / 2; 20 waves of 1 mm, 5 in a low texel; a central
    # difference over texels d takes it down by (sin(k d) / (k d))^2
    a, k = 0.01, 2 * np.pi
    wave = map_of(square, lambda p: a * np.sin(k * p[:, 0]), 800, 0)
    assert added_roughness(wave, 1001, 4)[1:3, 1:3] == pytest.approx((a * np.sin(k / 40) * 40) ** 2 / 2, rel=1e-3)


def test_only_skin_counts():
    """A low texel at the rim of a chart is not thinned by what lies beside it; one without skin adds none."""
    heights = map_of(flat_surface(20, 20, 4, 0.6), lambda p: 0.01 * np.sin(2 * np.pi * p[:, 0]), 800, 0)
    added = added_roughness(heights, 1001, 10)
    has_skin = np.zeros((10, 10), bool)
    has_skin[4:, :6] = True
    assert (added[has_skin] > 0).all() and not added[~has_skin].any()


def test_roughness_does_not_know_how_charts_lie():
    """Turned, mirrored and stretched charts: the trace of a covariance has no axes."""
    surface = surface_from_mesh(two_charts_mesh(), "mm")
    heights = map_of(surface, lambda p: 0.01 * np.sin(4 * p[:, 0]) * np.sin(4 * p[:, 1]), 1024, 0)
    added = added_roughness(heights, 1001, 16)
    left, right = added[2:14, 1:7], added[12:15, 9:15]
    # central differences over texels of 0.043 and 0.098 mm take 1 and 5 % of a wave of 1.57 mm
    assert right.mean() == pytest.approx(0.96 * left.mean(), rel=0.03)


def test_windows_and_sizes():
    heights = map_of(sphere_surface(30, 6), lambda p: 0.05 * np.sin(p[:, 0] * 2), 180, 3)
    whole = added_roughness(heights, 1001, 20)
    for window in (Window(0, 0, 7, 20), Window(7, 3, 13, 11)):
        assert np.array_equal(added_roughness(heights, 1001, 20, window), whole[window.slices])
    for wrong in (7, 0, 360):
        with pytest.raises(RecipeError, match=r"found \d+; allowed: a whole number that divides 180, such as 90"):
            added_roughness(heights, 1001, wrong)
