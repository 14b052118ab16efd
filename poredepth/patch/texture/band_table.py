"""How much relief there is at each size of detail: Sq in bands of wavelength."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.bands import bounded_low_pass, periodic_low_pass
from poredepth.patch.texture.checks import checked_relief, mean_mm, strips
from poredepth.patch.types import HeightPatch, check_positive
from poredepth.units import UM_PER_MM

#: Shortest wavelength that is carried, texels.
_FINEST_PX = 2.0


@dataclass(frozen=True)
class BandRow:
    """Sq (um) of relief whose wavelengths are from ``low_mm`` to ``high_mm``; half of a wave passes at either end."""

    low_mm: float
    high_mm: float
    sq_um: float


def band_table(
    patch_or_heights: HeightPatch | np.ndarray,
    texel_mm: float | None = None,
    periodic: bool | None = None,
    edges_mm: list[float] | None = None,
    *,
    inside: np.ndarray | None = None,
) -> list[BandRow]:
    """Sq of relief in bands of wavelength, from the finest on.

    Parameters
    ----------
    patch_or_heights : HeightPatch, or float (rows, cols), mm
    texel_mm : mm; of heights it must be given, of a patch it is known
    periodic : True if the relief continues over its borders; likewise, False if not given
    edges_mm : wavelengths where bands part, mm, rising; None: octaves from the shorter side of the picture down, as
        long as they are two texels or more
    inside : bool or 0 to 1 (rows, cols), where heights count; of a patch it is known

    Returns
    -------
    list of BandRow, finest first.  A band is the difference of two areal Gaussian low passes (ISO 16610-61), so the
    bands' heights sum to the relief between the outer edges, but not their squares: neighbours overlap

    Raises
    ------
    PatchError : heights that are no finite (rows, cols), no texel_mm, edges that do not rise or are not above 0

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth.patch.texture import band_table
    >>> wave = 0.01 * np.sin(2 * np.pi * np.arange(256) / 32)  # 0.32 mm long
    >>> rows = band_table(np.tile(wave, (256, 1)), texel_mm=0.01, periodic=True)
    >>> [(row.low_mm, row.high_mm, round(row.sq_um, 2)) for row in rows][3:6]
    [(0.16, 0.32, 2.41), (0.32, 0.64, 3.09), (0.64, 1.28, 0.44)]
    """
    if isinstance(patch_or_heights, HeightPatch):
        patch = patch_or_heights
        heights, texel_mm, periodic, inside = patch.height_mm, patch.texel_mm, patch.periodic, patch.inside
    else:
        heights = patch_or_heights
    if texel_mm is None:
        raise PatchError("bands: texel_mm is not given; allowed is a number above 0, or a HeightPatch that knows it")
    check_positive("bands", "texel_mm", texel_mm)
    heights, counts = checked_relief("bands", heights, inside)
    edges = _octaves(heights.shape, texel_mm) if edges_mm is None else _checked_edges(edges_mm)

    def low_pass(cutoff_mm: float) -> np.ndarray:
        if periodic:
            return periodic_low_pass(heights, texel_mm, cutoff_mm)
        return bounded_low_pass(heights, texel_mm, cutoff_mm, counts)

    rows, finer = [], low_pass(edges[0])
    for low_mm, high_mm in zip(edges[:-1], edges[1:], strict=True):
        coarser = low_pass(high_mm)
        finer -= coarser
        rows.append(BandRow(low_mm, high_mm, UM_PER_MM * _sq(finer, counts)))
        finer = coarser
    return rows


def _octaves(shape, texel_mm: float) -> list[float]:
    """Halves of the shorter side, rising, of which the first is two texels or more."""
    side_mm = min(shape) * texel_mm
    n = int(math.log2(min(shape) / _FINEST_PX) + 1e-9)
    return [side_mm / 2**k for k in range(n, -1, -1)]


def _checked_edges(edges_mm) -> list[float]:
    edges = [float(edge) for edge in edges_mm]
    for edge in edges:
        check_positive("bands", "edges_mm", edge)
    if len(edges) < 2 or not all(low < high for low, high in zip(edges[:-1], edges[1:], strict=True)):
        raise PatchError(f"bands: edges_mm is {edges}; allowed are two wavelengths or more, each above the one before")
    return edges


def _sq(band: np.ndarray, inside: np.ndarray | None) -> float:
    mean, total, count = mean_mm(band, inside), 0.0, 0
    for part in strips(len(band)):
        values = band[part] if inside is None else band[part][inside[part]]
        total += float(((values.astype(np.float64) - mean) ** 2).sum())
        count += values.size
    return math.sqrt(total / count) if count else math.nan
