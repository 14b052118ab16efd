"""Oblong pixels made square."""

import numpy as np
import pytest

from poredepth.errors import PatchError
from poredepth.patch.intake import resample_square

#: (x, y) mm; the ratios are no simple fractions.
OBLONG = [(0.0083, 0.01), (0.01, 0.0083), (0.005, 0.0127), (0.0193, 0.02)]


def centres_mm(count, side_mm, extent_mm):
    """Centres of pixels that are centred in an extent."""
    return 0.5 * extent_mm + (np.arange(count) - 0.5 * (count - 1)) * side_mm


@pytest.mark.parametrize("pixel_mm", OBLONG)
@pytest.mark.parametrize(("wave_px", "within"), [(4, 0.01), (6, 1e-3), (8, 1e-4), (40, 1e-4)])
def test_a_wave_keeps_its_length_place_and_height(pixel_mm, wave_px, within):
    """A sine along the longer side of the pixels, of wave_px of them; 1 % at 4 pixels a wave."""
    longer = 1 if pixel_mm[1] > pixel_mm[0] else 0  # axis of (x, y)
    side_mm, texel_mm = pixel_mm[longer], min(pixel_mm)
    count = 240
    extent_mm = count * side_mm
    wave_per_mm = 1 / (wave_px * side_mm)

    def wave(at_mm):
        return np.sin(2 * np.pi * wave_per_mm * at_mm + 0.3)

    line = wave(centres_mm(count, side_mm, extent_mm)).astype(np.float32)
    height = np.tile(line[:, None], (1, 9)) if longer == 1 else np.tile(line, (9, 1))
    out, got_mm = resample_square(height, pixel_mm)
    assert got_mm == texel_mm and out.dtype == np.float32
    lines = out if longer == 1 else out.T
    assert lines.shape[1] == 9
    assert abs(len(lines) * texel_mm - extent_mm) <= 0.5 * texel_mm * (1 + 1e-9)
    expected = wave(centres_mm(len(lines), texel_mm, extent_mm))
    inner = slice(30, -30)
    assert np.abs(lines[inner] - expected[inner, None]).max() < within
    assert np.ptp(lines, axis=1).max() < 1e-6


def test_detail_across_is_untouched():
    """Along the shorter side nothing is resampled: noise, the finest detail there is, stays."""
    noise = np.random.default_rng(0).standard_normal(50).astype(np.float32)
    out, _ = resample_square(np.tile(noise, (30, 1)), (0.01, 0.013))
    assert out == pytest.approx(np.tile(noise, (len(out), 1)), abs=3e-6)


def test_sides_within_a_thousandth_are_left_alone():
    height = np.random.default_rng(0).random((20, 30))
    out, texel_mm = resample_square(height, (0.0100, 0.010009))
    assert out is height and texel_mm == pytest.approx(0.0100045)
    assert resample_square(height, (0.0100, 0.01002))[0].shape == (20, 30)
    assert resample_square(height, (0.0100, 0.01002))[1] == 0.01


def test_a_plane_stays_one():
    plane = np.add.outer(0.3 * np.arange(60), 0.1 * np.arange(50)).astype(np.float32)
    out, _ = resample_square(plane, (0.01, 0.012))
    inner = out[12:-12]
    assert np.diff(inner, axis=0) == pytest.approx(0.25, abs=1e-4)  # 0.3 a row of 12 um: 0.25 of 10 um
    assert np.diff(inner, axis=1) == pytest.approx(0.1, abs=1e-5)


@pytest.mark.parametrize("pixel_mm", OBLONG[:2])
def test_gaps_stay_gaps_and_do_not_spread(pixel_mm):
    rng = np.random.default_rng(1)
    whole = np.cumsum(np.cumsum(rng.standard_normal((90, 80)), axis=0), axis=1).astype(np.float32)
    gappy = whole.copy()
    gappy[20:30, 40:55] = np.nan
    gappy[:, 3] = np.nan
    gappy[0, :] = np.nan
    out, _ = resample_square(gappy, pixel_mm)
    full, _ = resample_square(whole, pixel_mm)
    missing = np.isnan(out)
    assert missing.mean() == pytest.approx(np.isnan(gappy).mean(), abs=0.01)
    # further than a few pixels from any gap, nothing changes
    from scipy import ndimage

    far = ndimage.distance_transform_edt(~missing) > 12
    assert far.sum() > 2000
    assert np.abs(out - full)[far].max() < 1e-3 * np.ptp(whole)
    assert np.isnan(resample_square(np.full((5, 5), np.nan), (1, 2))[0]).all()


@pytest.mark.parametrize(
    ("height", "pixel_mm", "told"),
    [
        (np.zeros((5, 5)), (0.0, 1.0), r"pixel_mm\[0\] is 0.0"),
        (np.zeros((5, 5)), (1.0, -1.0), r"pixel_mm\[1\] is -1.0"),
        (np.zeros((5, 3)), (1.0, 2.0), r"shape \(5, 3\)"),
        (np.zeros(5), (1.0, 2.0), r"shape \(5,\)"),
    ],
)
def test_what_is_refused(height, pixel_mm, told):
    with pytest.raises(PatchError, match=told):
        resample_square(height, pixel_mm)
