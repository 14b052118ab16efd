import numpy as np
import pytest
from scipy.spatial import cKDTree

from poredepth.errors import PatchError
from poredepth.patch.synthesise.periodic import (
    band_noise,
    blur,
    cell_net,
    make_tile,
    sample,
    smooth_noise,
    spread_points,
    window,
)


def test_a_tile_is_a_whole_number_of_texels():
    tile = make_tile(6, 0.03)
    assert (tile.count, tile.texel_mm, tile.size_mm) == (200, 0.03, 6.0)
    with pytest.raises(PatchError, match="size_mm 6 is 240.5 texels .*; allowed is a whole number of at least 4"):
        make_tile(6, 6 / 240.5)
    with pytest.raises(PatchError, match="texel_mm is -1; allowed is a number above 0"):
        make_tile(6, -1)


def test_noise_has_unit_deviation_and_no_mean():
    tile, rng = make_tile(6, 0.03), np.random.default_rng(1)
    for field in (smooth_noise(tile, 1.0, rng), band_noise(tile, 0.1, 0.3, rng)):
        assert field.std() == pytest.approx(1.0, abs=1e-12)
        assert field.mean() == pytest.approx(0.0, abs=1e-12)


def test_blur_of_a_wave_follows_the_closed_form():
    tile = make_tile(4, 0.02)
    wave = np.tile(np.cos(2 * np.pi * (np.arange(200) + 0.5) * 0.02 * 1.5), (200, 1))
    gain = np.exp(-2 * (np.pi * 0.1 * 1.5) ** 2)  # Fourier transform of a Gaussian
    assert blur(tile, wave, 0.1) == pytest.approx(gain * wave, abs=1e-12)


@pytest.mark.parametrize("stretch", [1.0, 1.3])
def test_spread_points_keep_apart_over_the_borders_and_have_the_asked_number(stretch):
    tile = make_tile(10, 0.02)
    points = spread_points(tile, 0.5, np.random.default_rng(2), stretch)
    # hexagonal packing: one point for spacing^2 * sqrt(3) / 2 of area (closed form)
    assert len(points) == round(100 / (0.25 * np.sqrt(0.75)))
    assert points.min() >= 0
    assert points.max() < 10
    flat = np.clip(points / (stretch, 1.0), 0, np.array([10 / stretch, 10]) * (1 - 1e-12))
    distance, _ = cKDTree(flat, boxsize=(10 / stretch, 10)).query(flat, k=2)
    assert distance[:, 1].min() > 0.5 * 0.5 / np.sqrt(stretch)


def test_a_cell_net_on_a_torus_obeys_euler():
    tile = make_tile(10, 0.02)
    points = spread_points(tile, 0.7, np.random.default_rng(3))
    net = cell_net(tile, points)
    # V - E + F = 0 on a torus, and three borders meet at each junction: E = 3 F, V = 2 F
    assert len(net.cells) == 3 * len(points)
    assert len(net.junctions_mm) == 2 * len(points)
    middle = 0.5 * (net.start_mm + net.end_mm) % 10
    first, second = (np.hypot(*((middle - points[net.cells[:, k]] + 5) % 10 - 5).T) for k in (0, 1))
    assert first == pytest.approx(second, abs=1e-9)  # a border has both its cells' points at the same distance


def test_sampling_and_windows_reach_over_the_borders():
    tile = make_tile(4, 0.02)
    field = np.arange(200.0)[None, :] + 1000.0 * np.arange(200.0)[:, None]
    assert sample(tile, field, np.array([[0.01 + 4.0, 0.03 - 4.0]]))[0] == pytest.approx(1000.0)
    index, dx, dy = window(tile, np.array([0.005, 3.995]), 0.05)
    inside = (np.abs(dx) < 0.01) & (np.abs(dy) < 0.01)
    assert field[index][inside].tolist() == [199000.0]
