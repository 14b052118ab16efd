"""Holes: filled from around, nothing else touched, counted, refused; rectangles without them. Figures: pytest -s."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import sparse
from scipy.sparse.linalg import spsolve

from poredepth import PatchError
from poredepth.patch.clean import fill_holes, without_inner_holes
from poredepth.patch.rectangle import largest_full_rectangle

CHEEK = Path(__file__).resolve().parents[3] / "demo_data" / "patches" / "cheek_pores.tif"


def cheek_um(side=256):
    return ((tifffile.imread(CHEEK)[:side, :side] / 65535 - 0.5) * 180).astype(np.float32)


def discs(shape, radius, count, seed=2):
    rng = np.random.default_rng(seed)
    y, x = np.indices(shape)
    at = rng.uniform(radius + 2, np.array(shape) - radius - 2, (count, 2))
    return np.any([np.hypot(y - r, x - c) < radius for r, c in at], axis=0)


def with_holes(height, missing):
    out = np.array(height, np.float32)
    out[missing] = np.nan
    return out


def spline_in_tension(height, missing, length_px):
    """The same equation, solved at once by a sparse factorisation."""

    def second(n):
        return sparse.diags([np.r_[1.0, np.full(n - 2, 2.0), 1.0], -np.ones(n - 1), -np.ones(n - 1)], [0, 1, -1])

    rows, cols = height.shape
    minus_laplacian = sparse.kron(sparse.eye(rows), second(cols)) + sparse.kron(second(rows), sparse.eye(cols))
    matrix = (length_px**2 * minus_laplacian @ minus_laplacian + minus_laplacian).tocsr()
    at, solved = missing.ravel(), np.where(missing, 0.0, height).ravel()
    solved[at] = spsolve(matrix[at][:, at].tocsc(), -(matrix @ solved)[at])
    return solved.reshape(height.shape)


def test_a_full_picture_comes_back_bit_for_bit():
    h = cheek_um()
    out, holes = fill_holes(h)
    assert holes is None and out is not h and out.dtype == np.float32 and np.array_equal(out, h)


def test_known_texels_keep_their_bits_and_planes_come_back():
    r, c = np.indices((90, 130))
    plane = (3.0 + 0.7 * r - 0.2 * c).astype(np.float32)
    missing = discs(plane.shape, 9, 4)
    missing[:20, :30] = missing[70:, 128:] = True
    out, _ = fill_holes(with_holes(plane, missing))
    assert np.array_equal(out[~missing], plane[~missing])
    assert np.abs(out - plane).max() < 1e-3  # of heights up to 65


@pytest.mark.parametrize(("radius", "count", "off"), [(2, 60, 2e-4), (6, 20, 0.03)])
def test_it_is_the_spline_in_tension(radius, count, off):
    """Against the same equation solved directly (Smith & Wessel 1990): off by less than it is off from the truth."""
    h = cheek_um(160) - cheek_um(160).mean()
    missing = discs(h.shape, radius, count)
    out, _ = fill_holes(with_holes(h, missing))
    exact = spline_in_tension(h, missing, 16.0)
    error = np.sqrt(np.mean((out - exact)[missing] ** 2)) / h.std()
    truth = np.sqrt(np.mean((out - h)[missing] ** 2)) / h.std()
    print(f"\nholes of {2 * radius} px: {error:.5f} Sq off the exact spline, {truth:.3f} Sq off the truth")
    assert error < off and truth < (0.1 if radius == 2 else 0.35)


def test_no_step_at_the_rim():
    """Differences over the rim are no larger than those of the relief itself."""
    h = cheek_um()
    missing = discs(h.shape, 12, 6)
    out, _ = fill_holes(with_holes(h, missing))
    over = missing[:, 1:] != missing[:, :-1]
    step = np.abs(np.diff(out, axis=1))[over]
    itself = np.abs(np.diff(h, axis=1))[over]
    print(f"\nover the rim: median step {np.median(step):.2f} um, of the relief there {np.median(itself):.2f} um")
    assert np.quantile(step, 0.95) < 1.3 * np.quantile(itself, 0.95)


def test_a_ragged_edge_is_not_drawn_out():
    h = cheek_um()
    missing = np.zeros(h.shape, bool)
    missing[:, :25] = np.random.default_rng(3).random((256, 25)).cumsum(axis=1) < 8
    out, holes = fill_holes(with_holes(h, missing))
    assert out[missing].min() > h.min() - 0.2 * np.ptp(h) and out[missing].max() < h.max() + 0.2 * np.ptp(h)
    assert holes.n_border_px == np.count_nonzero(missing) and holes.n_large == 1


def test_report_and_advice():
    h = cheek_um()
    missing = np.zeros(h.shape, bool)
    missing[40:44, 50:60] = missing[44, 60] = True  # one piece over the corner
    missing[100:130, 100:103] = missing[200, 200] = True
    out, holes = fill_holes(with_holes(h, missing))
    n = int(missing.sum())
    assert (holes.n_px, holes.n_holes, holes.largest_px, holes.n_large, holes.n_border_px) == (n, 3, 30, 1, 0)
    assert holes.share == n / h.size and "30 px" in holes.advice and np.isfinite(out).all()


def test_outside_is_filled_but_not_counted():
    h = cheek_um(64)
    missing, inside = np.zeros(h.shape, bool), np.ones(h.shape, bool)
    missing[:, 32:], inside[:, 32:], missing[5, 5] = True, False, True
    out, holes = fill_holes(with_holes(h, missing), inside)
    assert np.isfinite(out).all() and holes.n_px == 1 and holes.share == 1 / inside.sum()


def test_too_much_missing_is_refused():
    missing = np.zeros((64, 64), bool)
    missing[:20] = True
    with pytest.raises(PatchError, match=r"31% of the picture has no data; allowed: 30%"):
        fill_holes(with_holes(cheek_um(64), missing))
    with pytest.raises(PatchError, match="100%"):
        fill_holes(np.full((8, 8), np.nan))


def test_inner_holes_do_not_count_for_the_rectangle():
    valid = np.ones((60, 80), bool)
    valid[30, 40] = valid[0, :] = valid[1, 7] = False
    assert largest_full_rectangle(without_inner_holes(valid)) == (slice(2, 60), slice(0, 80))
