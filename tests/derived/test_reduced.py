"""The pyramid that a low pass reads: variances as they are stated, nothing from beside the skin."""

from __future__ import annotations

import numpy as np
import pytest
from maps_painted import painted_heights
from meshes import flat_surface

from poredepth.derived.reduced import first_level, reduced_pictures
from poredepth.placement.mapped import map_prints
from poredepth.raster.evaluate import add_prints

SIZE_PX = 512


@pytest.mark.parametrize("first", [0, 1, 2, 3])
def test_a_level_passes_what_a_gaussian_of_its_variance_does(first):
    """Closed form: exp(-2 pi^2 s^2 f^2), s half of 2^k texels."""
    surface, wave_px = flat_surface(40, 40, 4), 64
    heights = painted_heights(surface, lambda p: np.sin(2 * np.pi * p[:, 0] / (40 / SIZE_PX * wave_px)), SIZE_PX)
    cutoff_mm = 8.01 * 2**first * 40 / SIZE_PX
    assert first_level(heights, cutoff_mm) == first
    pictures = reduced_pictures(heights, cutoff_mm)
    points = heights.raster.skin_points(1001, heights.raster.whole())
    wave = heights.height_mm[1001].ravel()
    inside = np.zeros((SIZE_PX, SIZE_PX), bool)
    inside[64:-64, 64:-64] = True
    inside = inside.ravel()
    for k in range(max(first, 1), 6):
        footprint = np.full((surface.n_triangles, 3), 2.0**k / SIZE_PX * (1 + 1e-6), np.float32)
        got = np.zeros(len(points), np.float32)
        prints = map_prints(surface, (1001,))
        add_prints(points, np.ones_like(got), 1.0, footprint, prints, pictures, got)
        gain = (got * wave)[inside].sum() / (wave * wave)[inside].sum()
        want = np.exp(-2 * np.pi**2 * 0.25 * 4.0**k / wave_px**2)
        print(f"first level {first}, level {k}: gain {gain:.4f}, Gaussian {want:.4f}")
        # waves of 4 texels of a level: a binomial differs from a Gaussian, and a spline takes its part
        assert gain == pytest.approx(want, abs=0.002 if 2**k <= wave_px / 8 else 0.015)


def test_levels_that_are_not_kept_show_the_first_that_is():
    heights = painted_heights(flat_surface(40, 40, 4), lambda p: p[:, 0], 500)
    pictures = reduced_pictures(heights, 8.01 * 4 * 40 / 500)
    assert pictures.levels[:3, 0].tolist() == [0, 0, 0]
    assert pictures.levels[:4, 10].tolist() == [0.0, 1.0, 4.0, 16.0]
    # 500 texels in steps of 4: none of the map itself is held
    assert pictures.coefficients.size < 500**2 / 4
    assert pictures.levels[0, 7] == 1 / 500
