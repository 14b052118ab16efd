"""Pits of relief, such as pores: how many there are, how wide and how deep."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from poredepth.patch.texture.checks import checked_relief, mean_mm
from poredepth.patch.texture.pit_form import half_ratio
from poredepth.patch.texture.pit_kernels import deep_basins
from poredepth.patch.texture.pit_rays import NO_PITS, PitShapes, first_radius, looked_at
from poredepth.patch.types import check_positive
from poredepth.units import UM_PER_MM

#: Least depth and least diameter at half depth of what is called a pit, by default.
LEAST_DEPTH_UM, LEAST_DIAMETER_UM = 20.0, 80.0

#: Height to be filled before a basin runs over, share of the least depth: less is called part of another basin.
_LEAST_FILL_RATIO = 0.3
#: Standard deviation of the Gaussian that lowest points are looked for under, share of the least diameter.
_SMOOTH_RATIO = 0.12
#: Texels across the least diameter that are enough to find pits by; a finer picture is put together for that.
_TEXELS_ACROSS = 4
#: Size of blocks the level of the skin is first guessed in, and the share of them that lies lower.
_BLOCK_MM, _BLOCK_QUANTILE = 1.5, 0.65
#: Widest pit that is looked for, radius at half depth, mm.
_MOST_RADIUS_MM = 1.0
#: How far the outline near the floor may be from an ellipse (standard deviation of its logarithm): furrows that meet
#: make stars, mostly of 0.3 and more.  Crossings of lines whose depths add up are less uneven, but pointed: how much
#: narrower they are at 3/4 of the depth (by the radius at half) than a Gaussian is added.
_MOST_UNEVEN = 0.2
_GAUSSIAN_STEEP = math.sqrt(math.log(4 / 3) / math.log(2))


@dataclass(frozen=True, eq=False)
class PitStatistics:
    """Pits that were found.

    Attributes
    ----------
    count : number of pits
    density_per_cm2 : pits per square centimetre
    median_diameter_um : of the openings, at the level of the skin around
    median_diameter_half_um : at half depth
    median_depth_um : below the skin around
    coverage_ratio : share of the skin inside openings
    center_mm : float64 (n, 2), mm, from the left and from the top of the picture
    opening_um, diameter_half_um, depth_um : float64 (n,), of each pit; diameters are those of circles of the same area

    Medians are NaN where there is no pit.
    """

    count: int
    density_per_cm2: float
    median_diameter_um: float
    median_diameter_half_um: float
    median_depth_um: float
    coverage_ratio: float
    center_mm: np.ndarray
    opening_um: np.ndarray
    diameter_half_um: np.ndarray
    depth_um: np.ndarray


def pit_statistics(
    height_mm: np.ndarray,
    texel_mm: float,
    *,
    periodic: bool = True,
    least_depth_um: float = LEAST_DEPTH_UM,
    least_diameter_um: float = LEAST_DIAMETER_UM,
) -> PitStatistics:
    """Find the pits of relief and measure them.

    Parameters
    ----------
    height_mm : float (rows, cols), mm
    texel_mm : float, mm
    periodic : True if the relief continues over its borders.  If not, pits count whose middle is farther from the
        border than the largest pit's radius, and densities are those of that part of the picture
    least_depth_um : um, pits that are less deep below the skin around do not count
    least_diameter_um : um, nor those less wide at half depth

    Returns
    -------
    PitStatistics

    Raises
    ------
    PatchError : heights that are no finite (rows, cols) of at least 4 x 4, numbers that are not above 0

    Notes
    -----
    Basins are pruned by the height to be filled before they run over (ISO 25178-2: Wolf pruning), then looked at along
    rays; junctions of furrows are told from pits by their star-shaped outlines.  See docs/texture.md.

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth.patch.texture import pit_statistics
    >>> y, x = (np.indices((100, 100)) + 0.5) * 0.02 - 1.0  # mm, a tile of 2 x 2 mm
    >>> pit = -0.05 * np.maximum(1 - (x**2 + y**2) / 0.15**2, 0)  # one pit, 300 um wide, 50 um deep
    >>> found = pit_statistics(pit, texel_mm=0.02)
    >>> found.count, found.density_per_cm2, round(found.median_diameter_um, -1), round(found.median_depth_um)
    (1, 25.0, 300.0, 50)
    """
    for key, value in (
        ("texel_mm", texel_mm),
        ("least_depth_um", least_depth_um),
        ("least_diameter_um", least_diameter_um),
    ):
        check_positive("pits", key, value)
    heights, _ = checked_relief("pits", height_mm)
    heights = (heights - mean_mm(heights, None)).astype(np.float32)
    least_depth, least_radius = least_depth_um / UM_PER_MM, 0.5 * least_diameter_um / UM_PER_MM / texel_mm
    found = _found(heights, texel_mm, periodic, least_depth, least_radius)
    return _statistics(found, heights.shape, texel_mm, periodic)


def _found(heights, texel_mm: float, periodic: bool, least_depth: float, least_radius: float) -> PitShapes:
    """Shapes of what is deep, wide and round enough."""
    most_px = min(_MOST_RADIUS_MM / texel_mm, 0.25 * min(heights.shape))
    if least_radius > most_px:
        return NO_PITS
    middle, radius = _candidates(heights, texel_mm, periodic, least_depth, least_radius, most_px)
    if len(middle) == 0:
        return NO_PITS
    spline = _spline(heights, periodic)
    shapes = looked_at(spline, periodic, middle, radius, most_px, turns=1)
    # a first look leaves out what is far from a pit
    likely = (shapes.depth > 0.6 * least_depth) & (shapes.radius > 0.6 * least_radius)
    shapes = shapes[likely & (shapes.uneven < 2 * _MOST_UNEVEN)]
    if len(shapes.radius) == 0:
        return NO_PITS
    shapes = looked_at(spline, periodic, shapes.middle, shapes.radius, most_px, turns=3)
    pointed = np.maximum(_GAUSSIAN_STEEP - shapes.steep, 0.0)
    is_pit = (shapes.depth >= least_depth) & (shapes.radius >= least_radius)
    is_pit &= shapes.uneven + pointed <= _MOST_UNEVEN
    return _once(shapes[is_pit], heights.shape if periodic else None)


def _candidates(heights, texel_mm, periodic, least_depth, least_radius, most_px) -> tuple[np.ndarray, np.ndarray]:
    """First middles (n, 2) and radii at half depth (n,) of deep basins, texels."""
    together = max(1, int(2 * least_radius / _TEXELS_ACROSS))
    together = together if min(heights.shape) >= 8 * together else 1
    rows, cols = (n // together * together for n in heights.shape)
    if together > 1:
        small = heights[:rows, :cols].reshape(rows // together, together, cols // together, together)
        small = small.mean(axis=(1, 3), dtype=np.float32)
    else:
        small = heights
    smooth = ndimage.gaussian_filter(
        small, _SMOOTH_RATIO * 2 * least_radius / together, mode="wrap" if periodic else "nearest"
    )
    skin = _block_levels(smooth, texel_mm * together)
    least = np.float32(_LEAST_FILL_RATIO * least_depth)
    flooded = np.flatnonzero((smooth < skin - least).ravel())
    flooded = flooded[np.argsort(smooth.ravel()[flooded], kind="stable")]
    parent = np.full(smooth.size, -1, np.int32)
    lowest, prominence = np.empty(smooth.size // 4 + 1, np.int64), np.empty(smooth.size // 4 + 1, np.float32)
    n = deep_basins(smooth, flooded, periodic, least, parent, lowest, prominence) if len(flooded) else 0
    lowest = lowest[:n]
    if n == 0:
        return np.empty((0, 2)), np.empty(0)
    middle = np.stack(np.unravel_index(lowest, smooth.shape), axis=1).astype(np.float64)
    bottom = smooth.ravel()[lowest].astype(np.float64)
    level = 0.5 * (bottom + skin.ravel()[lowest])
    radius = first_radius(_spline(smooth, periodic), periodic, middle, level, most_px / together)
    return (middle + 0.5) * together - 0.5, radius * together


def _spline(heights, periodic: bool) -> np.ndarray:
    """Coefficients of a cubic spline through the heights, as `read_rays` takes them."""
    return ndimage.spline_filter(heights, order=3, mode="grid-wrap" if periodic else "mirror", output=np.float32)


def _block_levels(height, texel_mm: float) -> np.ndarray:
    """A guess of the level of the skin at every texel: a quantile of the block it lies in."""
    # no more blocks than texels, however wide these are
    counts = [min(n, max(1, round(n * texel_mm / _BLOCK_MM))) for n in height.shape]
    ends = [np.linspace(0, n, count + 1).astype(int) for n, count in zip(height.shape, counts, strict=True)]
    out = np.empty_like(height)
    for top, bottom in zip(ends[0][:-1], ends[0][1:], strict=True):
        for left, right in zip(ends[1][:-1], ends[1][1:], strict=True):
            block = height[top:bottom, left:right].ravel()
            at = int(_BLOCK_QUANTILE * (len(block) - 1))
            out[top:bottom, left:right] = np.partition(block, at)[at]
    return out


def _once(shapes: PitShapes, period) -> PitShapes:
    """Each pit once: without those whose outline at half depth reaches into the opening of a deeper one."""
    if len(shapes.radius) < 2:
        return shapes
    shapes = shapes[np.argsort(-shapes.depth, kind="stable")]
    opening = shapes.radius / half_ratio(shapes.inner, shapes.steep)
    at = shapes.middle if period is None else shapes.middle % np.array(period)
    pairs = cKDTree(at, boxsize=period).query_pairs(2 * float(opening.max()), output_type="ndarray")
    first, second = pairs.min(axis=1), pairs.max(axis=1)
    apart = np.abs(at[first] - at[second])
    if period is not None:
        apart = np.minimum(apart, np.array(period) - apart)
    keep = np.ones(len(at), bool)
    keep[second[np.hypot(apart[:, 0], apart[:, 1]) < opening[first] + shapes.radius[second]]] = False
    return shapes[keep]


def _statistics(shapes: PitShapes, shape, texel_mm: float, periodic: bool) -> PitStatistics:
    # one form of profile for all: that of a single pit is known too badly
    opening = shapes.radius / half_ratio(shapes.inner, shapes.steep)
    area_mm2 = shape[0] * shape[1] * texel_mm**2
    if not periodic and len(opening):
        margin = min(float(opening.max()), 0.25 * min(shape))
        far = np.minimum(shapes.middle + 0.5, np.array(shape) - 0.5 - shapes.middle).min(axis=1) > margin
        shapes, opening = shapes[far], opening[far]
        area_mm2 = (shape[0] - 2 * margin) * (shape[1] - 2 * margin) * texel_mm**2
    opening_mm, half_mm = 2 * opening * texel_mm, 2 * shapes.radius * texel_mm
    count = len(opening)

    def median(values) -> float:
        return float(np.median(values)) if count else math.nan

    middle = shapes.middle % np.array(shape) if periodic else shapes.middle
    return PitStatistics(
        count=count,
        density_per_cm2=100.0 * count / area_mm2,
        median_diameter_um=UM_PER_MM * median(opening_mm),
        median_diameter_half_um=UM_PER_MM * median(half_mm),
        median_depth_um=UM_PER_MM * median(shapes.depth),
        coverage_ratio=float(np.sum(0.25 * math.pi * opening_mm**2)) / area_mm2,
        center_mm=(middle[:, ::-1] + 0.5) * texel_mm,
        opening_um=UM_PER_MM * opening_mm,
        diameter_half_um=UM_PER_MM * half_mm,
        depth_um=UM_PER_MM * shapes.depth,
    )
