"""The largest upright rectangle in a mask, beside all rectangles and a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from poredepth.patch.rectangle import largest_full_rectangle


def largest_by_trying(valid):
    best = 0
    for top in range(valid.shape[0]):
        full = np.ones(valid.shape[1], bool)
        for bottom in range(top, valid.shape[0]):
            full &= valid[bottom]
            runs = np.diff(np.flatnonzero(np.r_[True, ~full, True])) - 1
            best = max(best, int(runs.max()) * (bottom - top + 1))
    return best


def test_largest_rectangle_against_trying_all():
    rng = np.random.default_rng(4)
    for share in (0.02, 0.1, 0.4):
        valid = rng.random((37, 52)) > share
        box = largest_full_rectangle(valid)
        assert valid[box].all() and valid[box].size == largest_by_trying(valid)
    assert largest_full_rectangle(np.zeros((5, 6), bool)) == (slice(0, 0), slice(0, 0))


def test_largest_rectangle_on_cells_is_full_and_nearly_the_largest():
    valid = np.ones((1500, 4100), bool)
    valid[:13], valid[:, :101], valid[1490:, 2000] = False, False, False
    box = largest_full_rectangle(valid)
    assert valid[box].all() and box == (slice(13, 1490), slice(101, 4100))


def test_a_large_disc_holds_its_square():
    """Area of the largest rectangle in a disc: the square of side r sqrt(2)."""
    rows, cols = np.ogrid[:1500, :1500]
    inside = np.hypot(rows - 750, cols - 750) < 700
    found = largest_full_rectangle(inside)
    assert inside[found].all()
    assert inside[found].size == pytest.approx(2 * 700**2, rel=0.03)
