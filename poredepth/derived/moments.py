"""First and second moments of slopes, and the roughness that stands for relief a coarse map loses.

Source: Olano & Baker 2010, "LEAN mapping": moments of slopes may be averaged like colours, so that mips and filters
keep how widely the normals under a pixel are spread.
"""

from __future__ import annotations

import numpy as np

from poredepth.derived import kernels
from poredepth.derived.heights import MapHeights
from poredepth.derived.slopes import placed_slopes, slopes
from poredepth.errors import RecipeError
from poredepth.raster.window import Window, row_blocks


def moments(heights: MapHeights, tile: int, window: Window) -> np.ndarray:
    """bx, by, bx^2, by^2, bx by of each texel, float32 (rows, cols, 5); 0 without skin.

    (bx, by) = (nx / nz, ny / nz) of the normal in the tangent frame, that is -(dh/dT, dh/dB).
    """
    found = slopes(heights, tile, window)
    bx, by = 0.0 - found.along_t, 0.0 - found.along_b
    return np.stack([bx, by, bx * bx, by * by, bx * by], axis=2)


def covariance(b: np.ndarray, m: np.ndarray) -> np.ndarray:
    """Covariance of slopes from averaged moments: xx, yy, xy, (..., 3).

    Variances are no less than 0, and |xy| no more than the root of their product, whatever averaging rounds.

    Parameters
    ----------
    b : (..., 2), means of bx, by; m : (..., 3), means of bx^2, by^2, bx by
    """
    xx = np.maximum(m[..., 0] - b[..., 0] ** 2, 0)
    yy = np.maximum(m[..., 1] - b[..., 1] ** 2, 0)
    most = np.sqrt(xx * yy)
    return np.stack([xx, yy, np.clip(m[..., 2] - b[..., 0] * b[..., 1], -most, most)], axis=-1)


def reduced_moments(heights: MapHeights, tile: int, size_px_low: int, window: Window | None = None) -> np.ndarray:
    """Moments averaged over the texels of a smaller map, float64 (rows, cols, 5).

    Texels with skin count, gutters included; 0 where there is none.

    Parameters
    ----------
    size_px_low : rows and columns of the smaller map; must divide those of the heights
    window : of the smaller map; default: all of it

    Raises
    ------
    RecipeError : a size that does not divide
    """
    factor = reduction(heights.raster.size_px, size_px_low)
    window = Window(0, 0, size_px_low, size_px_low) if window is None else window
    out = np.empty((*window.shape, 5))
    fine = Window(*(factor * one for one in (window.row_px, window.col_px, window.n_rows, window.n_cols)))
    for block in row_blocks(Window(window.row_px, 0, window.n_rows, max(fine.n_cols * factor, 1))):
        part = Window(factor * block.row_px, fine.col_px, factor * block.n_rows, fine.n_cols)
        slope, places = placed_slopes(heights, tile, part)
        total, n = np.zeros((block.n_rows, window.n_cols, 5)), np.zeros((block.n_rows, window.n_cols), np.int64)
        kernels.add_moments(slope, places.triangle, factor, total, n)
        here = block.row_px - window.row_px
        out[here : here + block.n_rows] = total / np.maximum(n, 1)[..., None]
    return out


def added_roughness(heights: MapHeights, tile: int, size_px_low: int, window: Window | None = None) -> np.ndarray:
    """What a smaller map must add to the square of a material's alpha, float32 (rows, cols).

    The trace of the covariance of slopes within each of its texels: slopes of a Beckmann surface have the variance
    alpha^2 / 2 along either axis, so an even spread of the same total variance is alpha^2 = variance_x + variance_y,
    and variances of independent slopes add.  Use: alpha_total^2 = alpha^2 + this, and roughness = sqrt(alpha_total)
    where roughness is the root of alpha, as in glTF and UsdPreviewSurface.

    Parameters
    ----------
    size_px_low, window : see `reduced_moments`
    """
    mean = reduced_moments(heights, tile, size_px_low, window)
    return covariance(mean[..., :2], mean[..., 2:])[..., :2].sum(axis=-1).astype(np.float32)


def reduction(size_px: int, size_px_low: int) -> int:
    """How many texels of a map become one of a smaller map."""
    if not 1 <= size_px_low <= size_px or size_px % size_px_low:
        raise RecipeError(
            f"size of the smaller map: found {size_px_low}; allowed: a whole number that divides {size_px}, such as "
            f"{size_px // 2 or 1}"
        )
    return size_px // size_px_low
