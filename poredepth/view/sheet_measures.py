"""What the sheet of a patch measures for its drawings: waves by length and by direction, heights by how often."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

from poredepth.patch.border import INSIDE_FROM
from poredepth.patch.rectangle import largest_full_rectangle
from poredepth.patch.texture import (
    TextureParameters,
    autocorrelation,
    texture_parameters,
)
from poredepth.patch.types import MIN_SIDE_PX, HeightPatch
from poredepth.units import UM_PER_MM

#: Waves are counted in this many steps an octave, and directions in steps of half a degree.
STEPS_PER_OCTAVE, N_DIRECTIONS = 96, 360
#: Directions are smoothed by this, degrees (standard deviation): own choice.
SMOOTH_DEG = 4.0
_STRIP_PX = 128
#: Relief of less than this share of the largest height is rounding: flat.
_FLAT = 4e-7


@dataclass(frozen=True, eq=False)
class Measured:
    """What the drawings need of a patch.

    Attributes
    ----------
    parameters, correlation : of all that is inside; None where the relief is flat
    waves : of ``part``; None where that is flat or too small
    part : rows and columns of the largest upright rectangle inside, all where the patch has no inside
    tilt_ratio : share of the square of Sq that the plane of least squares makes in ``part``
    """

    part: tuple[slice, slice]
    parameters: TextureParameters | None = None
    correlation: np.ndarray | None = None
    waves: Waves | None = None
    tilt_ratio: float = 0.0


def measured(patch: HeightPatch) -> Measured:
    """Measure a patch, as it is, for its sheet."""
    height, texel_mm, periodic = patch.height_mm, patch.texel_mm, patch.periodic
    inside = None if patch.inside is None else patch.inside >= INSIDE_FROM
    part = (slice(0, height.shape[0]), slice(0, height.shape[1])) if inside is None else largest_full_rectangle(inside)
    if is_flat(height if inside is None else height[inside]):
        return Measured(part)
    correlation = autocorrelation(height, periodic, inside)
    with ThreadPoolExecutor(1) as beside:
        waves = beside.submit(_waves_of_part, height[part], texel_mm, periodic)
        parameters = texture_parameters(height, texel_mm, periodic=periodic, inside=inside, correlation=correlation)
        return Measured(part, parameters, correlation, *waves.result())


def _waves_of_part(height_mm: np.ndarray, texel_mm: float, periodic: bool) -> tuple[Waves | None, float]:
    """Waves, and the share of a tilt; no waves of what is too small, or flat but for its tilt."""
    if min(height_mm.shape) < MIN_SIDE_PX or is_flat(height_mm):
        return None, 0.0
    tilt_ratio = 0.0 if periodic else _tilt_ratio(height_mm)
    rest = (1 - tilt_ratio) * np.var(height_mm, dtype=np.float64)
    # what rounding leaves of a plane is no relief
    if not periodic and rest <= (_FLAT * np.abs(height_mm).max()) ** 2:
        return None, tilt_ratio
    return measured_waves(height_mm, texel_mm, periodic), tilt_ratio


def is_flat(height_mm: np.ndarray) -> bool:
    """Whether heights (any shape) differ by no more than rounding; nothing is flat too."""
    if height_mm.size == 0:
        return True
    low, high = float(height_mm.min()), float(height_mm.max())
    return high - low <= _FLAT * max(-low, high)


@dataclass(frozen=True, eq=False)
class Waves:
    """The waves that make a relief.

    Attributes
    ----------
    length_mm : float64 (n,), rising, from two texels to the longer side of the patch
    sq_um : float64 (n,), root mean square height in the octave around each length, so that Sq of the whole is the root
        of the sum of squares an octave apart
    steepness_ratio : float64 (360,), root mean square slope across what runs at k / 2 degrees, anticlockwise from +u,
        over that of a relief that is alike in all directions
    """

    length_mm: np.ndarray
    sq_um: np.ndarray
    steepness_ratio: np.ndarray


def measured_waves(height_mm: np.ndarray, texel_mm: float, periodic: bool) -> Waves:
    """Waves of a relief, float32 (rows, cols), mm.

    Notes
    -----
    An octave is a Hann window over the logarithm of the length, two octaves wide from end to end: windows an octave
    apart sum to 1, and a single wave has its peak, which is its own Sq, at its own length.  Relief that does not tile
    is levelled and multiplied by Hann windows of mean square 1 (Welch 1967).  Waves steeper in number than one in two
    texels (the corners of the spectrum) do not count for directions.

    Source: own derivation.
    """
    rows, cols = height_mm.shape
    power, tilt, count = _binned(_spectrum(height_mm, periodic), (rows, cols))
    n = STEPS_PER_OCTAVE
    bell = np.cos(0.5 * np.pi * np.arange(-n, n + 1) / n) ** 2
    per_octave = np.convolve(power, bell, mode="same")
    # bin k is at 2**(-k / n) cycles per texel
    longest = int(np.floor(np.log2(max(rows, cols)) * n + 1e-9))
    k = np.arange(n, max(longest, n + 1) + 1)
    tilt, count = (
        ndimage.gaussian_filter1d(sums, SMOOTH_DEG * N_DIRECTIONS / 180, mode="wrap", truncate=8)
        for sums in (tilt, count)
    )
    # a mean, not a sum: patches with a short side have more waves in some directions than in others
    smooth = np.divide(tilt, count, out=np.zeros(N_DIRECTIONS), where=count > 1e-9 * count.max())
    mean = smooth.mean()
    return Waves(
        texel_mm * 2.0 ** (k / n),
        UM_PER_MM * np.sqrt(np.maximum(per_octave[k], 0)),
        np.sqrt(np.maximum(smooth, 0) / mean) if mean > 0 else np.zeros(N_DIRECTIONS),
    )


def _spectrum(height_mm: np.ndarray, periodic: bool) -> np.ndarray:
    """Transform of a relief, complex64 (rows, cols // 2 + 1), over the number of texels."""
    if periodic:
        windowed = height_mm - np.float32(height_mm.mean(dtype=np.float64))
    else:
        windowed = levelled(height_mm)
        for axis, side in enumerate(windowed.shape):
            hann = np.sin(np.pi * (np.arange(side) + 0.5) / side) ** 2
            hann = (hann / np.sqrt((hann**2).mean())).astype(np.float32)
            windowed *= np.expand_dims(hann, 1 - axis)
    return scipy.fft.rfft2(windowed, norm="forward", overwrite_x=True, workers=2)


def levelled(height_mm: np.ndarray) -> np.ndarray:
    """The relief less its plane of least squares, float32 (rows, cols)."""
    by_row, by_col, mean = _plane(height_mm)
    return height_mm - (by_row + mean)[:, None].astype(np.float32) - by_col.astype(np.float32)


def _plane(height_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """The plane of least squares as what it adds to each row and each column, and the mean."""
    sums = []
    for axis, side in enumerate(height_mm.shape):
        at = np.arange(side) - 0.5 * (side - 1)
        mean = height_mm.mean(axis=1 - axis, dtype=np.float64)
        sums.append((at @ mean) / (at @ at) * at)
    return sums[0], sums[1], float(height_mm.mean(dtype=np.float64))


def _tilt_ratio(height_mm: np.ndarray) -> float:
    """Share of the square of Sq that the plane makes."""
    by_row, by_col, _ = _plane(height_mm)
    return float(((by_row**2).mean() + (by_col**2).mean()) / np.var(height_mm, dtype=np.float64))


def _binned(spectrum: np.ndarray, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Power by length, float64 (n_lengths,), square of slope and number of waves by direction, (360,); sums over waves.

    Strips are summed in order, so that two threads change no bit.
    """
    n_lengths = STEPS_PER_OCTAVE * (int(np.log2(max(shape))) + 3)
    fx, fy = scipy.fft.rfftfreq(shape[1]), scipy.fft.fftfreq(shape[0])
    twice = np.full(len(fx), 2.0, np.float32)
    twice[0] = 1
    if shape[1] % 2 == 0:
        twice[-1] = 1

    def strip(top: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        part = spectrum[top : top + _STRIP_PX]
        power = (part.real**2 + part.imag**2) * twice
        x, y = fx[None].astype(np.float32), -fy[top : top + _STRIP_PX, None].astype(np.float32)
        square = x * x + y * y
        if top == 0:
            power[0, 0], square[0, 0] = 0, 1
        by_length = _summed(np.float32(-0.5 * STEPS_PER_OCTAVE) * np.log2(square), power, n_lengths)
        # a wave rises across the way it runs
        runs = np.float32(N_DIRECTIONS / np.pi) * np.arctan2(y, x) + np.float32(N_DIRECTIONS / 2)
        counts = np.broadcast_to(twice, power.shape) * (square <= np.float32(0.25 * (1 + 1e-5)))
        if top == 0:
            counts[0, 0] = 0
        tilt, count = (_summed(runs, amount, N_DIRECTIONS + 1) for amount in (power * square * (counts > 0), counts))
        for sums in (tilt, count):
            sums[0] += sums[N_DIRECTIONS]
        return by_length, tilt[:N_DIRECTIONS], count[:N_DIRECTIONS]

    with ThreadPoolExecutor(2) as pool:
        parts = list(pool.map(strip, range(0, shape[0], _STRIP_PX)))
    return tuple(np.sum([part[k] for part in parts], axis=0) for k in (0, 1, 2))


def _summed(at: np.ndarray, amount: np.ndarray, n: int) -> np.ndarray:
    """Amounts summed into bins 0 to n - 1, each into the one nearest to its place; float64 (n,)."""
    return np.bincount(np.rint(at).astype(np.int32).ravel(), amount.ravel(), minlength=n)[:n]


def height_counts(patch: HeightPatch, low_um: float, high_um: float, n: int) -> np.ndarray:
    """How many texels inside lie in each of n equal steps of height above the mean, int64 (n,); those beyond are left
    out."""
    inside = None if patch.inside is None else patch.inside >= INSIDE_FROM
    height = patch.height_mm
    mean_mm = float(height.mean(dtype=np.float64) if inside is None else height[inside].mean(dtype=np.float64))
    count = np.zeros(n + 2, np.int64)
    for top in range(0, height.shape[0], _STRIP_PX):
        part = slice(top, top + _STRIP_PX)
        values = height[part] if inside is None else height[part][inside[part]]
        at = (UM_PER_MM * (values - np.float32(mean_mm)) - np.float32(low_um)) * np.float32(n / (high_um - low_um))
        # one bin below, one above; the ends belong to the first and the last step, to rounding
        at = np.where((at < 0) & (at > -1e-3), 0, np.where((at >= n) & (at < n + 1e-3), n - 1, at))
        count += np.bincount(np.clip(np.floor(at) + 1, 0, n + 1).astype(np.int32).ravel(), minlength=n + 2)
    return count[1:-1]
