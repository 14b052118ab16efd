"""Heights that were rounded to steps, made smooth again within what the rounding left open.

The true height of a texel lies within half a step of the stored one, so nothing is moved by more.  Within that, two
estimates are made and mixed:

- by waves, for relief that changes by a step within a few texels: there the rounding is noise as of a camera, the same
  at all wavelengths, and is taken from each wavelength as far as the relief does not stand above it (Wiener's filter,
  by squares of 256 texels, each with its own spectrum);
- by bending, for relief that stays within a step over many texels: there the places of the steps say where it passes
  half-way heights, and the surface of least bending is laid between them.

Where the second bends by little against a step it is taken, else the first.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.fft
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.clean.bending import BENT, least_bending
from poredepth.patch.clean.kernels import blend, square_laplacian
from poredepth.patch.clean.rows import N_THREADS, on_rows
from poredepth.patch.clean.terraces import Terraces
from poredepth.patch.types import check_all_finite

#: Squares with a spectrum of their own, and how far one is from the next, texels.
_SQUARE_PX, _APART_PX = 256, 192
#: Variance of the rounding that is taken for noise, steps squared; 1 / 12 is that of even rounding.  The excess, own
#: choice, is for spectra that scatter about it.
_NOISE = 1.3 / 12.0
#: Spectra are smoothed over so many bins (standard deviation).
_BINS = 1.5

#: The laplacian is looked at in blocks of so many texels, over a Gaussian of so many blocks.
_BLOCK_PX, _AROUND_BLOCKS = 4, 1.5

OnProgress = Callable[[int, int], None]


def smooth_terraces(values: np.ndarray, terraces: Terraces, *, on_progress: OnProgress | None = None) -> np.ndarray:
    """Smooth heights that were rounded to steps, by no more than half a step anywhere.

    Parameters
    ----------
    values : float or int (rows, cols), finite, any unit
    terraces : of `find_terraces`; only its ``step`` is used
    on_progress : called with (done, total)

    Returns
    -------
    float32 (rows, cols); within step / 2 of ``values`` at each texel

    Raises
    ------
    PatchError : values that are not finite, or no (rows, cols) of at least 4 x 4

    Notes
    -----
    In units of steps, with the picture's plane taken off.  By waves: a cosine transform of each square, of 256 texels
    and 192 apart, mixed by hats; power S (smoothed over neighbouring bins) and noise N = 1.3 / 12 give the gain
    max(S - N, 0) / S.  By bending: see `poredepth.patch.clean.bending`.  Mixed by 1 / (1 + b / 0.003), b the mean
    square of the laplacian of the second over about 6 texels.

    What is left of the error, root mean square, by trial: of slow ramps 0.01 and less, of waves that take 2 to 40
    texels to a step 0.15 to 0.45, of the demo's cheek (8 bits over 0.18 mm) 0.75 at texels of 20 um and 0.32 at 7 um
    (a Wiener filter that knows the power of the true relief leaves 0.76 and 0.33 there).
    Relief that has no smooth part at all, as white noise, stays as it is.

    Source: Wiener 1949, Extrapolation, interpolation and smoothing of stationary time series; mixing is our own
    derivation.
    """
    values = np.ascontiguousarray(values, np.float32)
    if values.ndim != 2 or min(values.shape) < 4:
        raise PatchError(f"terraces: values have shape {values.shape}; allowed is (rows, cols), at least 4 x 4")
    check_all_finite("terraces", values)
    tell = on_progress or (lambda done, total: None)
    steps = _in_steps(values, terraces.step)
    by_waves = _by_waves(steps)
    tell(1, 3)
    by_bending = least_bending(steps)
    tell(2, 3)
    if by_bending is not None:
        _mix(by_waves, by_bending)
    del by_bending
    out = _within_half_a_step(values, steps, by_waves, terraces.step)
    tell(3, 3)
    return out


def _in_steps(values: np.ndarray, step: float) -> np.ndarray:
    """Heights in steps above the picture's plane, float32."""
    rows, cols = values.shape
    every = max(1, int(np.sqrt(values.size / 2**20)))
    part = values[::every, ::every].astype(float)
    y, x = (np.arange(n) * every - every * (n - 1) / 2 for n in part.shape)
    down = float((part.mean(axis=1) * y).sum() / (y**2).sum())
    right = float((part.mean(axis=0) * x).sum() / (x**2).sum())
    level = part.mean() - down * every * (part.shape[0] - 1) / 2 - right * every * (part.shape[1] - 1) / 2
    out = np.empty(values.shape, np.float32)
    along = level + right * np.arange(cols)
    for row in range(rows):
        out[row] = (values[row] - (along + down * row)) / step
    return out


