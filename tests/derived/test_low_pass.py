"""A composed map low-passed along the skin.

Transmission of the Gaussian filter: ISO 16610-61 (areal Gaussian filter), 2^-((cutoff / wavelength)^2).
"""

from __future__ import annotations

import numpy as np
import pytest
from maps_painted import has_skin, painted_heights, texel_values
from meshes import flat_surface
from meshes_density import mirrored_density_square, stretched_square
from meshes_seams import mirrored_square, square_in_two_tiles, tube

from poredepth.derived.heights import MapHeights
from poredepth.derived.low_pass import low_passed
from poredepth.errors import PatchError
from poredepth.raster.reading import bilinear
from poredepth.raster.window import Window
from poredepth.surface.seams import seam_edges
from poredepth.surface.skin import surface_from_mesh

#: Transmission by wavelength in cutoffs.
GAIN = {1.0: 0.5, 2.0: 0.5**0.25, 4.0: 0.5**0.0625}

SQUARES = {
    "mirrored seam": mirrored_square,
    "mirrored seam, 4 x denser": mirrored_density_square,
    "u and v 2 : 1": lambda: stretched_square(60, 120),
    "u and v 1 : 2": lambda: stretched_square(120, 60),
    "over tiles": square_in_two_tiles,
}


@pytest.mark.parametrize("name", SQUARES)
@pytest.mark.parametrize("size_px", [1023, 1536])
def test_waves_keep_what_the_standard_says(name, size_px):
    """All three waves in one map; near: within 1 mm of x = 20, where squares are cut."""
    surface, cutoff_mm = surface_from_mesh(SQUARES[name](), "mm"), 2.5
    along = np.array([np.cos(0.65), np.sin(0.65), 0.0])

    def waves(p):
        return np.stack([np.sin(2 * np.pi * (p @ along) / (cutoff_mm * ratio) + ratio) for ratio in GAIN], axis=1)

    heights = painted_heights(surface, lambda p: waves(p).sum(axis=1), size_px)
    at, got = texel_values(heights, low_passed(heights, cutoff_mm).block)
    inside = ((at[:, :2] > 4) & (at[:, :2] < 36)).all(axis=1)
    near = inside & (np.abs(at[:, 0] - 20) < 1)
    for where, here in (("near", near), ("elsewhere", inside & ~near)):
        gains = np.linalg.lstsq(waves(at[here]), got[here], rcond=None)[0]
        worst = np.abs(got - waves(at) @ list(GAIN.values()))[here].max()
        print(f"{name}, {size_px} px, {where}: gains {np.round(gains, 4)}, worst {worst:.4f} of heights of 1")
        assert gains == pytest.approx(list(GAIN.values()), abs=0.006)
        assert worst < (0.03 if "denser" in name else 0.01)


@pytest.mark.parametrize("ratio", [0.11, 0.14, 0.2, 0.3])
def test_waves_far_below_the_cutoff_leave_nothing(ratio):
    """They are as long as few texels of the reduced map: none may come back as a longer one."""
    surface, cutoff_mm = surface_from_mesh(mirrored_square(), "mm"), 4.0
    wave = 2 * np.pi * np.array([0.95, 0.312, 0.0]) / (ratio * cutoff_mm)
    heights = painted_heights(surface, lambda p: np.sin(p @ wave), 1024)
    at, got = texel_values(heights, low_passed(heights, cutoff_mm).block)
    inside = ((at[:, :2] > 4) & (at[:, :2] < 36)).all(axis=1)
    print(f"wave of {ratio} cutoffs: {np.abs(got[inside]).max():.5f} left at worst")
    assert np.abs(got[inside]).max() < 0.005


