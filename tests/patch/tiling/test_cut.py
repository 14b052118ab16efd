import itertools
import math

import numpy as np
import pytest
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.tiling import overlap_cut, tile_border
from poredepth.patch.tiling.blend import joined, mixed, split
from poredepth.patch.tiling.cut import cut_seams
from poredepth.patch.tiling.drift import bent, drift_px
from poredepth.patch.tiling.path import least_cost_path
from poredepth.patch.tiling.period import best_period


def _all_paths(rows, width, closed):
    for steps in itertools.product((-1, 0, 1), repeat=rows - 1):
        for start in range(width):
            path = start + np.concatenate([[0], np.cumsum(steps)]).astype(int)
            if path.min() >= 0 and path.max() < width and not (closed and abs(path[-1] - path[0]) > 1):
                yield path


@pytest.mark.parametrize("closed", [False, True])
def test_path_costs_the_least_of_all(closed):
    """Beside every path.  A closed one goes through a column chosen beforehand: in these cases it is the best one's."""
    rows = np.arange(6)
    for seed in range(8):
        cost = np.random.default_rng(seed).random((6, 4)) ** 3
        path = least_cost_path(cost, closed)
        assert np.abs(np.diff(path)).max() <= 1
        found, best = cost[rows, path].sum(), min(cost[rows, p].sum() for p in _all_paths(6, 4, closed))
        if closed:
            assert abs(path[0] - path[-1]) <= 1
            assert best - 1e-12 <= found <= 1.35 * best
        else:
            assert found == pytest.approx(best)


def test_path_follows_a_furrow_round_and_keeps_to_the_middle():
    rows, width = 300, 60
    furrow = np.rint(30 + 12 * np.sin(2 * np.pi * np.arange(rows) / rows)).astype(int)
    cost = np.ones((rows, width))
    cost[np.arange(rows), furrow] = 0.01
    cost[:, 0] = 0.0
    assert np.array_equal(least_cost_path(cost, True, margin=5), furrow)
    assert np.array_equal(least_cost_path(np.ones((5, 3)), False), [0, 0, 0, 0, 0])


@pytest.mark.parametrize("closed", [False, True])
def test_bands_sum_up_and_halve_a_wave_at_the_cutoff(closed):
    """Closed form: the Gaussian of ISO 16610-61 passes half of a wave as long as its cutoff."""
    strip = np.random.default_rng(1).normal(size=(96, 40))
    bands = split(strip, [5.0, 20.0], closed)
    assert np.abs(sum(bands) - strip).max() < 1e-12
    wave = np.cos(2 * np.pi * (np.arange(96) + 0.5) / 16)[:, None] * np.ones((1, 40))
    low = split(wave, [16.0], closed)[1]
    assert np.abs(low - 0.5 * wave).max() < 1e-12


def test_a_mix_keeps_the_contrast():
    """Closed form: unrelated noise of one variance keeps it at every weight; equal inputs come back."""
    rng = np.random.default_rng(2)
    one, other = rng.normal(size=(2, 400, 300))
    weight = np.broadcast_to(np.linspace(0, 1, 300), one.shape)
    assert mixed(one, other, weight).std(axis=0) == pytest.approx(np.ones(300), abs=0.15)
    assert mixed(one, other, weight)[:, 140:160].std() == pytest.approx(1, abs=0.02)
    assert np.abs(mixed(one, one, weight) - one).max() < 1e-12
    related = 0.6 * one + 0.8 * other
    assert mixed(one, related, weight)[:, 140:160].std() == pytest.approx(1, abs=0.02)


def test_margins_that_agree_come_back_and_others_end_as_they_are():
    rng = np.random.default_rng(3)
    left, right = ndimage.gaussian_filter(rng.normal(size=(2, 120, 36)), (0, 2, 2))
    assert np.abs(joined(left, left, False).height - left).max() < 1e-12
    both = joined(left, right, True)
    spread = left.std()
    assert np.abs(both.height[:, 0] - right[:, 0]).max() < 0.05 * spread
    assert np.abs(both.height[:, -1] - left[:, -1]).max() < 0.05 * spread


def _bumps(at):
    """A profile of lines of unequal depth, read at any row."""
    centres = np.array([12.0, 31, 55, 70, 99, 121, 140, 166, 185])
    depth = np.array([1.0, 0.6, 1.3, 0.8, 1.1, 0.5, 0.9, 1.4, 0.7])
    return -(depth * np.exp(-(((at[..., None] - centres) / 3.5) ** 2))).sum(axis=-1)


