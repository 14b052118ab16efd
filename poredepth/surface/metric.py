"""From UV to millimetres: the Jacobian of each triangle and what follows from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from poredepth.errors import MeshError

if TYPE_CHECKING:
    from poredepth.surface.skin import Surface


def mm_per_uv(surface: Surface) -> np.ndarray:
    """Jacobian d(mm)/d(uv) of each triangle in its own flat frame.

    Returns
    -------
    float64 (n_triangles, 2, 2), mm per unit of UV; nan where UVs are missing or have no area
    """
    flat, uv = surface.flat_mm, surface.corner_uv
    d_mm = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=2)
    d_uv = np.stack([uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]], axis=2)
    out = np.full((surface.n_triangles, 2, 2), np.nan)
    with np.errstate(invalid="ignore"):
        ok = np.abs(np.linalg.det(d_uv)) > 1e-20
    out[ok] = d_mm[ok] @ np.linalg.inv(d_uv[ok])
    return out


def is_mirrored(surface: Surface) -> np.ndarray:
    """bool (n_triangles,): the triangle lies in its chart with the other winding."""
    return np.linalg.det(mm_per_uv(surface)) < 0


def singular_values_mm(surface: Surface) -> np.ndarray:
    """Largest and smallest stretch from UV to skin, float64 (n_triangles, 2), mm per unit of UV."""
    jacobian = mm_per_uv(surface)
    ok = np.isfinite(jacobian).all(axis=(1, 2))
    out = np.full((surface.n_triangles, 2), np.nan)
    out[ok] = np.linalg.svd(jacobian[ok], compute_uv=False)
    return out


#: Texels up to so many times as long as they are wide are filtered as if they were squares of their length.
SQUARE_UP_TO = 1.5
#: Longer texels are filtered along their length by so many taps at most, to either side; then they are taken for wider.
MOST_TAPS = 10
#: The taps end at so many sigmas.
LAST_TAP = 3.2


#: No texel is taken for longer than so many times the size it is filtered evenly for (taps reach half of that).
LONGEST = 16.0


@dataclass(frozen=True)
class Footprint:
    """What texels are on the skin.

    A texel is filtered by a Gaussian of sigma half its size along both axes: an even one of half of ``size_mm``, and
    where texels are long, one more along their length, to half of ``length_mm``.

    Attributes
    ----------
    size_mm : float32 (n_triangles, 3), at triangle corners
    length_mm : float32 (n_triangles,), the larger stretch of a texel, where it is long; 0 elsewhere
    along_per_mm : float32 (n_triangles, 3), step of barycentrics, sum 0, of one mm of skin along its length
    slope_per_mm : float32 (n_triangles, 3, 2), gradient of each barycentric in the triangle's own flat frame
    """

    size_mm: np.ndarray
    length_mm: np.ndarray
    along_per_mm: np.ndarray
    slope_per_mm: np.ndarray


def footprint(surface: Surface, size_px: int) -> Footprint:
    """What texels of a ``size_px`` tile are on the skin."""
    slope = barycentric_slopes(surface)
    jacobian = mm_per_uv(surface) / size_px
    ok = np.isfinite(jacobian).all(axis=(1, 2))
    left, stretch, _ = np.linalg.svd(np.where(ok[:, None, None], jacobian, np.eye(2)))
    size_mm = corner_footprint_mm(surface, size_px)
    # nearly collapsed in UV, a triangle covers no texel: its stretch has no say, here as in the size
    believed = stretch[:, 0] <= LONGEST * size_mm.min(axis=1)
    long = ok & believed & (stretch[:, 0] > SQUARE_UP_TO * stretch[:, 1])
    length_mm = np.where(long, stretch[:, 0], 0.0)
    along = np.where(long[:, None], np.einsum("tkx,tx->tk", slope, left[:, :, 0]), 0.0)
    return Footprint(
        size_mm,
        length_mm.astype(np.float32),
        along.astype(np.float32),
        slope.astype(np.float32),
    )


def barycentric_slopes(surface: Surface) -> np.ndarray:
    """Gradient of the barycentrics of each triangle in its flat frame, float64 (n_triangles, 3, 2), 1/mm; 0 without
    area."""
    flat = surface.flat_mm
    edge = np.stack([flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]], axis=2)
    out = np.zeros((surface.n_triangles, 3, 2))
    ok = np.abs(np.linalg.det(edge)) > 1e-12
    out[ok, 1:] = np.linalg.inv(edge[ok])
    out[:, 0] = -out[:, 1] - out[:, 2]
    return out


def corner_footprint_mm(surface: Surface, size_px: int) -> np.ndarray:
    """Size on the skin of one texel of a ``size_px`` tile, at triangle corners, as it is filtered evenly.

    The larger of the two stretches is taken, so that detail too fine for the texel is filtered, not aliased, but no
    more than ``SQUARE_UP_TO`` times the smaller one, or what ``MOST_TAPS`` leave to be done (see `Footprint`); it is
    averaged over each UV vertex, so that it varies without a step inside a chart: by area in UV, so that a triangle
    that is nearly collapsed there, and covers no texel, has no say.  Skin without area in UV, which gutters show, gets
    the median.

    Returns
    -------
    float32 (n_triangles, 3), mm
    """
    long_mm, short_mm = singular_values_mm(surface).T / size_px
    # taps stand one even size apart; sigma is half the root of what the length has beyond it
    wide_mm = np.minimum(
        long_mm, np.maximum(SQUARE_UP_TO * short_mm, long_mm / np.hypot(1.0, 2 * MOST_TAPS / LAST_TAP))
    )
    ok = np.isfinite(wide_mm)
    corner = surface.tri_uv_vertex[ok]
    area = np.repeat(np.maximum(uv_area(surface)[ok], 1e-20), 3)
    n_uv = len(surface.uv)
    weight = np.bincount(corner.ravel(), area, n_uv)
    total = np.bincount(corner.ravel(), area * np.repeat(wide_mm[ok], 3), n_uv)
    mean = np.divide(total, weight, out=np.ones(n_uv), where=weight > 0)
    out = np.full((surface.n_triangles, 3), np.median(wide_mm[ok]) if ok.any() else 1.0, np.float32)
    out[ok] = mean[corner]
    return out


def uv_area(surface: Surface) -> np.ndarray:
    """Area of each triangle in UV, float64 (n_triangles,), nan without UVs."""
    uv = surface.corner_uv
    e1, e2 = uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]
    return 0.5 * np.abs(e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0])


def median_texel_mm(surface: Surface, size_px: int, weight: np.ndarray | None = None) -> float:
    """Median over the skin of the geometric mean texel size, mm.

    Parameters
    ----------
    weight : float (n_triangles,), how much each triangle counts; None: by its area

    Raises
    ------
    MeshError : nothing that counts has area in UV
    """
    texel_mm = np.sqrt(np.prod(singular_values_mm(surface), axis=1)) / size_px
    [median] = weighted_quantiles(texel_mm, surface.area_mm2 if weight is None else weight, (0.5,))
    if not np.isfinite(median):
        raise MeshError(f"{surface.label}: no face has area in UV; allowed: an unwrapped mesh; unwrap it first")
    return median


def weighted_quantiles(values: np.ndarray, weight: np.ndarray, shares: Sequence[float]) -> list[float]:
    """For each share, the least value that so much of the weight lies at or below.

    Values that are not finite are left out.

    Parameters
    ----------
    values, weight : float (n,), weights 0 or more; shares : 0 to 1

    Returns
    -------
    floats; nan if nothing finite has a weight
    """
    counts = np.isfinite(values) & (weight > 0)
    if not counts.any():
        return [float("nan")] * len(shares)
    order = np.argsort(values[counts], kind="stable")
    total = np.cumsum(weight[counts][order])
    at = np.minimum(np.searchsorted(total, np.asarray(shares) * total[-1]), len(order) - 1)
    return values[counts][order][at].tolist()