@pytest.mark.parametrize("mesh", [mirrored_square, square_in_two_tiles, tube])
def test_no_step_across_seams(mesh):
    surface = surface_from_mesh(mesh(), "mm")
    bump = np.random.default_rng(3).uniform(-1, 1, (40, 3)) * 2
    heights = painted_heights(surface, lambda p: np.sin(p @ bump.T + np.arange(40)).mean(axis=1), 768)
    smooth = low_passed(heights, 2.5)
    flat = np.concatenate([smooth.block(tile, heights.raster.whole()).ravel() for tile in heights.raster.tiles])
    edges, sides = seam_edges(surface), []
    for side in (0, 1):
        k, t = edges.edge[:, side].astype(int), edges.triangle[:, side]
        # neighbours run their shared edge in opposite ways
        first = (0.3, 0.7)[side]
        ends = surface.corner_uv[t, (k + 1) % 3], surface.corner_uv[t, (k + 2) % 3]
        sides.append(bilinear(heights.raster, (1 - first) * ends[0] + first * ends[1], t).of(flat))
    step = np.abs(sides[1] - sides[0])
    print(f"{mesh.__name__}: step across seams {step.max():.2g} at worst, rms of the heights {flat.std():.2g}")
    assert len(step) >= 8
    assert step.max() < 0.02 * flat.std()


@pytest.mark.parametrize("size_px", [64, 257, 1024])
def test_what_lies_beside_the_skin_has_no_part(size_px):
    surface = surface_from_mesh(mirrored_square(), "mm")
    maps = [painted_heights(surface, lambda p: np.sin(p[:, 0]), size_px, elsewhere_mm=mm) for mm in (0.0, 1e4)]
    one, other = (low_passed(h, 2.5).block(1001, h.raster.whole()) for h in maps)
    assert np.array_equal(one, other)
    assert (one[~has_skin(maps[0], 1001)] == 0).all()
    assert np.ptp(one) > 1


@pytest.mark.parametrize("size_px", [33, 201])
@pytest.mark.parametrize("cutoff_mm", [0.05, 2.5, 100.0])
def test_flat_maps_stay_what_they_are(size_px, cutoff_mm):
    surface = surface_from_mesh(square_in_two_tiles(), "mm")
    for level_mm, off in ((0.0, 0.0), (0.37, 1e-6)):
        heights = painted_heights(surface, lambda p, mm=level_mm: np.full(len(p), mm), size_px)
        _, got = texel_values(heights, low_passed(heights, cutoff_mm).block)
        assert np.abs(got - np.float32(level_mm)).max() <= off


def test_a_cutoff_below_a_texel_changes_next_to_nothing():
    surface = flat_surface(40, 40, 10)
    heights = painted_heights(surface, lambda p: np.sin(p[:, 0]), 256)
    at, got = texel_values(heights, low_passed(heights, 0.05).block)
    inside = ((at[:, :2] > 1) & (at[:, :2] < 39)).all(axis=1)
    assert np.abs(got - np.sin(at[:, 0]))[inside].max() < 2e-3


def test_blocks_threads_and_files_change_no_bit(tmp_path):
    surface = surface_from_mesh(mirrored_square(), "mm")
    heights = painted_heights(surface, lambda p: np.sin(3 * p[:, 0]) + np.cos(2 * p[:, 1]), 301)
    np.asarray(heights.height_mm[1001]).tofile(tmp_path / "1001.heights")
    mapped = np.memmap(tmp_path / "1001.heights", np.float32, "r", shape=(301, 301))
    whole = low_passed(heights, 2.0, n_threads=1).block(1001, heights.raster.whole())
    smooth = low_passed(MapHeights(heights.raster, {1001: mapped[:]}), 2.0, n_threads=3)
    for window in (Window(0, 0, 7, 301), Window(100, 33, 91, 50), Window(250, 250, 51, 51)):
        assert np.array_equal(smooth.block(1001, window), whole[window.slices])
    assert [p.name for p in tmp_path.iterdir()] == ["1001.heights"]


def test_a_wrong_cutoff_is_told():
    heights = painted_heights(flat_surface(40, 40, 4), lambda p: p[:, 0], 32)
    for wrong in (0, -1.0, float("nan")):
        with pytest.raises(PatchError, match="low pass: cutoff_mm is"):
            low_passed(heights, wrong)
