"""Terraces: found by the comb that values lie on, whatever they were scaled by."""

from __future__ import annotations

import numpy as np
import pytest

from poredepth import PatchError
from poredepth.patch.clean import find_terraces


def codes(n=120, levels=200):
    y, x = np.indices((n, n))
    return np.round(levels / 2 * (1 + np.sin(x / 23) * np.cos(y / 31))).astype(int)


@pytest.mark.parametrize("stored", [np.uint8, np.uint16, np.float32, np.float64])
@pytest.mark.parametrize(
    ("scale", "shift"), [(1, 0), (257, 0), (256, 128), (1 / 255, 0), (0.0007058, -0.09), (-3.3, 40)]
)
def test_step_of_scaled_codes(stored, scale, shift):
    values = codes() * scale + shift
    if np.dtype(stored).kind == "u" and (scale not in (1, 257, 256) or values.max() > np.iinfo(stored).max):
        values, scale = codes(), 1
    found = find_terraces(values.astype(stored))
    assert found.exact and found.step == pytest.approx(abs(scale), rel=1e-5)
    assert found.n_levels == len(np.unique(codes())) and found.n_codes == np.ptp(codes()) + 1
    assert found.rms == pytest.approx(abs(scale) * 0.288675, rel=1e-5)  # 1 / sqrt(12)
    at = (values.astype(stored) - found.offset) / found.step
    assert np.abs(at - np.round(at)).max() < 0.02


def test_gaps_in_the_codes():
    """Codes 0, 2, 5, 7, 9 ... : no two are one apart, the step is 1 all the same."""
    some = np.array([0, 2, 5, 7, 10, 12, 15, 18, 20, 23])
    values = (some[np.random.default_rng(1).integers(0, 10, (50, 50))] * 0.25 + 1).astype(np.float32)
    found = find_terraces(values)
    assert found.step == pytest.approx(0.25, rel=1e-5) and (found.n_levels, found.n_codes) == (10, 24)


def test_plateaus_are_counted():
    values = np.repeat(np.arange(40), 10)[None, :] * np.ones((30, 1))
    assert find_terraces(values).plateau_ratio == pytest.approx((360 * 30 + 400 * 29) / (399 * 30 + 400 * 29))


def test_no_terraces():
    rng = np.random.default_rng(2)
    smooth = rng.normal(size=(200, 200))
    assert find_terraces(smooth) is None and find_terraces(smooth.astype(np.float32)) is None
    assert find_terraces(np.round(smooth * 8000).astype(np.int32)) is None  # 16 bits
    assert find_terraces(np.round(smooth * 300).astype(np.float32)) is None  # 11 bits, next to no neighbours equal
    assert find_terraces((smooth > 0).astype(np.uint8)) is None and find_terraces(np.zeros((9, 9))) is None
    off = codes().astype(float)
    off[60, 60] += 0.4137  # on no comb with the others but a far finer one
    assert find_terraces(off) is None


def test_a_step_that_is_known_need_not_be_met():
    resized = codes().astype(float).reshape(60, 2, 60, 2).mean(axis=(1, 3)) + 0.1 * np.arange(60)
    found = find_terraces(resized, 1.0)
    assert found.step == 1.0 and not found.exact


def test_refused():
    with pytest.raises(PatchError, match="NaN or infinite"):
        find_terraces(np.full((9, 9), np.nan))
    with pytest.raises(PatchError, match="code_step"):
        find_terraces(codes(), 0.0)
    with pytest.raises(PatchError, match="shape"):
        find_terraces(np.zeros(9))
