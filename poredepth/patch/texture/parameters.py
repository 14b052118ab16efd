"""Areal texture parameters of ISO 25178-2 of a piece of relief."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.texture.autocorrelation import autocorrelation
from poredepth.patch.texture.checks import checked_relief, mean_mm, over_strips
from poredepth.patch.texture.direction import LEAST_STRENGTH, lay_of
from poredepth.patch.texture.lobe import central_lobe
from poredepth.patch.texture.slopes import slope_sums
from poredepth.patch.types import check_positive
from poredepth.units import UM_PER_MM


@dataclass(frozen=True)
class TextureParameters:
    """Parameters of ISO 25178-2, of relief about its mean; nothing but the mean is taken off.

    Attributes
    ----------
    sa_um, sq_um : mean absolute and root mean square height
    ssk, sku : skewness and kurtosis of heights; NaN without relief
    sp_um, sv_um, sz_um : highest above the mean, deepest below it, and their sum
    sdq : root mean square slope, mm per mm
    sdr : developed area over flat area, less 1; a ratio, not percent
    sal_mm : shortest shift at which the autocorrelation falls to 0.2; NaN where it does not
    str_ratio : sal_mm by the longest such shift, 0 (one direction) to 1 (alike in all); where the autocorrelation does
        not fall to 0.2 within half the size, the largest value it can have
    std_deg : the lay, degrees anticlockwise from +u, from 0 to below 180; NaN where slopes are nearly alike in all
        directions
    str_is_bound : True where str_ratio is the largest possible value, because relief runs through from side to side
    """

    sa_um: float
    sq_um: float
    ssk: float
    sku: float
    sp_um: float
    sv_um: float
    sz_um: float
    sdq: float
    sdr: float
    sal_mm: float
    str_ratio: float
    std_deg: float
    str_is_bound: bool = False


def texture_parameters(
    height_mm: np.ndarray, texel_mm: float, *, periodic: bool = False, inside: np.ndarray | None = None
) -> TextureParameters:
    """Measure relief by the areal parameters of ISO 25178-2.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, + is outward; may be NaN outside of ``inside``
    texel_mm : float, mm, side of one square texel
    periodic : True if the relief continues over its borders
    inside : bool or 0 to 1 (rows, cols), where the relief counts, from a half on; None: everywhere

    Returns
    -------
    TextureParameters

    Raises
    ------
    PatchError : heights that are no finite (rows, cols) of at least 4 x 4, a texel_mm that is not above 0, an inside of
        another size or without a texel that counts

    Notes
    -----
    Slopes are by the seven-point formula, round the borders or where all seven points are there.  See docs/texture.md.

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth.patch.texture import texture_parameters
    >>> wave = 0.05 * np.sin(2 * np.pi * np.arange(200) / 50)  # 50 um high, 0.5 mm long
    >>> found = texture_parameters(np.tile(wave, (100, 1)), texel_mm=0.01, periodic=True)
    >>> round(found.sq_um, 3), round(found.sku, 3), round(found.sdr, 5), round(found.sal_mm / 0.5, 5), found.std_deg
    (35.355, 1.5, 0.09238, 0.21795, 90.0)
    """
    check_positive("texture", "texel_mm", texel_mm)
    heights, counts = checked_relief("texture", height_mm, inside)
    amplitudes = _amplitudes(heights, counts)
    slopes = slope_sums(heights, texel_mm, periodic, counts)
    lobe = central_lobe(autocorrelation(heights, periodic, counts))
    lay_deg, strength = lay_of(heights, periodic, counts)
    return TextureParameters(
        **amplitudes,
        sdq=math.sqrt(slopes.mean_square),
        sdr=slopes.excess_ratio,
        sal_mm=lobe.shortest_px * texel_mm,
        str_ratio=lobe.str_ratio,
        std_deg=lay_deg if strength >= LEAST_STRENGTH else math.nan,
        str_is_bound=lobe.reaches_edge,
    )


def _amplitudes(heights: np.ndarray, inside: np.ndarray | None) -> dict[str, float]:
    """Sa to Sz, in double precision, a few rows at a time."""
    mean = mean_mm(heights, inside)

    def sums(part: slice) -> tuple[np.ndarray, float, float]:
        z = heights[part].astype(np.float64)
        z = (z.ravel() if inside is None else z[inside[part]]) - mean
        z2 = z * z
        powers = np.array([z.size, np.abs(z).sum(), z2.sum(), (z2 * z).sum(), (z2 * z2).sum()])
        return powers, float(z.min(initial=math.inf)), float(z.max(initial=-math.inf))

    powers, lows, highs = zip(*over_strips(sums, len(heights)), strict=True)
    count, absolute, *powers = sum(powers).tolist()
    low, high = min(lows), max(highs)
    if count == 0:
        raise PatchError("texture: inside is below 0.5 everywhere; allowed is one that holds some relief")
    second, third, fourth = (power / count for power in powers)
    sq = math.sqrt(second)
    if sq <= 4 * float(np.finfo(heights.dtype).eps) * abs(mean):  # rounding of the mean of an even surface
        return dict.fromkeys(("sa_um", "sq_um", "sp_um", "sv_um", "sz_um"), 0.0) | {"ssk": math.nan, "sku": math.nan}
    return {
        "sa_um": UM_PER_MM * absolute / count,
        "sq_um": UM_PER_MM * sq,
        "ssk": third / sq**3,
        "sku": fourth / sq**4,
        "sp_um": UM_PER_MM * high,
        "sv_um": -UM_PER_MM * low,
        "sz_um": UM_PER_MM * (high - low),
    }
