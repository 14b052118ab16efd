"""Mip levels against plain means of the heights."""

from functools import reduce

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poredepth.errors import MapFileError
from poredepth.output import levels
from poredepth.output.levels import LevelBuilder, box_levels, level_shapes


def relief_mm(shape, offset_mm=3.0):
    """Relief far from zero, so that rounding shows."""
    return (offset_mm + 0.05 * np.random.default_rng(3).standard_normal(shape)).astype(np.float32)


def in_blocks(array, n_rows=7):
    return (array[i : i + n_rows] for i in range(0, len(array), n_rows))


def covered(n):
    """The textbook box filter as a matrix: texel i of n // 2 takes what it covers of n texels, weights of sum 1."""
    m = max(n // 2, 1)
    edge = np.arange(m + 1) * n / m
    low, high = np.arange(n), np.arange(1, n + 1)
    part = np.minimum(high, edge[1:, None]) - np.maximum(low, edge[:-1, None])
    return np.maximum(part, 0) / (n / m)


def test_level_k_is_the_mean_of_2_to_the_k_squared_texels():
    height_mm = relief_mm((96, 160))
    found = box_levels(in_blocks(height_mm), height_mm.shape)
    for k in range(1, 6):  # 96 = 3 * 2^5, 160 = 5 * 2^5
        f = 2**k
        mean = height_mm.astype(np.float64).reshape(96 // f, f, 160 // f, f).mean(axis=(1, 3))
        assert found[k - 1].dtype == np.float32 and found[k - 1].shape == mean.shape
        assert np.abs(found[k - 1] - mean).max() <= 1.2e-7  # half a float32 step at 3 mm


@pytest.mark.parametrize("shape", [(33, 33), (90, 70), (7, 3), (5, 128), (1, 9), (9, 1), (2, 3)])
def test_odd_sizes_are_means_over_what_a_texel_covers(shape):
    # Guthe & Heckbert 2005: box filter over n / (n // 2) texels; here as matrices, level after level
    height_mm = relief_mm(shape)
    found = box_levels(in_blocks(height_mm, 4), shape)
    expected = height_mm.astype(np.float64)
    for level in found:
        expected = reduce(np.matmul, [covered(expected.shape[0]), expected, covered(expected.shape[1]).T])
        assert level.shape == expected.shape
        assert np.abs(level - expected).max() <= 2.4e-7
        assert level.mean(dtype=np.float64) == pytest.approx(height_mm.mean(dtype=np.float64), abs=2.4e-7)


def test_three_texels_to_one_and_five_to_two_by_hand():
    # 5 -> 2: each covers 2.5 texels; (1 + 2 + 3 / 2) / 2.5 = 1.8 and (3 / 2 + 4 + 5) / 2.5 = 4.2; 3 -> 1: the mean
    two, one = box_levels([np.array([[1.0, 2, 3, 4, 5]])], (1, 5))
    assert two == pytest.approx(np.array([[1.8, 4.2]]), rel=1e-7) and one == pytest.approx(np.array([[3.0]]))
    assert box_levels([np.array([[2.0], [4.0], [9.0]])], (3, 1))[0] == pytest.approx(np.array([[5.0]]))


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.floats(-8, 8, width=32), st.integers(1, 9))
def test_a_constant_stays_the_same_bits(rows, cols, constant, n_rows):
    height_mm = np.full((rows, cols), constant, np.float32)
    for level in box_levels(in_blocks(height_mm, n_rows), height_mm.shape):
        assert (level == np.float32(constant)).all()


def test_blocks_change_no_bit():
    height_mm = relief_mm((75, 54))
    whole = box_levels([height_mm], height_mm.shape)
    for n_rows in (1, 2, 3, 64):
        parts = box_levels(in_blocks(height_mm, n_rows), height_mm.shape)
        assert all(np.array_equal(a, b) for a, b in zip(whole, parts, strict=True))


def test_channels_are_filtered_each_by_itself():
    height_mm = relief_mm((30, 21, 3))
    found = box_levels(in_blocks(height_mm), height_mm.shape)
    for c in range(3):
        alone = box_levels(in_blocks(height_mm[..., c]), (30, 21))
        assert all(np.array_equal(level[..., c], one) for level, one in zip(found, alone, strict=True))


def test_sizes_round_down_to_one():
    # OpenEXR, LevelRoundingMode ROUND_DOWN: floor(size / 2^level), at least 1
    assert level_shapes((33, 90)) == [(33, 90), (16, 45), (8, 22), (4, 11), (2, 5), (1, 2), (1, 1)]
    assert level_shapes((1, 1)) == [(1, 1)]
    for n in (1, 2, 3, 100, 4096, 8191):
        assert [r for r, _ in level_shapes((n, n))] == [n >> k for k in range(n.bit_length())]


def test_a_hook_changes_what_is_kept_and_nothing_below_it():
    normal = np.zeros((8, 8, 3), np.float32)
    normal[..., 0], normal[..., 2] = np.where(np.arange(8) % 2, 0.6, -0.6), 0.8

    def at_length_one(level, rows):
        return rows / np.linalg.norm(rows, axis=-1, keepdims=True)

    plain = box_levels([normal], normal.shape)
    hooked = box_levels([normal], normal.shape, after_level=at_length_one)
    assert plain[0][0, 0] == pytest.approx([0, 0, 0.8], abs=1e-7)  # shorter than 1: the normals under it spread
    assert hooked[0][0, 0] == pytest.approx([0, 0, 1.0], abs=1e-7)
    assert hooked[1][0, 0] == pytest.approx([0, 0, 1.0], abs=1e-7)


def test_large_levels_go_to_a_file_without_a_name(tmp_path, monkeypatch):
    height_mm = relief_mm((120, 100))
    in_memory = box_levels(in_blocks(height_mm), height_mm.shape)
    monkeypatch.setattr(levels, "IN_MEMORY_BYTES", 5000)  # level 1 has 12000 bytes, the rest 4000
    with LevelBuilder(height_mm.shape, tmp_path) as builder:
        for block in in_blocks(height_mm):
            builder.add(block)
        found = builder.levels()
        assert [isinstance(level, np.memmap) for level in found] == [True] + [False] * 5
        assert all(np.array_equal(a, b) for a, b in zip(found, in_memory, strict=True))
        assert list(tmp_path.iterdir()) == []


def test_rows_that_do_not_fit_are_refused():
    with pytest.raises(MapFileError, match="1 rows came, the map has 2"):
        box_levels([np.zeros((1, 4))], (2, 4))
    with pytest.raises(MapFileError, match="3 so far"):
        box_levels([np.zeros((3, 4))], (2, 4))
    with pytest.raises(MapFileError, match="shape .2, 5."):
        box_levels([np.zeros((2, 5))], (2, 4))
    with pytest.raises(MapFileError, match="at least one texel"):
        level_shapes((0, 4))
