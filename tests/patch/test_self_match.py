"""Where a relief shows the same again, against reliefs that repeat by construction."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from poredepth.patch.self_match import LEAST_WINDOWS, SelfMatch, Windows, self_match

STEP_MM = 0.2
SHORTEST_PX = 15.0


@cache
def _noise(rows: int, cols: int, seed: int) -> np.ndarray:
    """Periodic smooth noise of unit size whose correlation is gone within 1 mm."""
    noise = gaussian_filter(np.random.default_rng(seed).normal(size=(rows, cols)), 0.8, mode="wrap")
    return noise / noise.std()


def _found(height: np.ndarray, known: np.ndarray | None = None) -> SelfMatch:
    known = np.ones(height.shape, bool) if known is None else known
    return self_match(Windows(height, known, STEP_MM), SHORTEST_PX)


def test_plain_tiling_is_found_at_its_tile():
    """Correlation 1 at the lag of the tile, 8 x 10 mm, closed form; of all its lags the shortest is told."""
    found = _found(np.tile(_noise(50, 40, 0), (5, 6)))
    assert found.again.peak == pytest.approx(1.0, abs=1e-5)
    assert np.abs(found.again.lag_px).tolist() == [0, 40]
    apart = np.array(found.again.again_px) - found.again.place_px
    assert apart.tolist() == list(found.again.lag_px)
    assert found.turned.peak < 0.3


def test_white_noise_does_not_repeat():
    found = _found(_noise(240, 250, 1))
    print(f"noise: peak {found.again.peak:.3f}, by chance {found.opposite:.3f}, turned {found.turned.peak:.3f}")
    assert found.again.peak < 0.08
    assert found.turned.peak < 0.1
    assert found.opposite == pytest.approx(found.again.peak, rel=0.4)


def test_a_relief_that_repeats_in_part_has_that_part_as_its_peak():
    """a of the variance in a tile, the rest not: the autocorrelation at the tile's lag is a, closed form."""
    base, tile = _noise(250, 240, 2), np.tile(_noise(50, 40, 3), (5, 6))
    for part in (0.2, 0.5, 0.8):
        found = _found(np.sqrt(part) * tile + np.sqrt(1 - part) * base)
        assert found.again.peak == pytest.approx(part, abs=0.03)
        assert np.mod(found.again.lag_px, (50, 40)).tolist() == [0, 0]


def test_correlation_of_a_window_is_pearsons():
    """`numpy.corrcoef` of the window and what lies under it, as it is and turned by half."""
    windows = Windows(_noise(80, 90, 4), np.ones((80, 90), bool), STEP_MM)
    row, col = windows.at[3]
    n = windows.side
    window = windows.height[row : row + n, col : col + n].ravel()
    for turned in (False, True):
        found = windows.correlation(3, turned)
        assert found.shape == (80 - n + 1, 90 - n + 1)
        for r, c in ((0, 0), (17, 31), (80 - n, 90 - n)):
            other = windows.height[r : r + n, c : c + n].ravel()
            due = np.corrcoef(window[::-1] if turned else window, other)[0, 1]
            assert found[r, c] == pytest.approx(due, abs=1e-5)


def test_repeats_that_are_bent_are_found():
    """Tiles of 8 mm drawn out from 0.9 to 1.1 over the relief and bent by 3 mm: an eye sees them, one lag does not fit
    them all."""
    rows, cols = np.mgrid[:300, :300].astype(float)
    x = cols + 0.1 * (cols - 150) ** 2 / 300 + 15 * np.sin(2 * np.pi * rows / 600)
    bent = map_coordinates(_noise(40, 40, 5), [rows, x], order=3, mode="grid-wrap")
    found = _found(bent).again
    print(f"bent tiles: peak {found.peak:.2f}, at one lag {found.rigid:.2f}")
    assert found.peak > 0.7
    assert np.hypot(*found.lag_px) == pytest.approx(40, abs=5)


def test_a_piece_turned_by_half_is_found_turned():
    piece = _noise(250, 120, 6)
    found = _found(np.hstack([piece, piece[::-1, ::-1]]))
    assert found.turned.peak == pytest.approx(1.0, abs=1e-3)
    assert found.turned.lag_px == pytest.approx((124.5, 119.5))
    assert found.again.peak < 0.15


def test_stripes_are_as_unlike_as_they_are_alike():
    """A wave's autocorrelation goes from -1 to 1: the largest of the other sign tells stripes from a repeat."""
    cols = np.arange(240)
    found = _found(np.tile(np.sin(2 * np.pi * cols / 12), (240, 1)))
    assert found.again.peak == pytest.approx(1.0, abs=1e-3)
    assert found.opposite == pytest.approx(1.0, abs=1e-2)


def test_what_is_not_known_does_not_count():
    """A hole with nonsense in it changes nothing but which windows there are."""
    height = np.tile(_noise(50, 40, 7), (5, 6)).copy()
    known = np.ones(height.shape, bool)
    known[90:150, 100:180] = False
    height[~known] = np.nan
    found = _found(height, known)
    assert found.again.peak == pytest.approx(1.0, abs=0.02)
    assert np.abs(found.again.lag_px).tolist() == [0, 40]


def test_relief_for_fewer_windows_is_not_enough():
    side = round(6.0 / STEP_MM)
    for rows, cols, enough in ((side, 8 * side, True), (side, 7 * side, False), (side - 1, 40 * side, False)):
        windows = Windows(_noise(rows, cols, 8), np.ones((rows, cols), bool), STEP_MM)
        assert windows.enough == enough
    assert not Windows(np.zeros((400, 400)), np.ones((400, 400), bool), STEP_MM).enough
    assert LEAST_WINDOWS == 8
