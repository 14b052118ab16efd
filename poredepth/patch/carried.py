"""How much of a patch's relief texels of a given size carry: the share of its Sq that is left after their filter.

A texel reads a patch low-passed for its size (`patch/levels.py:filter_variance_px2`): a wave of f cycles per texel of
the patch keeps exp(-2 pi^2 v f^2) of its height, v the filter's variance.  By Parseval's theorem the share is
sqrt(sum P T^2 / sum P) with P the power spectrum and T that transmission.  It depends on |f| alone, so the spectrum is
kept in narrow rings, each with its mean f^2: one transform answers for all texels.

Patches that tile are transformed in their own period.  Others are first multiplied by a window that rises as sin^2 from
their border to their innermost pixel (a Hann window of the distance to the border), so that an inside of any outline
has no false edge; what lies in the middle counts most.

Own derivation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from poredepth.patch.border import INSIDE_FROM
from poredepth.patch.kernels import border_distance
from poredepth.patch.levels import filter_variance_px2, level_sizes
from poredepth.patch.types import HeightPatch, check_positive

#: Rings that the spectrum is kept in, from 0 to the highest frequency of a picture, sqrt(1/2) cycles a texel.
N_RINGS = 4096

#: Most levels of a patch's pyramid (`build_levels`).
MAX_LEVELS = 8

#: Lines that are transformed at once, so that a large picture does not need its size many times over.
STRIP_PX = 256


@dataclass(frozen=True, eq=False)
class HeightSpectrum:
    """Power of a patch's relief by frequency, whatever its direction.

    Attributes
    ----------
    power : float64 (n,), mm2 up to a common factor, of rings that hold any; without the mean
    frequency2 : float64 (n,), mean squared frequency of each ring by power, (cycles per texel of the patch)^2
    texel_mm : float, mm, of the patch
    last_level : number of the pyramid's coarsest level
    sq_mm : float, mm, root mean square height about the mean, of the inside alone and without the window
    """

    power: np.ndarray
    frequency2: np.ndarray
    texel_mm: float
    last_level: int
    sq_mm: float

    @classmethod
    def of(cls, patch: HeightPatch) -> HeightSpectrum:
        """The spectrum of a patch; of one that does not tile, under the window of its inside."""
        spectrum = _row_spectrum(patch)
        rows, cols = patch.height_mm.shape
        fx, fy = scipy.fft.rfftfreq(cols), scipy.fft.fftfreq(rows)
        twice = np.where((fx == 0) | (fx == 0.5), 1.0, 2.0)  # the half plane that a real picture leaves out
        power, moment = np.zeros((2, N_RINGS))
        for left in range(0, len(fx), STRIP_PX):
            part = slice(left, left + STRIP_PX)
            lines = scipy.fft.fft(spectrum[:, part], axis=0)
            here = ((lines.real**2 + lines.imag**2) * twice[part]).ravel().astype(np.float64)
            frequency2 = (fx[None, part] ** 2 + fy[:, None] ** 2).ravel()
            ring = np.minimum((np.sqrt(2.0 * frequency2) * N_RINGS).astype(np.int32), N_RINGS - 1)
            power += np.bincount(ring, here, N_RINGS)
            moment += np.bincount(ring, here * frequency2, N_RINGS)
        held = power > 0
        last_level = len(level_sizes((rows, cols), MAX_LEVELS)) - 1
        sq_mm = _sq_mm(patch.height_mm, patch.inside)
        return cls(power[held], moment[held] / power[held], patch.texel_mm, last_level, sq_mm)

    def carried_ratio(self, texel_mm: float, size: float = 1.0) -> float:
        """See `carried_ratio`."""
        check_positive(
            "carried detail", "texel_mm", texel_mm, "; it is the width of a texel on the skin in millimetres"
        )
        check_positive("carried detail", "size", size, "; 1 is true to the patch")
        ratio = texel_mm / (size * self.texel_mm)
        total = self.power.sum()
        if ratio <= 1.0 or total == 0.0:
            return 1.0
        variance_px2 = min(filter_variance_px2(ratio), filter_variance_px2(2.0**self.last_level))
        transmission = np.exp(-2.0 * np.pi**2 * variance_px2 * self.frequency2)
        return math.sqrt(float(self.power @ transmission**2) / total)


def carried_ratio(patch: HeightPatch, texel_mm: float, size: float = 1.0) -> float:
    """Share of a patch's Sq that a map carries.

    Parameters
    ----------
    patch : HeightPatch
    texel_mm : float, mm, side of the map's texel on the skin
    size : how many times as large as it is the patch is laid

    Returns
    -------
    float, 0 to 1: root mean square height about the mean (Sq of ISO 25178-2) after the texel's filter, over that of the
    patch.  A patch without relief has nothing to lose: 1

    Raises
    ------
    PatchError : a texel or size that is not a finite number above 0

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth import HeightPatch, carried_ratio
    >>> wave = 0.01 * np.sin(2 * np.pi * (np.arange(200) + 0.5) / 20)  # 0.4 mm long
    >>> patch = HeightPatch("wave", np.tile(wave, (50, 1)), texel_mm=0.02)
    >>> [round(carried_ratio(patch, texel_mm), 3) for texel_mm in (0.02, 0.04, 0.08, 0.16)]
    [1.0, 0.952, 0.821, 0.454]
    """
    return HeightSpectrum.of(patch).carried_ratio(texel_mm, size)


def _row_spectrum(patch: HeightPatch) -> np.ndarray:
    """Transform of the rows of the heights about their mean, complex64 (rows, cols // 2 + 1)."""
    heights = patch.height_mm
    rows, cols = heights.shape
    window = None if patch.periodic else _window(patch)
    mean = _mean(heights, window)
    out = np.empty((rows, cols // 2 + 1), np.complex64)
    for top in range(0, rows, STRIP_PX):
        part = slice(top, top + STRIP_PX)
        lines = heights[part].astype(np.float64) - mean
        out[part] = scipy.fft.rfft(lines if window is None else lines * window[part], axis=1)
    return out


def _mean(heights: np.ndarray, weight: np.ndarray | None) -> float:
    if weight is None:
        return float(heights.mean(dtype=np.float64))
    total = float(weight.sum(dtype=np.float64))
    return sum(float(np.dot(h.astype(float), w)) for h, w in zip(heights, weight, strict=True)) / max(total, 1e-30)


def _sq_mm(heights: np.ndarray, inside: np.ndarray | None) -> float:
    """Row by row: a large scan is not copied in double precision."""
    mean = _mean(heights, inside)
    weight = np.ones(heights.shape[1], np.float32)
    rows = zip(heights, (weight,) * len(heights) if inside is None else inside, strict=True)
    square = sum(float(np.dot((h.astype(float) - mean) ** 2, w)) for h, w in rows)
    total = float(heights.size if inside is None else inside.sum(dtype=np.float64))
    return math.sqrt(square / max(total, 1e-30))


def _window(patch: HeightPatch) -> np.ndarray:
    """sin^2 of the distance to the border, 1 where it is largest, float32 (rows, cols)."""
    inside = np.ones(patch.height_mm.shape, bool) if patch.inside is None else patch.inside >= INSIDE_FROM
    window = np.empty(inside.shape, np.float32)
    border_distance(inside, window)
    window *= np.float32(0.5 * np.pi / max(float(window.max()), 1.0))
    np.sin(window, out=window)
    window *= window
    return window
