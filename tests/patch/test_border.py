import numpy as np
import pytest
from scipy import ndimage

from poredepth.patch.border import BLOCK_PX, InsideBlocks, cutout, feather_weight, inside_pixels
from poredepth.patch.kernels import border_distance
from poredepth.patch.levels import build_levels
from poredepth.patch.types import HeightPatch


def _distance(inside):
    out = np.empty(inside.shape, np.float32)
    border_distance(inside, out)
    return out


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (7, 1), (40, 57), (64, 33)])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.98, 1.0])
def test_border_distance_is_the_exact_euclidean_one(shape, share):
    """Beside scipy's exact distance transform of the picture in a frame of outside, less half a pixel."""
    inside = np.random.default_rng(shape[0] * 100 + int(100 * share)).random(shape) < share
    want = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    assert _distance(inside) == pytest.approx(np.where(inside, want - 0.5, 0), abs=1e-5)


def test_feather_is_a_smoothstep_of_the_distance_from_a_disk():
    """Closed form: a disk of radius 60 pixels, feather 20; pixels make its border uneven by up to 0.7 of a pixel."""
    at = np.arange(200) + 0.5
    r = np.hypot(*np.meshgrid(at - 100, at - 100))
    weight = feather_weight(r < 60, None, 20.0)
    x = np.clip((60 - r) / 20, 0, 1)
    assert np.abs(weight - x * x * (3 - 2 * x)).max() < 1.5 * 0.7 / 20
    assert (weight[r >= 60] == 0).all() and (weight[r < 39] == 1).all()
    assert weight.dtype == np.float32


def test_without_feather_the_mask_is_taken_as_painted():
    painted = np.linspace(0, 1, 100, dtype=np.float32).reshape(10, 10)
    patch = HeightPatch("p", np.ones((10, 10)), 0.1, periodic=False, inside=painted)
    assert np.array_equal(feather_weight(inside_pixels(patch, 0.0), patch.inside, 0.0), painted)
    assert np.array_equal(inside_pixels(patch, 2.0), painted >= 0.5)
    soft = feather_weight(inside_pixels(patch, 2.0), patch.inside, 3.0)
    assert (soft <= painted).all() and (soft[painted < 0.5] == 0).all() and soft.max() > 0.5


def test_cutout_multiplies_shifts_and_has_a_margin():
    weight = np.zeros((100, 80), np.float32)
    weight[30:50, 10:60] = 0.5
    height = np.arange(8000, dtype=np.float32).reshape(100, 80)
    cut = cutout(height, weight)
    margin = 16
    assert cut.weight.shape == cut.height_mm.shape == (20 + 2 * margin, 50 + 2 * margin)
    assert np.array_equal(cut.height_mm[margin:-margin, margin:-margin], 0.5 * height[30:50, 10:60])
    edge = [cut.height_mm[:margin], cut.height_mm[-margin:], cut.height_mm[:, :margin], cut.height_mm[:, -margin:]]
    assert not any(part.any() for part in edge)
    # pixel (row 49, col 10) has its lower left corner at x 10, y 50 of the picture, and at the margin in the cut-out
    assert cut.shift_px + [10, 50] == pytest.approx([margin, margin])


@pytest.mark.parametrize("side", [40, 400, 3000])
def test_every_level_has_faded_to_nothing_at_the_edge_of_the_margin(side):
    cut = cutout(np.ones((side, side), np.float32), np.ones((side, side), np.float32))
    levels = build_levels(cut.height_mm, 0.02, False, cut.max_levels)
    assert len(levels) == cut.max_levels >= 4
    for level in levels:
        inner = level.coefficients[level.pad : -level.pad, level.pad : -level.pad]
        rim = np.concatenate([inner[0], inner[-1], inner[:, 0], inner[:, -1]])
        assert np.abs(rim).max() < 1e-3
        assert inner.max() > 0.9


def test_blocks_tell_what_a_rectangle_touches():
    """Beside a look at every pixel: what touches is told, and nothing farther than a block is."""
    rng = np.random.default_rng(3)
    inside = ndimage.gaussian_filter(rng.normal(size=(150, 210)), 8) > 0.03
    blocks = InsideBlocks.of(inside)
    low = rng.uniform(-60, 230, (400, 2))
    high = low + rng.uniform(0, 40, (400, 2))
    found = blocks.touch(low, high)
    for (x0, y0), (x1, y1), touched in zip(low, high, found, strict=True):

        def holds(reach, x0=x0, y0=y0, x1=x1, y1=y1):
            r0, c0 = max(int(np.floor(y0 - reach)), 0), max(int(np.floor(x0 - reach)), 0)
            r1, c1 = int(np.floor(y1 + reach)) + 1, int(np.floor(x1 + reach)) + 1
            return inside[r0 : max(r1, 0), c0 : max(c1, 0)].any()

        assert touched or not holds(0)
        assert not touched or holds(BLOCK_PX)
    assert 50 < found.sum() < 350
    assert len(blocks.centres_px()) == blocks.filled.sum()


def test_an_inside_is_checked():
    from poredepth.errors import PatchError

    for inside, periodic, message in (
        (np.ones((4, 5)), False, r"patch 'p': inside has shape \(4, 5\); allowed is that of height_mm, \(4, 4\)"),
        (np.full((4, 4), 2.0), False, "patch 'p': inside runs from 2 to 2; allowed: 0"),
        (np.full((4, 4), np.nan), False, "patch 'p': inside runs from nan to nan"),
        ([["a"]], False, "patch 'p': inside is no array of numbers"),
        (np.ones((4, 4)), True, "patch 'p': has an inside and is periodic"),
    ):
        with pytest.raises(PatchError, match=message):
            HeightPatch("p", np.zeros((4, 4)), 0.1, periodic=periodic, inside=inside)
