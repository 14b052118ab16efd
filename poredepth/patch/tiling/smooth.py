"""A picture parted in one that tiles and one that is smooth (Moisan 2011)."""

from __future__ import annotations

import numpy as np
import scipy.fft

from poredepth.patch.tiling.checks import checked_picture

#: Lines that are transformed at once.
_STRIP_PX = 256
#: Texels up to which all is done in double precision.
_EXACT_TEXELS = 2**22


def periodic_plus_smooth(height: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Part a picture in a periodic and a smooth one: height = p + s.

    Parameters
    ----------
    height : float (rows, cols), any unit

    Returns
    -------
    p, s : arrays of the same shape, float64 if the heights are, else float32.  p has nearly no jump over its borders,
        s has mean 0 and is smooth within.  They minimise `decomposition_energy`.

    Raises
    ------
    PatchError : heights that are no finite (rows, cols)

    Notes
    -----
    L. Moisan, Periodic plus smooth image decomposition, J. Math. Imaging Vision 39 (2011) 161-179, algorithm 1: the
    discrete Poisson equation (periodic) whose right side is the jumps over the borders.  They are lines, so their
    spectra are products and no spectrum of the picture is needed.  Large pictures are done in single precision.
    """
    heights = checked_picture("periodic plus smooth", height)
    rows, cols = heights.shape
    exact = heights.size <= _EXACT_TEXELS
    columns = _smooth_columns(heights, np.complex128 if exact else np.complex64)
    smooth = np.empty_like(heights)
    for top in range(0, rows, _STRIP_PX):
        part = slice(top, top + _STRIP_PX)
        smooth[part] = scipy.fft.irfft(np.ascontiguousarray(columns[:, part].T), n=cols, axis=1, workers=2)
    del columns
    return heights - smooth, smooth


def _smooth_columns(heights: np.ndarray, dtype: type) -> np.ndarray:
    """Spectra along rows of the smooth picture, transposed: complex (cols // 2 + 1, rows)."""
    rows, cols = heights.shape
    down, right = scipy.fft.fftfreq(rows), scipy.fft.rfftfreq(cols)
    over_right = scipy.fft.fft(heights[:, -1].astype(np.float64) - heights[:, 0])
    over_down = scipy.fft.rfft(heights[-1].astype(np.float64) - heights[0])
    step_down, step_right = 1 - np.exp(2j * np.pi * down), 1 - np.exp(2j * np.pi * right)
    # 2 cos(a) - 2 without the loss of digits at small a
    lap_down, lap_right = -4 * np.sin(np.pi * down) ** 2, -4 * np.sin(np.pi * right) ** 2
    out = np.empty((len(right), rows), dtype)
    for left in range(0, len(right), _STRIP_PX):
        part = slice(left, left + _STRIP_PX)
        spectrum = step_right[part, None] * over_right + over_down[part, None] * step_down
        laplacian = lap_right[part, None] + lap_down
        if left == 0:
            laplacian[0, 0], spectrum[0, 0] = 1.0, 0.0
        spectrum /= laplacian
        out[part] = scipy.fft.ifft(spectrum.astype(dtype, copy=False), axis=1, workers=2)
    return out


def decomposition_energy(p: np.ndarray, s: np.ndarray | float) -> float:
    """Energy that `periodic_plus_smooth` makes least: squared jumps of p over borders, squared steps of s inside.

    Parameters
    ----------
    p, s : float (rows, cols), or a number for the same everywhere

    Notes
    -----
    Moisan 2011, theorem 1.  Each pair of neighbours is counted from both sides, so twice.
    """
    p, s = np.broadcast_arrays(np.asarray(p, np.float64), np.asarray(s, np.float64))
    jumps = np.sum((p[:, 0] - p[:, -1]) ** 2) + np.sum((p[0] - p[-1]) ** 2)
    steps = np.sum(np.diff(s, axis=0) ** 2) + np.sum(np.diff(s, axis=1) ** 2)
    return float(2 * (jumps + steps))
