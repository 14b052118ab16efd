import math

import numpy as np
import pytest
from tiling_pieces import demo_patch

from poredepth.errors import PatchError
from poredepth.patch.tiling import blotch_ratio, tile_border
from poredepth.patch.tiling.measure import MOST_BLOTCH_RATIO, MOST_BORDER_RATIO

#: Low waves of the demo patches, as docs/tiling.md states them.
DEMO_BLOTCH = {
    "cheek_pores": 0.055,
    "nose_pores": 0.058,
    "chin_pores": 0.094,
    "forehead_lines": 0.107,
    "wrinkles": 0.260,
    "grain": 0.000,
}


def test_a_ramp_jumps_as_often_as_it_has_steps():
    """Closed form: step g inside, (n - 1) g over the border."""
    border = tile_border(np.add.outer(2.0 * np.arange(30), np.arange(50)))
    assert border.jump_ratio == pytest.approx((29, 49))
    assert border.worst_ratio > 1000  # there are no kinks inside


@pytest.mark.parametrize("over", [0.0, 0.25, 0.5])
def test_a_grating_by_how_far_its_period_is_off(over):
    """Closed form: sin of phase step d = 2 pi / L; over the border the phase steps by d + 2 pi over."""
    period, count = 20, 10
    step = 2 * math.pi / period
    cols = period * count + round(over * period)
    h = np.sin(step * (np.arange(cols) + 0.5) + 0.3) * np.ones((5, 1))
    # rms step inside over whole periods: 2 sin(d / 2) / sqrt 2
    inside = math.sqrt(np.mean(np.diff(h[0]) ** 2))
    assert inside == pytest.approx(2 * math.sin(step / 2) / math.sqrt(2), rel=0.05)
    jump = abs(h[0, 0] - h[0, -1]) / inside
    border = tile_border(h)
    assert border.jump_ratio == pytest.approx((1.0, jump), rel=1e-9)
    assert border.continues == (over == 0)


def test_kinks_are_seen_where_heights_meet():
    """Closed form: a rectified sine meets itself with a kink of twice its slope, and has none as large inside."""
    n = 100
    h = np.sin(np.pi * (np.arange(n) + 0.5) / n) * np.ones((6, 1))
    border = tile_border(h)
    assert border.jump_ratio[1] < 1e-4  # heights of 1 are told apart to 1e-6
    slope = math.pi / n
    assert border.gradient_ratio[1] == pytest.approx(slope / (slope**2 / math.sqrt(2)), rel=0.02)
    assert not border.continues


def test_white_noise_tiles_and_a_level_picture_does():
    h = np.random.default_rng(4).normal(size=(300, 500))
    border = tile_border(h)
    assert (*border.jump_ratio, *border.gradient_ratio) == pytest.approx([1, 1, 1, 1], abs=0.1)
    assert border.continues
    for level in (np.zeros((9, 6)), np.full((9, 6), 7.0)):
        assert tile_border(level).worst_ratio == 1.0 and tile_border(level).continues
        assert blotch_ratio(level, 0.1) == 0.0


@pytest.mark.parametrize("name", DEMO_BLOTCH)
def test_patches_that_tile_continue_and_pieces_of_them_do_not(name):
    """Made periodic by synthesis, rolled at random: an outside truth for the bound of the structure ratio."""
    patch = demo_patch(name)
    rng = np.random.default_rng(7)
    for _ in range(5):
        rolled = np.roll(patch.height_mm, tuple(rng.integers(0, 500, 2)), axis=(0, 1))
        assert tile_border(rolled).continues
    piece = tile_border(patch.height_mm[:401, :380])
    print(f"{name}: a piece has jumps of {piece.jump_ratio}, kinks of {piece.gradient_ratio}")
    assert not piece.continues and piece.worst_ratio > MOST_BORDER_RATIO
    blotch = blotch_ratio(patch.height_mm, patch.texel_mm)
    assert blotch == pytest.approx(DEMO_BLOTCH[name], abs=6e-4)
    # creases of up to 22 mm on a tile of 30 mm; the others have a third of the bound at most
    assert (1.3 if name == "wrinkles" else 3) * blotch <= MOST_BLOTCH_RATIO


def test_blotch_ratio_of_waves_and_of_noise():
    """Closed form: sqrt of the power of waves below 3 per side; for noise beside the whole transform."""
    y, x = np.mgrid[:60, :90]
    low, high = np.cos(2 * np.pi * (2 * x / 90 + 2 * y / 60)), np.sin(2 * np.pi * 3 * y / 60)
    assert blotch_ratio(3 * low + 4 * high + 100, 0.1) == pytest.approx(3 / 5, rel=1e-9)
    h = np.random.default_rng(1).normal(size=(70, 50))
    power = np.abs(np.fft.fft2(h - h.mean())) ** 2
    k = np.fft.fftfreq(70, 1 / 70)[:, None], np.fft.fftfreq(50, 1 / 50)[None, :]
    want = math.sqrt(power[k[0] ** 2 + k[1] ** 2 < 8.5].sum() / power.sum())
    assert blotch_ratio(h, 0.1) == pytest.approx(want, rel=1e-9)
    assert blotch_ratio(h.astype(np.float32), 0.1) == pytest.approx(want, rel=1e-5)


def test_what_is_no_tile_is_refused():
    with pytest.raises(PatchError, match=r"tile border: height_mm has shape \(2, 2\)"):
        tile_border(np.zeros((2, 2)))
    with pytest.raises(PatchError, match="blotch ratio: texel_mm is -1"):
        blotch_ratio(np.zeros((5, 5)), -1)
