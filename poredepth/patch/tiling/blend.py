"""Two margins laid over each other: where to cut, and how wide each band fades across the cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

from poredepth.patch.bands import SIGMA_PER_CUTOFF
from poredepth.patch.tiling.path import least_cost_path

#: Cutoffs between the bands, per width of the overlap, and the least of them, texels: own choice.
_CUTOFF_SHARES, _LEAST_CUTOFF_PX = (1 / 32, 1 / 8, 1 / 2), 4.0
#: A band fades over so many of its upper wavelength: own choice, see docs/tiling.md.
_FADE_PER_CUTOFF = 1.0
#: What a step of the cut costs whatever lies there, per mean cost: keeps it from wandering where all is alike.
_STEP_COST = 0.05


@dataclass(frozen=True, eq=False)
class Joined:
    """Margins that became one.

    ``height`` (rows, width), the right margin at its left end, the left margin at its right end; ``path`` int64
    (rows,), the column from which on the left margin leads
    """

    height: np.ndarray
    path: np.ndarray


def joined(left: np.ndarray, right: np.ndarray, closed: bool) -> Joined:
    """Lay the right margin over the left one.

    Parameters
    ----------
    left, right : float (rows, width), the first and the last columns of a picture
    closed : whether the rows meet again below the last

    Notes
    -----
    Cut along the path of least cost (Efros & Freeman 2001; cost after Kwatra et al. 2003); then each band of
    wavelengths fades across the cut over about as much as its wavelength (Burt & Adelson 1983), the coarse one over the
    whole overlap.  A mix of weights w and 1 - w is divided by sqrt(w^2 + (1 - w)^2 + 2 r w (1 - w)), r the correlation
    of the two where they mix, so that the relief does not flatten.
    """
    width, number = left.shape[1], left.dtype.type
    cutoffs = sorted({max(share * width, _LEAST_CUTOFF_PX) for share in _CUTOFF_SHARES})
    bands = list(zip(split(left, cutoffs, closed), split(right, cutoffs, closed), strict=True))
    fades = [min(_FADE_PER_CUTOFF * cutoff, width / 2) for cutoff in cutoffs]
    path = least_cost_path(cut_cost(left - bands[-1][0], right - bands[-1][1]), closed, margin=int(fades[-1] / 2))
    across = np.arange(width, dtype=left.dtype) + number(0.5)
    out = mixed(*bands.pop(), smoothstep(np.broadcast_to(across / width, left.shape)))
    for (one, other), fade in zip(bands, fades, strict=True):
        line = _eased(path, fade, closed).astype(left.dtype)
        out += mixed(one, other, smoothstep((across - line[:, None]) / number(fade) + number(0.5)))
    return Joined(out, path)


def split(strip: np.ndarray, cutoffs: list[float], closed: bool) -> list[np.ndarray]:
    """Bands of a strip, finest first, that sum to it; mirrored at its sides, and at its ends unless they meet."""
    forward, back = (scipy.fft.rfft, scipy.fft.irfft) if closed else (scipy.fft.dct, scipy.fft.idct)
    rows, cols = strip.shape
    down = scipy.fft.rfftfreq(rows) if closed else np.arange(rows) / (2 * rows)
    right = np.arange(cols) / (2 * cols)
    spectrum = scipy.fft.dct(strip, axis=1, workers=2)
    spectrum = forward(spectrum, axis=0, workers=2)
    bands, above = [], strip
    for cutoff in cutoffs:
        gain = -2 * (np.pi * SIGMA_PER_CUTOFF * cutoff) ** 2
        passed = spectrum * np.exp(gain * down**2)[:, None].astype(strip.dtype)
        passed *= np.exp(gain * right**2).astype(strip.dtype)
        low = scipy.fft.idct(back(passed, n=rows, axis=0, workers=2), axis=1, workers=2)
        bands.append(above - low)
        above = low
    return [*bands, above]


def mixed(one: np.ndarray, other: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """weight x one + (1 - weight) x other, with the contrast of both kept; their correlation is that where they mix."""
    rest = 1 - weight
    mix = weight * rest
    part = mix * one
    likeness = float(np.vdot(part, other))
    power = float(np.vdot(part, one)) * float(np.vdot(mix * other, other))
    likeness = likeness / np.sqrt(power) if power > 0 else 1.0
    # (w + 1 - w)^2 = 1, so w^2 + (1 - w)^2 + 2 r w (1 - w) = 1 - 2 (1 - r) w (1 - w)
    mix *= -2 * (1 - max(likeness, 0.0))
    mix += 1
    return (weight * one + rest * other) / np.sqrt(mix)


def smoothstep(x: np.ndarray) -> np.ndarray:
    """0 up to 0, 1 from 1 on, smooth between."""
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def cut_cost(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Cost of a cut before each texel, float (rows, width): differences of height and slope, where relief is quiet.

    ``one``, ``other`` : the margins without their coarse band, which fades over the whole overlap.
    """
    apart = one - other
    slope_apart, slope = _slope_power(apart), _slope_power(one) + _slope_power(other)
    cost = apart**2 / _level(apart**2) + slope_apart / _level(slope_apart)
    cost = ndimage.uniform_filter1d(cost, 2, axis=1, mode="nearest")
    slope = ndimage.uniform_filter(slope, 3, mode="nearest")
    cost /= slope / _level(slope) + 0.5
    return cost / _level(cost) + _STEP_COST


def _slope_power(heights: np.ndarray) -> np.ndarray:
    axes = [axis for axis in (0, 1) if heights.shape[axis] > 1]
    return sum(np.gradient(heights, axis=axis) ** 2 for axis in axes)


def _level(values: np.ndarray) -> float:
    """Mean to divide by, never 0."""
    return float(values.mean(dtype=np.float64)) or 1.0


def _eased(path: np.ndarray, fade: float, closed: bool) -> np.ndarray:
    """The path, its turns as round as the band that fades across it is wide."""
    return ndimage.gaussian_filter1d(path.astype(np.float64), fade / 4, mode="wrap" if closed else "nearest")