def test_a_drift_of_lines_is_found_and_unrelated_margins_have_none():
    rows, width = 200, 30
    row = np.arange(rows)[:, None] + np.zeros((1, width))
    truth = 2.0 * np.sin(2 * np.pi * np.arange(rows) / 180.0)
    left = _bumps(row)
    below = row[:, 0].copy()
    for _ in range(30):  # right at row + truth(row) is left at row
        below = row[:, 0] - np.interp(below, row[:, 0], truth)
    right = _bumps(below)[:, None] + np.zeros((1, width))
    noise = np.random.default_rng(4).normal(scale=0.02, size=(2, rows, width))
    drift = drift_px(left + noise[0], right + noise[1], False, 6.0)
    assert np.abs(drift - truth)[15:-15].max() < 0.35
    assert np.abs(drift - truth)[15:-15].mean() < 0.1
    unrelated = ndimage.gaussian_filter(np.random.default_rng(5).normal(size=(2, rows, width)), (0, 3, 3))
    assert drift_px(*unrelated, False, 6.0) is None
    assert drift_px(left, left, False, 6.0) is None


def test_a_bent_picture_is_read_where_it_should_be():
    """Closed form: a wave of 6 texels; a spline of fifth order is off by less than 0.3 % of it."""
    row = np.arange(120)
    h = np.cos(2 * np.pi * row / 6)[:, None] * np.ones((1, 9))
    drift, share = 1.5 * np.sin(2 * np.pi * row / 120), np.linspace(-0.5, 0.5, 9)
    want = np.cos(2 * np.pi * (row[:, None] + drift[:, None] * share) / 6)
    assert np.abs(bent(h, drift, share, True) - want).max() < 3e-3


@pytest.mark.parametrize("closed", [False, True])
def test_the_period_and_slip_of_a_picture_made_of_one_are_found(closed):
    """A periodic random picture, seen through a window, sheared by whole texels per period."""
    rng = np.random.default_rng(6)
    tile = ndimage.gaussian_filter(rng.normal(size=(160, 131)), 2, mode="wrap")
    parts = [np.roll(tile, -2 * k, axis=0) for k in (0, 1)]
    h = np.concatenate(parts, axis=1)[:, :180]
    fit = best_period(h, 24, closed)
    assert (fit.period_px, fit.slip_px, fit.overlap_px) == (131, -2, 24)
    assert fit.misfit < 0.05
    assert fit.start_px + fit.period_px + fit.overlap_px <= 180


def test_a_large_picture_is_fitted_to_the_texel():
    rng = np.random.default_rng(7)
    tile = ndimage.gaussian_filter(rng.normal(size=(90, 1501)), 1.5, mode="wrap")
    fit = best_period(np.concatenate([tile, tile], axis=1)[:, :1900], 101, False)
    assert (fit.period_px, fit.slip_px, fit.overlap_px) == (1501, 0, 101)
    assert fit.misfit < 0.01


def test_a_cut_piece_of_a_tile_is_that_tile_again():
    """Nothing is blended where margins agree: the relief that was cut comes back, to rounding."""
    rng = np.random.default_rng(8)
    tile = ndimage.gaussian_filter(rng.normal(size=(120, 150)), 2.5, mode="wrap")
    h = np.tile(tile, (2, 2))[:150, :190]
    found = overlap_cut(h, (16, 20))
    assert found.shape == tile.shape
    start = [seam.period.start_px for seam in cut_seams(h, (16, 20))][::-1]
    assert np.abs(found - np.roll(tile, (-start[0], -start[1]), axis=(0, 1))).max() < 1e-9 * tile.std()


def test_asked_overlaps():
    h = ndimage.gaussian_filter(np.random.default_rng(9).normal(size=(90, 130)), 1.5)
    for asked, want in (((12, 20), (12, 20)), (0.1, (9, 13))):
        across, down = cut_seams(h, want)
        assert (down.period.overlap_px, across.period.overlap_px) == want
        found = overlap_cut(h, asked)
        assert np.array_equal(found, down.picture.T)
        assert found.shape[0] <= 90 - want[0] and found.shape[1] <= 130 - want[1]
        assert tile_border(found).continues
    for asked, message in (
        ((12, 60), "an overlap of 60 of 130 texels; allowed is 1 to 43"),
        (0.0, "an overlap of 0 of"),
    ):
        with pytest.raises(PatchError, match=message):
            overlap_cut(h, asked)
    with pytest.raises(PatchError, match=r"the heights have shape \(7, 30\); allowed is at least 8 texels"):
        overlap_cut(h[:7, :30])
    with pytest.raises(PatchError, match="overlap cut: 1 value"):
        overlap_cut(np.where(np.arange(100).reshape(10, 10) == 5, math.inf, 0.0))
