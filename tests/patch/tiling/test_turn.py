import math

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.tiling import turn_lay
from poredepth.patch.tiling.shear import moved_lines
from poredepth.patch.tiling.turn import inscribed_px


def _waves(shape, by_deg, seed=0, shortest_px=3.0, longest_px=8.0, count=60):
    """Sum of plane waves about the middle of a picture, turned anticlockwise; unit variance on average."""
    rng = np.random.default_rng(seed)
    x = np.arange(shape[1]) - (shape[1] - 1) / 2
    y = ((shape[0] - 1) / 2 - np.arange(shape[0]))[:, None]  # up
    total = np.zeros(shape)
    for angle, length, phase in rng.uniform((0, shortest_px, 0), (np.pi, longest_px, 2 * np.pi), (count, 3)):
        way = angle + math.radians(by_deg)
        total += np.cos(2 * np.pi / length * (x * math.cos(way) + y * math.sin(way)) + phase)
    return total * math.sqrt(2 / count)


@pytest.mark.parametrize("by_deg", [0.4, -7.0, 22.5, 44.9, -45.0, 61.0, 133.0, 268.0])
def test_fine_band_is_kept(by_deg):
    """Closed form: waves of 3 to 8 texels, turned, at the places of the texels.  Required: Sq within 2 %."""
    turned = turn_lay(_waves((240, 300), 0.0), 0.02, by_deg)
    want = _waves(turned.shape, by_deg)
    inner = (slice(8, -8), slice(8, -8))  # beside the corners of the source half a texel of mirror is read
    off = (turned - want)[inner]
    print(f"turn by {by_deg}: Sq ratio {turned.std() / want.std():.5f}, error {off.std():.5f} Sq")
    assert turned.std() == pytest.approx(want.std(), rel=0.002)
    assert off.std() < 0.005
    assert np.abs(off).max() < 0.05


def test_quarter_turns_are_exact_and_small_turns_are_left_out():
    h = np.random.default_rng(3).normal(size=(9, 12)).astype(np.float32)
    for by, quarters in ((0, 0), (90, 1), (-90, 3), (180, 2), (450, 1), (90.2, 1), (0.2, 0), (-180.1, 2)):
        assert np.array_equal(turn_lay(h, 0.1, by), np.rot90(h, quarters)), by
    # anticlockwise as seen: what was at the right end is now at the top
    assert np.array_equal(turn_lay(h, 0.1, 90)[0], h[:, -1])


def test_a_lay_is_turned_to_zero():
    lay = 33.0
    x, up = np.arange(200.0), -np.arange(160.0)[:, None]
    across = -x * math.sin(math.radians(lay)) + up * math.cos(math.radians(lay))
    h = turn_lay(np.sin(2 * np.pi * across / 9.0), 0.02, -lay)[8:-8, 8:-8]
    assert np.abs(np.diff(h, axis=1)).max() < 0.02
    assert h.std() == pytest.approx(math.sqrt(0.5), rel=0.02)


@pytest.mark.parametrize("shape", [(100, 100), (400, 100), (100, 140), (90, 1000)])
@pytest.mark.parametrize("by_deg", [1.0, 20.0, -33.0, 45.0])
def test_rectangle_is_the_largest(shape, by_deg):
    """Beside a search over all shapes of rectangles about the middle whose corners lie in the turned picture."""
    rows, cols = inscribed_px(shape, by_deg)
    sin, cos = abs(math.sin(math.radians(by_deg))), abs(math.cos(math.radians(by_deg)))

    def fits(high, wide, slack=1e-6):
        return (wide * cos + high * sin <= shape[1] + slack) and (wide * sin + high * cos <= shape[0] + slack)

    assert fits(rows, cols)
    best = max(
        w * min((shape[1] - w * cos) / sin, (shape[0] - w * sin) / cos)
        for w in np.linspace(1, min(shape[1] / cos, shape[0] / sin), 20001)
    )
    assert rows * cols <= best + 1e-6 and (rows + 1) * (cols + 1) >= best


def test_only_what_is_inside_is_kept():
    y, x = np.mgrid[:300, :260]
    inside = np.hypot(y - 150, x - 130) < 100
    h = np.where(inside, _waves((300, 260), 0.0, longest_px=30.0), 50.0)
    for by in (0.0, 30.0):
        turned = turn_lay(h, 0.02, by, inside=inside)
        # the largest rectangle in a disk is a square of side sqrt(2) r = 141; along the border some texels are lost
        assert turned.shape == pytest.approx((138, 138), abs=6)
        assert turned.shape[0] * turned.shape[1] > 132**2
        assert np.abs(turned).max() < 4  # outside is 50


def test_lines_move_by_the_sampling_theorem():
    """Closed form: waves of whole periods; and there and back again."""
    x = np.arange(240)
    phase = np.array([0.0, 0.3, 2.5, -100.7])
    lines = np.cos(2 * np.pi * x / 2.5) * np.ones((4, 1))
    moved = moved_lines(lines, phase, 240, periodic=True)
    assert np.abs(moved - np.cos(2 * np.pi * (x + phase[:, None]) / 2.5)).max() < 1e-12
    rough = np.random.default_rng(1).normal(size=(4, 240))
    rough = np.fft.irfft(np.fft.rfft(rough) * (np.arange(121) < 118), 240)
    back = moved_lines(moved_lines(rough, phase, 240, periodic=True), -phase, 240, periodic=True)
    assert np.abs(back - rough).max() < 0.03 and (back - rough).std() < 0.003
    assert np.array_equal(moved_lines(rough, np.array([-2.0, 0, 1, 2]), 240)[0, :4], rough[0, [1, 0, 0, 1]])


def test_what_cannot_be_turned_is_refused():
    for args, message in (
        ((np.zeros((5, 5)), 0.1, 40.0), r"turning the lay: a turn of 40 degrees leaves 3 x 3 of 5 x 5 texels"),
        ((np.zeros((5, 5)), 0.1, math.nan), "by_deg is nan"),
        ((np.zeros((5, 5)), 0.0, 1.0), "texel_mm is 0"),
        ((np.zeros((50, 50)), 0.1, 1.0, np.zeros((4, 4))), r"inside has shape \(4, 4\)"),
        ((np.zeros((50, 50)), 0.1, 1.0, np.zeros((50, 50))), "leaves 0 x 0"),
    ):
        with pytest.raises(PatchError, match=message):
            turn_lay(*args)
