"""Autocorrelation of relief: how alike it is to itself, shifted."""

from __future__ import annotations

import numpy as np
import scipy.fft

from poredepth.patch.texture.checks import checked_relief, mean_mm, strips

#: Texels up to which spectra are kept in double precision.
_EXACT_TEXELS = 2**22
#: Columns transformed together.
_STRIP_PX = 256
#: Share of the relief that must lie over itself at a shift, or nothing is said of it.
_LEAST_OVERLAP = 1 / 16


def autocorrelation(height_mm: np.ndarray, periodic: bool, inside: np.ndarray | None = None) -> np.ndarray:
    """Autocorrelation of relief about its mean, 1 where it is not shifted.

    Parameters
    ----------
    height_mm : float (rows, cols), mm
    periodic : True: the relief continues over its borders, and so it is shifted round; False: what has no partner
        after a shift is left out, and the mean is over what has one (the unbiased estimate)
    inside : bool or 0 to 1 (rows, cols), where the relief counts; None: everywhere

    Returns
    -------
    float64, above 4 million texels float32, (rows, cols): at [rows // 2 + r, cols // 2 + c] for a shift of r rows and c
    columns, so up to half the size.  All NaN for relief without height.  Shifts at which less than 1/16 of the inside
    lies over itself are 0: nothing is known of them

    Raises
    ------
    PatchError : heights that are no finite (rows, cols) of at least 4 x 4

    Notes
    -----
    ISO 25178-2, f_ACF, by the theorem of Wiener and Khinchin.  Shifts without a partner are filled up with zeros.

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth.patch.texture import autocorrelation
    >>> wave = np.tile(np.sin(2 * np.pi * np.arange(64) / 16), (32, 1))
    >>> autocorrelation(wave, periodic=True)[16, 32:41:4].round(6).tolist()
    [1.0, 0.0, -1.0]
    """
    heights, counts = checked_relief("autocorrelation", height_mm, inside)
    mean = mean_mm(heights, counts)
    kind = np.float64 if heights.size <= _EXACT_TEXELS else np.float32
    flat = np.float64(np.finfo(heights.dtype).eps) * abs(mean)
    pads = not periodic
    if counts is None:
        half = _lag_products(heights, None, mean, pads, kind)
        overlap = _overlap(heights.shape, kind) if pads else np.float64(heights.size)
    else:
        half = _lag_products(heights, counts, mean, pads, kind)
        overlap = _lag_products(counts.astype(np.float32), None, 0.0, pads, kind)
        half[overlap < _LEAST_OVERLAP * counts.sum()] = 0
        overlap = np.maximum(overlap, 1.0)
    half /= overlap
    unshifted = half[0, heights.shape[1] // 2]
    if not unshifted > flat**2:
        return np.full(heights.shape, np.nan, kind)
    half /= unshifted
    return _whole(half, heights.shape)


def _overlap(shape, kind) -> np.ndarray:
    """How many texels have a partner, for shifts as `_lag_products` returns them."""
    rows, cols = shape
    down = rows - np.arange(rows // 2 + 1)
    right = cols - np.abs(_lags(cols))
    return (down[:, None] * right[None, :]).astype(kind)


def _lags(n: int) -> np.ndarray:
    """Shifts up to half the size to either side; of an even size, one more than the answer has."""
    return np.arange(-(n // 2), n // 2 + 1)


def _lag_products(heights, counts, mean, pads: bool, kind) -> np.ndarray:
    """Sums of products of the relief with itself, shifted down by 0 to rows // 2 and right by `_lags`."""
    rows, cols = heights.shape
    # zeros as far as shifts go keep both ends apart
    n_rows = scipy.fft.next_fast_len(rows + rows // 2, real=False) if pads else rows
    n_cols = scipy.fft.next_fast_len(cols + cols // 2, real=True) if pads else cols
    n_down = rows // 2 + 1
    spectrum = np.empty((rows, n_cols // 2 + 1), np.result_type(kind, np.complex64))
    for part in strips(rows):
        values = heights[part].astype(np.float64) - mean
        if counts is not None:
            values *= counts[part]
        spectrum[part] = scipy.fft.rfft(values.astype(kind), n=n_cols, axis=1, workers=2)
    for left in range(0, spectrum.shape[1], _STRIP_PX):
        part = slice(left, left + _STRIP_PX)
        lines = scipy.fft.fft(spectrum[:, part], n=n_rows, axis=0, workers=2)
        power = lines.real**2 + lines.imag**2
        spectrum[:n_down, part] = scipy.fft.ifft(power, axis=0, workers=2)[:n_down]
    back = _lags(cols) % n_cols
    out = np.empty((n_down, len(back)), kind)
    for part in strips(n_down):
        out[part] = scipy.fft.irfft(spectrum[:n_down][part], n=n_cols, axis=1, workers=2)[:, back]
    return out


def _whole(half: np.ndarray, shape) -> np.ndarray:
    """The other half: a shift and its opposite give the same."""
    rows, cols = shape
    middle = rows // 2
    out = np.empty(shape, half.dtype)
    out[middle:] = half[: rows - middle, :cols]
    out[:middle] = half[middle:0:-1, ::-1][:, :cols]
    return out
