"""The sampling pyramid of a patch: cubic B-spline coefficients of the relief, low-passed for ever larger texels.

Sampling a level is four by four multiplications with no border case: coefficients carry a margin of ``PAD`` texels on
each side, which covers every position inside the patch.  The sample at x_mm, y_mm (from the left and the top edge) is
at the index ``x_mm / texel_x_mm - 0.5 + pad`` of the padded array, and likewise in rows.

Low-pass: a level is for texels of some ratio to the first one's, filtered by a Gaussian of sigma half such a texel, so
that its transmission at f cycles per mm is ``exp(-2 pi^2 sigma^2 f^2)``: 0.29 at that texel's Nyquist frequency.  It is
kept on texels half that size or less, so that the spline between them loses nothing of what the filter lets through.
Ratios rise by 2, or by its root: between two levels a sampler mixes by variance, and the mix of two Gaussians is the
nearer to one the less they differ.

Source: B-spline interpolation by recursive filters, Unser, Aldroubi & Eden 1993 (IEEE Trans. Signal Processing 41:821);
the pyramid is our own derivation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.types import MIN_SIDE_PX, HeightPatch, check_positive, checked_heights

#: Two levels are mixed so that a wave of which the filter lets so much pass comes out right.  By variance alone, waves
#: that are filtered more come out too high; so the errors on both sides are alike (own derivation).
MATCHED_AT = 0.4

#: Margin in texels: positions reach half a texel beyond the outer centres, and the cubic kernel two texels further.
PAD = 2

#: Lines that are resampled at once, so that a large picture does not need its size many times over.
STRIP_PX = 512


@dataclass(frozen=True, eq=False)
class Level:
    """One level of the pyramid.

    ``coefficients`` float32 (rows + 2 pad, cols + 2 pad), mm, read-only: cubic B-spline coefficients with their margin;
    ``rows``, ``cols`` the level's size without it; ``texel_x_mm``, ``texel_y_mm`` its texel, so that cols * texel_x_mm
    is the patch's width exactly; ``variance_px2`` that of its low pass, in texels of the first level; ``pad`` the
    margin in texels.
    """

    coefficients: np.ndarray
    rows: int
    cols: int
    texel_x_mm: float
    texel_y_mm: float
    variance_px2: float
    pad: int = PAD


def build_levels(
    patch_or_array: HeightPatch | np.ndarray,
    texel_mm: float | None = None,
    periodic: bool | None = None,
    max_levels: int = 8,
    per_octave: int = 1,
) -> list[Level]:
    """Build the sampling pyramid; level 0 is the relief itself.

    Parameters
    ----------
    patch_or_array : HeightPatch, or heights (rows, cols), mm
    texel_mm : float, mm; may be left out for a HeightPatch
    periodic : whether the relief continues over its borders; may be left out for a HeightPatch
    max_levels : int, octaves of the pyramid, the first level one of them; it also stops before a side gets shorter than
        4 texels
    per_octave : 1 or 2, levels to each doubling of the texel; 2 for periodic relief only

    Returns
    -------
    list of Level, finest first; with one to an octave, level k >= 1 is for texels of 2**k and has
        ceil(side / 2**(k - 1)) texels a side over the same extent; with two, one for root 2 times as large texels comes
        before each of these

    Raises
    ------
    PatchError : heights or texel_mm that HeightPatch would refuse

    Notes
    -----
    Periodic relief is filtered and resampled in the frequency domain, exactly up to the new grid's Nyquist frequency.
    Other relief goes from level to level: a Gaussian that brings the total sigma to that level's (the borders held),
    then a cubic resampling at the new texel centres.
    """
    if isinstance(patch_or_array, HeightPatch):
        heights = patch_or_array.height_mm
        texel_mm = patch_or_array.texel_mm if texel_mm is None else texel_mm
        periodic = patch_or_array.periodic if periodic is None else periodic
    else:
        heights = checked_heights("levels", patch_or_array)
    check_positive("levels", "texel_mm", texel_mm)
    extent_mm = (heights.shape[0] * texel_mm, heights.shape[1] * texel_mm)
    sizes = level_sizes(heights.shape, max_levels)
    if not periodic:
        if per_octave != 1:
            raise PatchError("levels: per_octave is 2 for relief that does not tile; allowed is 1")
        variances = [0.0] + [0.25 * 4.0**k for k in range(1, len(sizes))]
        reliefs = _bounded_reliefs(heights, float(texel_mm), sizes)
    else:
        sizes, variances = _periodic_plan(sizes, per_octave)
        reliefs = _periodic_reliefs(heights, float(texel_mm), sizes, variances)
    return [_level(one, extent_mm, bool(periodic), found) for one, found in zip(reliefs, variances, strict=True)]


def filter_variance_px2(ratio: float) -> float:
    """Variance of the filter for texels ``ratio`` times the picture's own, in its texels squared.

    A Gaussian of sigma half a texel, for texels of twice the picture's and more; none for texels no larger than those.
    """
    if ratio <= 1.0:
        return 0.0
    return 0.25 * ratio * ratio if ratio >= 2.0 else (ratio * ratio - 1.0) / 3.0


def mixing(fine_px2: float, coarse_px2: float) -> tuple[float, float]:
    """How levels of two variances are mixed: a, b of share = t + t (1 - t) (a + b (1 - 2 t)), t in 0..1 by variance.

    Exact at half and at a quarter of the way, for a wave of which ``MATCHED_AT`` passes.
    """

    def excess(t: float) -> float:
        passed = [MATCHED_AT ** (s / (fine_px2 + t * (coarse_px2 - fine_px2))) for s in (fine_px2, coarse_px2)]
        return ((passed[0] - MATCHED_AT) / (passed[0] - passed[1]) - t) / (t * (1 - t))

    a = excess(0.5)
    return a, 2 * (excess(0.25) - a)


def _periodic_plan(octaves: list[tuple[int, int]], per_octave: int) -> tuple[list[tuple[int, int]], list[float]]:
    """Sizes and variances (texels of the first level, squared) of the levels."""
    sizes, variances = [octaves[0]], [0.0]
    for k in range(1, len(octaves)):
        if per_octave == 2:
            # kept as finely as the octave before it; the first is half-way to the first filter there is
            sizes.append(octaves[k - 1])
            variances.append(0.25 * 4.0 ** (k - 0.5) if k > 1 else 0.4)
        sizes.append(octaves[k])
        variances.append(0.25 * 4.0**k)
    return sizes, variances


def level_sizes(shape: tuple[int, int], max_levels: int) -> list[tuple[int, int]]:
    """(rows, cols) of each level, finest first."""
    sizes = [shape]
    for k in range(1, max_levels):
        size = tuple(math.ceil(side / 2 ** (k - 1)) for side in shape)
        if min(size) < MIN_SIDE_PX:
            break
        sizes.append(size)
    return sizes


def _level(relief: np.ndarray, extent_mm: tuple[float, float], periodic: bool, variance_px2: float) -> Level:
    """Turn sampled relief into padded spline coefficients."""
    rows, cols = relief.shape
    mode = "grid-wrap" if periodic else "mirror"
    coefficients = ndimage.spline_filter1d(relief, order=3, axis=0, output=np.float32, mode=mode)
    ndimage.spline_filter1d(coefficients, order=3, axis=1, output=coefficients, mode=mode)
    # numpy's "reflect" is scipy's "mirror": the edge texel is not repeated, so the spline still interpolates at it
    padded = np.ascontiguousarray(np.pad(coefficients, PAD, mode="wrap" if periodic else "reflect"))
    padded.setflags(write=False)
    return Level(padded, rows, cols, extent_mm[1] / cols, extent_mm[0] / rows, variance_px2)


def _periodic_reliefs(heights: np.ndarray, texel_mm: float, sizes: list[tuple[int, int]], variances: list[float]):
    """Yield the relief of each level, filtered and resampled from level 0 over its exact period."""
    yield heights
    for size, variance_px2 in zip(sizes[1:], variances[1:], strict=True):
        sigma_mm = math.sqrt(variance_px2) * texel_mm
        relief = heights.astype(np.float64)
        for axis in (0, 1):
            relief = _resample_periodic(relief, axis, size[axis], texel_mm, sigma_mm)
        yield relief


def _resample_periodic(relief: np.ndarray, axis: int, count: int, texel_mm: float, sigma_mm: float) -> np.ndarray:
    """Low-pass one axis and sample it at ``count`` new texel centres over the same period."""
    old_count = relief.shape[axis]
    frequency_per_mm = scipy.fft.rfftfreq(old_count, texel_mm)[: count // 2 + 1]
    # texel i is centred at (i + 0.5) texels: the first centre of the larger grid lies further inside
    shift_mm = 0.5 * (old_count / count - 1.0) * texel_mm
    transfer = np.exp(-2.0 * (np.pi * sigma_mm * frequency_per_mm) ** 2 + 2j * np.pi * frequency_per_mm * shift_mm)
    shape = [1, 1]
    shape[axis] = -1
    spectrum = scipy.fft.rfft(relief, axis=axis)
    kept = spectrum[: transfer.size] if axis == 0 else spectrum[:, : transfer.size]
    return scipy.fft.irfft(kept * transfer.reshape(shape), n=count, axis=axis) * (count / old_count)


def _bounded_reliefs(heights: np.ndarray, texel_mm: float, sizes: list[tuple[int, int]]):
    """Yield the relief of each level of a picture with edges, each made from the one before."""
    yield heights
    relief = heights
    for k, size in enumerate(sizes[1:], start=1):
        sigma_mm = 0.5 * texel_mm * 2**k
        done_mm = 0.5 * texel_mm * 2 ** (k - 1) if k > 1 else 0.0
        step_mm = math.sqrt(sigma_mm**2 - done_mm**2)  # variances of successive Gaussians add
        texels_mm = [extent_px * texel_mm / now for extent_px, now in zip(heights.shape, relief.shape, strict=True)]
        relief = ndimage.gaussian_filter(relief, [step_mm / texel for texel in texels_mm], mode="nearest", truncate=6.0)
        relief = _resample_bounded(_resample_bounded(relief, 0, size[0]), 1, size[1])
        yield relief


def _resample_bounded(relief: np.ndarray, axis: int, count: int) -> np.ndarray:
    """Sample one axis at ``count`` new texel centres, in strips: the spline works in double precision."""
    if count == relief.shape[axis]:
        return relief
    lines = np.moveaxis(relief, axis, 0)
    out = np.empty((count, lines.shape[1]), np.float32)
    for first in range(0, lines.shape[1], STRIP_PX):
        strip = slice(first, first + STRIP_PX)
        zoom = (count / len(lines), 1.0)
        out[:, strip] = ndimage.zoom(lines[:, strip], zoom, order=3, mode="nearest", grid_mode=True)
    return np.moveaxis(out, 0, axis)
