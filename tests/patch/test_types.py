import dataclasses
import math

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.types import HeightPatch, Provenance


def test_sizes_and_sq_of_a_sine():
    cols = 2 * np.pi * (np.arange(100) + 0.5) / 25
    patch = HeightPatch("sine", np.tile(0.01 * np.sin(cols) + 0.3, (40, 1)), 0.02)
    assert patch.width_mm == pytest.approx(2.0)
    assert patch.height_extent_mm == pytest.approx(0.8)
    # Sq of a sine is amplitude / sqrt(2) (closed form); the mean does not count
    assert patch.sq_mm == pytest.approx(0.01 / math.sqrt(2), rel=1e-5)


def test_heights_are_a_read_only_contiguous_float32_copy():
    given = np.arange(48, dtype=np.float64).reshape(6, 8).T
    patch = HeightPatch("ramp", given, 0.02)
    given[0, 0] = 99
    assert patch.height_mm.dtype == np.float32
    assert patch.height_mm.flags.c_contiguous
    assert patch.height_mm[0, 0] == 0
    with pytest.raises(ValueError, match="read-only"):
        patch.height_mm[0, 0] = 1
    with pytest.raises(dataclasses.FrozenInstanceError):
        patch.texel_mm = 1.0
    assert patch.provenance == Provenance(None, None, None, None, None)


@pytest.mark.parametrize(
    ("height", "texel", "message"),
    [
        (np.zeros((4, 4, 3)), 0.1, r"patch 'p': height_mm has 3 dimension\(s\), shape \(4, 4, 3\); allowed is"),
        (np.zeros((3, 9)), 0.1, r"patch 'p': height_mm has 3 x 9 texels \(rows x cols\); allowed is at least 4 x 4"),
        (np.zeros((4, 4)), 0.0, "patch 'p': texel_mm is 0.0; allowed is a number above 0"),
        (np.zeros((4, 4)), float("nan"), "patch 'p': texel_mm is nan; allowed is a finite number"),
        ([["a"]], 0.1, "patch 'p': height_mm is no array of numbers"),
    ],
)
def test_refusals(height, texel, message):
    with pytest.raises(PatchError, match=message):
        HeightPatch("p", height, texel)


def test_holes_are_counted_and_placed():
    height = np.zeros((5, 6))
    height[2, 4] = np.nan
    height[3, 1] = np.inf
    with pytest.raises(PatchError, match=r"2 value\(s\) are NaN or infinite, the first at row 2, col 4; allowed"):
        HeightPatch("p", height, 0.1)
