"""Relief split into bands of physical wavelength, by the areal Gaussian filter.

A band is the difference of two low passes, so the bands sum to the relief.  The filter is that of ISO 16610-61: a
Gaussian of standard deviation ``SIGMA_PER_CUTOFF`` times the cutoff, which passes a wave of length L by
2**-((cutoff / L)**2), half of it at L = cutoff.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from poredepth.errors import PatchError
from poredepth.patch.regression import Ellipse, local_planes
from poredepth.patch.types import HeightPatch, check_all_finite, check_finite_number, check_positive
from poredepth.recipe.rules import BANDS

#: Standard deviation of the Gaussian that passes half of a wave as long as the cutoff (ISO 16610-61), per cutoff.
SIGMA_PER_CUTOFF = math.sqrt(math.log(2) / 2) / math.pi

#: Lines that are transformed at once, so that a large picture does not need its size many times over.
_STRIP_PX = 256
#: Texels up to which the spectrum is kept in double precision.
_EXACT_TEXELS = 2**22


@dataclass(frozen=True)
class Cutoffs:
    """Where the bands part, mm of skin: coarse is longer than ``coarse_mm``, fine shorter than ``fine_mm``.

    Raises
    ------
    PatchError : a cutoff that is not a finite number above 0; ``fine_mm`` not below ``coarse_mm``
    """

    coarse_mm: float
    fine_mm: float

    def __post_init__(self):
        for key in ("coarse_mm", "fine_mm"):
            check_positive("bands", key, getattr(self, key), "; it is a wavelength on the skin in millimetres")
            object.__setattr__(self, key, float(getattr(self, key)))
        if not self.fine_mm < self.coarse_mm:
            raise PatchError(
                f"bands: fine_mm is {self.fine_mm:g} and coarse_mm {self.coarse_mm:g}; allowed is fine_mm below "
                "coarse_mm; are the two exchanged?"
            )

    def scaled(self, ratio: float) -> Cutoffs:
        """Both cutoffs times a ratio above 0; PatchError otherwise."""
        check_positive("bands", "ratio", ratio)
        return Cutoffs(self.coarse_mm * ratio, self.fine_mm * ratio)


def periodic_low_pass(
    height_mm: np.ndarray,
    texel_mm: float,
    cutoff_mm: float,
    *,
    along_ratio: float = 1.0,
    across_ratio: float = 1.0,
    lay_deg: float = 0.0,
) -> np.ndarray:
    """Low pass of relief that tiles, in its own period, exact at every wavelength it holds.

    Parameters
    ----------
    height_mm : float (rows, cols), mm
    texel_mm : float, mm
    cutoff_mm : float, mm on the skin, wavelength of which half is passed
    along_ratio, across_ratio : how far the relief will be drawn out along and across its lay when it is laid: the
        cutoff is cutoff_mm / along_ratio along the lay, in mm of the patch, and cutoff_mm / across_ratio across it
    lay_deg : float, degrees anticlockwise from +u

    Returns
    -------
    float32 (rows, cols), mm; its mean is that of the input

    Raises
    ------
    PatchError : heights that are no finite (rows, cols), numbers that are not finite or not above 0

    Notes
    -----
    The transfer of ISO 16610-61, applied in the frequency domain; the turned ellipse is our own derivation.
    """
    heights = _checked(height_mm)
    ellipse = _ellipse(texel_mm, cutoff_mm, along_ratio, across_ratio, lay_deg)
    rows, cols = heights.shape
    mean = heights.mean(dtype=np.float64)
    spectrum = np.empty((rows, cols // 2 + 1), np.complex128 if heights.size <= _EXACT_TEXELS else np.complex64)
    for top in range(0, rows, _STRIP_PX):
        part = slice(top, top + _STRIP_PX)
        spectrum[part] = scipy.fft.rfft(heights[part] - mean, axis=1)
    fx, fy = scipy.fft.rfftfreq(cols), scipy.fft.fftfreq(rows)
    for left in range(0, spectrum.shape[1], _STRIP_PX):
        part = slice(left, left + _STRIP_PX)
        along, across = ellipse.in_frame(fx[None, part], fy[:, None], inverse=False)
        lines = scipy.fft.fft(spectrum[:, part].astype(np.complex128), axis=0)
        lines *= np.exp(-2.0 * np.pi**2 * (along**2 + across**2))
        spectrum[:, part] = scipy.fft.ifft(lines, axis=0)
    out = np.empty(heights.shape, np.float32)
    for top in range(0, rows, _STRIP_PX):
        part = slice(top, top + _STRIP_PX)
        out[part] = scipy.fft.irfft(spectrum[part].astype(np.complex128), n=cols, axis=1) + mean
    return out


def bounded_low_pass(
    height_mm: np.ndarray,
    texel_mm: float,
    cutoff_mm: float,
    inside: np.ndarray | None = None,
    *,
    along_ratio: float = 1.0,
    across_ratio: float = 1.0,
    lay_deg: float = 0.0,
) -> np.ndarray:
    """Low pass of relief with a border: nothing is read from beyond it, and planes come back up to it.

    Parameters
    ----------
    height_mm, texel_mm, cutoff_mm, along_ratio, across_ratio, lay_deg : as in `periodic_low_pass`
    inside : bool or float (rows, cols), 0 to 1, how much each height counts; None: all do

    Returns
    -------
    float32 (rows, cols), mm; outside, the relief's surroundings drawn on, and far from them its plane

    Raises
    ------
    PatchError : as in `periodic_low_pass`; an inside of another size, not finite, or not from 0 to 1

    Notes
    -----
    Moments are kept at the border, in the sense of ISO 16610-28, to first order: see `poredepth.patch.regression`.
    Kernels are sampled at texels and end at 5 sigma.
    """
    heights = _checked(height_mm)
    ellipse = _ellipse(texel_mm, cutoff_mm, along_ratio, across_ratio, lay_deg)
    return local_planes(heights, _checked_inside(inside, heights.shape), ellipse)


def low_pass(patch: HeightPatch, cutoff_mm: float, *, along_ratio: float = 1.0, across_ratio: float = 1.0):
    """Low pass of a patch, float32 (rows, cols), mm, with its own lay: periodic or bounded, as the patch is."""
    ratios = {"along_ratio": along_ratio, "across_ratio": across_ratio, "lay_deg": patch.lay_deg}
    if patch.periodic:
        return periodic_low_pass(patch.height_mm, patch.texel_mm, cutoff_mm, **ratios)
    return bounded_low_pass(patch.height_mm, patch.texel_mm, cutoff_mm, patch.inside, **ratios)


def split_bands(
    patch: HeightPatch, cutoffs: Cutoffs, *, along_ratio: float = 1.0, across_ratio: float = 1.0
) -> dict[str, np.ndarray]:
    """Split a patch into its bands.

    Parameters
    ----------
    patch : HeightPatch
    cutoffs : Cutoffs, mm of skin
    along_ratio, across_ratio : how far the patch will be drawn out along and across its lay

    Returns
    -------
    dict: "coarse", "middle", "fine" -> float32 (rows, cols), mm.  They sum to ``patch.height_mm`` within
    2**-24 * (|middle| + |fine|): each of the two is a difference that was rounded once.  The mean is in "coarse".

    Raises
    ------
    PatchError : a ratio that is not a finite number above 0

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth import Cutoffs, HeightPatch, split_bands
    >>> wave = 0.01 * np.sin(2 * np.pi * (np.arange(200) + 0.5) / 50)  # 1 mm long
    >>> patch = HeightPatch("wave", np.tile(wave, (50, 1)), texel_mm=0.02)
    >>> {name: float(round(band.max() / 0.01, 3)) for name, band in split_bands(patch, Cutoffs(2.0, 1.0)).items()}
    {'coarse': 0.062, 'middle': 0.437, 'fine': 0.499}
    """
    ratios = {"along_ratio": along_ratio, "across_ratio": across_ratio}
    coarse = low_pass(patch, cutoffs.coarse_mm, **ratios)
    smooth = low_pass(patch, cutoffs.fine_mm, **ratios)
    fine = patch.height_mm - smooth
    smooth -= coarse
    return dict(zip(BANDS, (coarse, smooth, fine), strict=True))


def band_sq_mm(
    patch: HeightPatch, cutoffs: Cutoffs, *, along_ratio: float = 1.0, across_ratio: float = 1.0
) -> dict[str, float]:
    """Root mean square height of each band about its mean, mm (Sq of ISO 25178-2), by name; of the inside alone."""
    bands = split_bands(patch, cutoffs, along_ratio=along_ratio, across_ratio=across_ratio)
    return {name: _sq_mm(band, patch.inside) for name, band in bands.items()}


def _sq_mm(band: np.ndarray, inside: np.ndarray | None) -> float:
    if inside is None:
        return float(band.std(dtype=np.float64))
    if not inside.any():
        return 0.0
    # row by row: a large scan is not copied in double precision
    total = inside.sum(dtype=np.float64)
    mean = sum(float(np.dot(b.astype(float), w)) for b, w in zip(band, inside, strict=True)) / total
    square = sum(float(np.dot((b.astype(float) - mean) ** 2, w)) for b, w in zip(band, inside, strict=True)) / total
    return math.sqrt(square)


def _ellipse(texel_mm: float, cutoff_mm: float, along_ratio: float, across_ratio: float, lay_deg: float) -> Ellipse:
    for key, value in (
        ("texel_mm", texel_mm),
        ("cutoff_mm", cutoff_mm),
        ("along_ratio", along_ratio),
        ("across_ratio", across_ratio),
    ):
        check_positive("low pass", key, value)
    check_finite_number("low pass", "lay_deg", lay_deg)
    sigma_px = SIGMA_PER_CUTOFF * cutoff_mm / texel_mm
    return Ellipse(sigma_px / along_ratio, sigma_px / across_ratio, math.radians(lay_deg))


def _checked(height_mm) -> np.ndarray:
    """Heights as a (rows, cols) array of floats; not copied where they are one."""
    try:
        heights = np.asarray(height_mm)
        heights = heights if heights.dtype in (np.float32, np.float64) else heights.astype(np.float64)
    except (TypeError, ValueError) as error:
        raise PatchError(f"low pass: height_mm is no array of numbers ({error}); give a 2-D array in mm") from error
    if heights.ndim != 2 or heights.size == 0:
        raise PatchError(f"low pass: height_mm has shape {heights.shape}; allowed is (rows, cols), not empty")
    check_all_finite("low pass", heights)
    return heights


def _checked_inside(inside, shape: tuple[int, int]) -> np.ndarray | None:
    if inside is None:
        return None
    weight = np.asarray(inside)
    if weight.shape != shape or weight.dtype.kind not in "bfiu":
        raise PatchError(
            f"low pass: inside has shape {weight.shape} and type {weight.dtype}; allowed: numbers of the shape of "
            f"height_mm, {shape}"
        )
    if not (weight.min() >= 0 and weight.max() <= 1):
        raise PatchError(
            f"low pass: inside runs from {weight.min():g} to {weight.max():g}; allowed: 0 (outside) to 1 (inside)"
        )
    return weight
