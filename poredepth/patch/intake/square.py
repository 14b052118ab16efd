"""Square pixels out of oblong ones, without loss of detail."""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.interpolate import BSpline

from poredepth.errors import PatchError
from poredepth.patch.types import check_positive

#: Sides that differ by less are taken as equal: over a patch of 1000 pixels that is one pixel.  Own choice.
SQUARE_WITHIN_RATIO = 1e-3
#: Degree of the spline: of a wave of 4 pixels a quintic one loses less than 0.5 %, a cubic one 1.5 %.
_DEGREE = 5
#: Lines that are worked on at once.
_STRIP_PX = 64


def resample_square(height: np.ndarray, pixel_mm: tuple[float, float]) -> tuple[np.ndarray, float]:
    """Resample heights to square pixels of the smaller side.

    Parameters
    ----------
    height : float (rows, cols), in any unit; NaN where there is no data
    pixel_mm : (x, y), mm, width and height of a pixel

    Returns
    -------
    height : float32 (rows, cols), centred in the same extent, within a quarter of a pixel at each end; NaN where the
        nearest pixel before was NaN.  As given (then of its own type), if the sides differ by less than 0.1 %
    texel_mm : float, mm, the side of a pixel now: the smaller side, or the mean of the two where nothing was resampled

    Raises
    ------
    PatchError : a pixel size that is not above 0, heights that are no (rows, cols) of at least 4 x 4

    Notes
    -----
    A quintic B-spline (Unser, Aldroubi & Eden 1993, IEEE Trans. Signal Processing 41:821), mirrored at the borders;
    gaps are filled along the line from both sides before.  It overshoots beside jumps: clip an inside to 0..1.
    """
    x_mm, y_mm = pixel_mm
    check_positive("square pixels", "pixel_mm[0]", x_mm)
    check_positive("square pixels", "pixel_mm[1]", y_mm)
    if height.ndim != 2 or min(height.shape) < 4:
        raise PatchError(f"square pixels: heights have shape {height.shape}; allowed is (rows, cols), at least 4 x 4")
    if are_square(pixel_mm):
        return height, 0.5 * (x_mm + y_mm)
    texel_mm = float(min(x_mm, y_mm))
    axis = 0 if y_mm > x_mm else 1
    step_px = texel_mm / max(x_mm, y_mm)
    # centred: what is left over, or missing, is less than half a pixel and shared by both ends
    count = max(1, round(height.shape[axis] / step_px))
    at_px = 0.5 * (height.shape[axis] - 1) + (np.arange(count) - 0.5 * (count - 1)) * step_px
    across = height if axis == 0 else height.T
    out = np.empty((count, across.shape[1]) if axis == 0 else (across.shape[1], count), np.float32)
    view = out if axis == 0 else out.T
    for left in range(0, across.shape[1], _STRIP_PX):
        part = slice(left, left + _STRIP_PX)
        view[:, part] = _sampled(np.array(across[:, part], np.float32, order="C"), at_px)
    return out, texel_mm


def are_square(pixel_mm: tuple[float, float]) -> bool:
    """Whether the sides of a pixel are equal, within 0.1 %."""
    return abs(pixel_mm[0] / pixel_mm[1] - 1) < SQUARE_WITHIN_RATIO


def _sampled(lines: np.ndarray, at_px: np.ndarray) -> np.ndarray:
    """Values at positions along axis 0, pixel i at i."""
    missing = np.isnan(lines)
    if missing.any():
        _fill_along(lines, missing)
    coefficients = ndimage.spline_filter1d(lines, _DEGREE, axis=0, output=np.float32, mode="mirror")
    last = len(lines) - 1
    low = np.floor(at_px).astype(int)
    kernel = BSpline.basis_element(np.arange(_DEGREE + 2) - 0.5 * (_DEGREE + 1), extrapolate=False)
    out = np.zeros((len(at_px), lines.shape[1]), np.float32)
    for tap in range(-2, 4):
        weight = np.nan_to_num(kernel(at_px - (low + tap))).astype(np.float32)
        # mirrored about the outer pixels, as the coefficients are
        index = last - np.abs(last - np.abs(low + tap) % (2 * last))
        out += weight[:, None] * coefficients[index]
    out[missing[np.clip(np.rint(at_px).astype(int), 0, last)]] = np.nan
    return out


def _fill_along(lines: np.ndarray, missing: np.ndarray) -> None:
    """Fill gaps along axis 0 with the nearer of their two ends, in place; columns without data with 0."""
    count = len(lines)
    row = np.arange(count)[:, None]
    before = np.maximum.accumulate(np.where(missing, -1, row), axis=0)
    after = np.minimum.accumulate(np.where(missing, count, row)[::-1], axis=0)[::-1]
    is_before = (before >= 0) & ((after == count) | (row - before <= after - row))
    nearest = np.where(is_before, before, np.minimum(after, count - 1))
    lines[:] = np.take_along_axis(np.where(missing, np.float32(0), lines), nearest, axis=0)
