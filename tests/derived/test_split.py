"""What a subdivided mesh carries as displacement, and the rest."""

from __future__ import annotations

import numpy as np
import pytest
from maps_painted import painted_heights, texel_values
from meshes import flat_surface
from meshes_seams import mirrored_square, square_in_two_tiles

from poredepth.derived.split import shown_wave, split
from poredepth.errors import PatchError
from poredepth.raster.window import Window
from poredepth.surface.skin import surface_from_mesh


@pytest.mark.parametrize("mesh", [mirrored_square, square_in_two_tiles])
def test_both_parts_add_up_to_the_map(mesh):
    surface = surface_from_mesh(mesh(), "mm")
    rng = np.random.default_rng(1)
    heights = painted_heights(surface, lambda p: rng.normal(0, 0.05, len(p)) + 0.3 * np.sin(p[:, 0] / 3), 511)
    parts = split(heights, 0.4)
    for tile in heights.raster.tiles:
        whole = heights.raster.whole()
        coarse, fine = parts.coarse(tile, whole), parts.fine(tile, whole)
        total, want = coarse + fine, heights.height_mm[tile]
        assert total.dtype == np.float32
        same = (total == want).mean()
        print(f"tile {tile}: {same:.3f} bit for bit, the others off by {np.abs(total - want).max():.1e} mm")
        # a difference is rounded once: by half a step of the larger of the two, 2^-25 of 0.5 mm
        assert np.abs(total.astype(float) - want).max() <= 2**-26
        assert same > 0.75
        window = Window(100, 50, 77, 33)
        assert np.array_equal(parts.coarse(tile, window), coarse[window.slices])
        assert np.array_equal(parts.fine(tile, window), fine[window.slices])


@pytest.mark.parametrize(("wave_edges", "passed"), [(2.0, 1 / 16), (4.0, 0.5), (8.0, 0.5**0.25), (1.0, 0.0)])
def test_waves_go_where_the_rule_says(wave_edges, passed):
    """2^-((4 / k)^2) of a wave of k edges is displaced (ISO 16610-61); the rest is in the fine part."""
    edge_mm = 0.6
    heights = painted_heights(
        flat_surface(40, 40, 10), lambda p: np.sin(2 * np.pi * p[:, 1] / (wave_edges * edge_mm)), 1000
    )
    parts = split(heights, edge_mm)
    assert parts.cutoff_mm == pytest.approx(2.4)
    at, coarse = texel_values(heights, parts.coarse)
    _, fine = texel_values(heights, parts.fine)
    inside = ((at[:, :2] > 4) & (at[:, :2] < 36)).all(axis=1)
    wave = np.sin(2 * np.pi * at[inside, 1] / (wave_edges * edge_mm))
    gains = [float(part[inside] @ wave / (wave @ wave)) for part in (coarse, fine)]
    print(f"wave of {wave_edges} edges: displaced {gains[0]:.4f}, fine {gains[1]:.4f}")
    assert gains == pytest.approx([passed, 1 - passed], abs=0.006)
    assert shown_wave(wave_edges).passed == pytest.approx(passed, abs=1e-4)


@pytest.mark.parametrize("k", [1.3, 2.0, 2.5, 4.0, 7.0, 16.0])
def test_shown_waves_are_what_straight_lines_between_samples_are(k):
    """Against samples of a sine and numpy.interp, over all phases."""
    fine = 2000
    x = np.arange(0, 60 * fine) / fine  # in edges
    errors, kept, square = [], [], []
    for phase in np.linspace(0, 2 * np.pi, 40, endpoint=False):
        wave = np.sin(2 * np.pi * x / k + phase)
        line = np.interp(x, np.arange(61), np.sin(2 * np.pi * np.arange(61) / k + phase))
        errors.append(np.abs(line - wave).max())
        kept.append(2 * np.mean(line * wave))
        square.append(2 * np.mean((line - wave) ** 2))
    shown = shown_wave(k, 1e-9)
    assert shown.passed == pytest.approx(1)
    assert shown.worst_error == pytest.approx(max(errors), abs=0.01)
    assert shown.kept == pytest.approx(np.mean(kept), abs=0.01)
    assert shown.rms_error == pytest.approx(np.sqrt(np.mean(square)), abs=0.01)


def test_no_wave_is_shown_more_than_a_ninth_wrong():
    k = np.linspace(0.5, 60, 3000)
    shown = [shown_wave(one) for one in k]
    assert max(one.rms_error for one in shown) == pytest.approx(0.111, abs=0.001)
    assert max(one.worst_error for one in shown) == pytest.approx(0.152, abs=0.001)


def test_an_empty_map_splits_into_nothing_and_wrong_numbers_are_told():
    heights = painted_heights(flat_surface(40, 40, 4), lambda p: np.zeros(len(p)), 65)
    parts = split(heights, 0.5)
    assert not parts.coarse(1001, heights.raster.whole()).any() and not parts.fine(1001, heights.raster.whole()).any()
    with pytest.raises(PatchError, match=r"split: edge_mm is 0; allowed is a number above 0 \(mm\)"):
        split(heights, 0)
    with pytest.raises(PatchError, match="edges_per_cutoff"):
        split(heights, 1.0, edges_per_cutoff=-1)