def _by_waves(steps: np.ndarray) -> np.ndarray:
    """Wiener's filter of each square, float32."""
    out = np.zeros(steps.shape, np.float32)
    starts, weights = zip(*(_squares(side) for side in steps.shape), strict=True)
    size = [min(_SQUARE_PX, side) for side in steps.shape]

    def band(i: int) -> None:
        rows = slice(starts[0][i], starts[0][i] + size[0])
        for j, left in enumerate(starts[1]):
            cols = slice(left, left + size[1])
            out[rows, cols] += _denoised(steps[rows, cols]) * weights[0][i][:, None] * weights[1][j]

    # squares of one row of them overlap those of the next: even rows first, so that sums have one order
    for first in (0, 1):
        _map(band, range(first, len(starts[0]), 2))
    return out


def _map(function, items) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(N_THREADS) as pool:
        list(pool.map(function, items))


def _squares(side: int) -> tuple[list[int], list[np.ndarray]]:
    """Where squares start along one side, and hats that sum to 1, float32."""
    n = 1 if side <= _SQUARE_PX else 1 + -(-(side - _SQUARE_PX) // _APART_PX)
    starts = [round(k * (side - _SQUARE_PX) / max(n - 1, 1)) for k in range(n)]
    size = min(_SQUARE_PX, side)
    fade = _SQUARE_PX - _APART_PX
    hat = np.minimum(np.minimum(np.arange(size) + 0.5, size - np.arange(size) - 0.5) / fade, 1.0)
    total = np.zeros(side)
    for start in starts:
        total[start : start + size] += hat
    return starts, [(hat / total[start : start + size]).astype(np.float32) for start in starts]


def _denoised(square: np.ndarray) -> np.ndarray:
    level = np.float32(square.mean(dtype=np.float64))
    waves = scipy.fft.dctn(square - level, type=2, norm="ortho")
    power = ndimage.gaussian_filter(waves * waves, _BINS, truncate=2.5, mode="reflect")
    waves *= np.maximum(power - np.float32(_NOISE), 0) / np.maximum(power, np.float32(1e-12))
    return scipy.fft.idctn(waves, type=2, norm="ortho", overwrite_x=True) + level


def _mix(by_waves: np.ndarray, by_bending: np.ndarray) -> None:
    """Bring the first estimate to the second where that is bent by little, in place."""
    bent = np.empty(tuple(-(-side // _BLOCK_PX) for side in by_waves.shape), np.float32)
    on_rows(lambda a, b: square_laplacian(by_bending, _BLOCK_PX, bent, a, b), len(bent))
    bent = ndimage.gaussian_filter(bent, _AROUND_BLOCKS, mode="nearest")
    share = (1.0 / (1.0 + bent / np.float32(BENT))).astype(np.float32)
    on_rows(lambda a, b: blend(by_waves, by_bending, share, _BLOCK_PX, a, b), len(by_waves))


def _within_half_a_step(values: np.ndarray, steps: np.ndarray, smooth: np.ndarray, step: float) -> np.ndarray:
    """values + (smooth - steps) * step, moved by at most half a step after rounding to float32."""
    ulp = np.finfo(np.float32).eps * float(np.abs(values).max())
    most = np.float32(max(0.5 * step - ulp, 0.0))
    for row in range(len(values)):
        move = (smooth[row] - steps[row]) * np.float32(step)
        smooth[row] = values[row] + np.clip(move, -most, most)
    return smooth
