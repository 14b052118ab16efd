import numpy as np
import pytest
from scipy.spatial import cKDTree

from poredepth.errors import PatchError
from poredepth.patch.synthesise.periodic import (
    FieldRows,
    band_noise,
    blue_noise,
    by_rows,
    cell_net,
    make_tile,
    mixed_noise,
    nearest_copy,
    sample,
    sample_paths,
    smooth_noise,
    spread_points,
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
    # of two independent parts the variances add
    assert mixed_noise(tile, ((3.0, 1.0), (4.0, 0.4)), rng).std() == pytest.approx(5.0, rel=0.1)


@pytest.mark.parametrize("stretch", [1.0, 2.0])
def test_band_noise_has_its_waves_only(stretch):
    tile = make_tile(6, 0.02)
    field = band_noise(tile, 0.1, 0.3, np.random.default_rng(1), stretch)
    power = np.abs(np.fft.fft2(field)) ** 2
    frequency = np.fft.fftfreq(len(field), 6.0 / len(field))
    radius = np.hypot(frequency[:, None], stretch * frequency[None, :])
    inside = (radius > 1 / 0.34) & (radius < 1 / 0.088)
    assert power[inside].sum() / power.sum() > 0.99


@pytest.mark.parametrize("count", [50, 200, 333])
def test_a_field_is_read_at_any_texels_by_its_own_waves(count):
    n, size = 45, 4.0
    middle = (np.arange(n) + 0.5) / n

    def wave(x, y):
        return 2.0 + np.cos(2 * np.pi * (3 * x - 5 * y) + 0.4) + 0.5 * np.sin(2 * np.pi * (7 * x + 2 * y))

    rows = FieldRows(make_tile(size, size / count), wave(middle[None, :], middle[:, None]))
    at = (np.arange(count) + 0.5) / count
    expected = wave(at[None, :], at[:, None])
    assert rows.rows(0, count) == pytest.approx(expected, abs=2e-6)
    assert rows.rows(7, 19) == pytest.approx(expected[7:19], abs=2e-6)


def test_waves_that_texels_cannot_carry_are_left_out():
    field = np.tile(np.cos(2 * np.pi * 15 * (np.arange(45) + 0.5) / 45), (45, 1))
    assert np.abs(FieldRows(make_tile(4, 0.2), field).rows(0, 20)).max() < 1e-6


def test_rows_are_joined_and_progress_is_told():
    tile, told = make_tile(4, 0.01), []
    out = by_rows(tile, lambda a, b: np.arange(a, b)[:, None] + np.zeros((1, 400)), lambda *done: told.append(done))
    assert out.dtype == np.float32
    assert np.array_equal(out, np.tile(np.arange(400.0)[:, None], (1, 400)))
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_points_of_blue_noise_are_exactly_as_many_as_asked_and_keep_apart():
    tile = make_tile(10, 0.02)
    for count in (1, 7, 200, 1500):
        points = blue_noise(tile, count, np.random.default_rng(count))
        assert points.shape == (count, 2)
        if count > 7:
            least = cKDTree(points, boxsize=10).query(points, k=2)[0][:, 1].min()
            # n r^2 of area 1: random points 1 / (2 pi n) on average; random darts jam at 0.696 (value from memory)
            assert 0.42 < count * least**2 / 100 < 0.75


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


@pytest.mark.parametrize("spacing", [0.3, 0.7, 4.0])
def test_a_cell_net_on_a_torus_obeys_euler(spacing):
    tile = make_tile(10, 0.02)
    points = spread_points(tile, spacing, np.random.default_rng(3))
    net = cell_net(tile, points)
    # V - E + F = 0 on a torus, and three borders meet at each junction: E = 3 F, V = 2 F
    assert len(net.cells) == 3 * len(points)
    assert len(net.junctions_mm) == 2 * len(points)
    assert np.bincount(net.ends.ravel()).tolist() == [3] * len(net.junctions_mm)
    for k, end in enumerate((net.start_mm, net.end_mm)):
        assert nearest_copy(end - net.junctions_mm[net.ends[:, k]], 10.0) == pytest.approx(0.0, abs=1e-9)
    middle = 0.5 * (net.start_mm + net.end_mm) % 10
    first, second = (np.hypot(*((middle - points[net.cells[:, k]] + 5) % 10 - 5).T) for k in (0, 1))
    assert first == pytest.approx(second, abs=1e-9)  # a border has both its cells' points at the same distance


def test_sampling_reaches_over_the_borders():
    tile = make_tile(4, 0.02)
    x = (np.arange(60) + 0.5) / 60
    field = np.tile(np.sin(2 * np.pi * x), (60, 1))
    points = np.array([[0.5, 0.3], [4.5, -3.7], [-3.5, 8.3]])
    # a cubic spline through 60 points a wave is right to (2 pi / 60)^4 / 100 or so
    assert sample(tile, field, points) == pytest.approx(np.full(3, np.sin(2 * np.pi * 0.125)), abs=1e-5)
    parts = sample_paths(tile, field, [points[:1], points[1:]])
    assert [len(p) for p in parts] == [1, 2]
    assert np.concatenate(parts) == pytest.approx(sample(tile, field, points))
