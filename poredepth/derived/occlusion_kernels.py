"""Compiled loops of ambient occlusion: which texels may be read between, and the horizons about each texel.

No fast-math, and every texel is worked out by itself in one fixed order: a block has the bits of the whole.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: Texels of a row that share one set of rays, at most.
SEGMENT = 128

#: Samples along a ray at most; they stand one texel apart, and ever farther where that does not reach.
MOST_STEPS = 32


@njit(nogil=True, cache=True)
def same_chart_cells(chart, cell):
    """The chart of the four texels (r, c) to (r + 1, c + 1) where it is one chart, else -1; int32, in place."""
    n_rows, n_cols = chart.shape
    for r in range(n_rows):
        for c in range(n_cols):
            one = chart[r, c]
            inside = r + 1 < n_rows and c + 1 < n_cols
            if inside and chart[r, c + 1] == one and chart[r + 1, c] == one and chart[r + 1, c + 1] == one:
                cell[r, c] = one
            else:
                cell[r, c] = -1


@njit(nogil=True, cache=True, inline="always")
def ray_px(ax, bx, by, cosine, sine):
    """Columns and rows of a texel grid that 1 mm of skin in a direction leads.

    ``ax`` : mm of one column; ``bx``, ``by`` : mm of one row upwards, along and across the columns
    """
    up = sine / by
    return (cosine - bx * up) / ax, -up


@njit(nogil=True, cache=True)
def occlude(height_mm, cell, plane, chart_of, metric_mm, direction, radius_mm, most_px, row, col, out):
    """Share of a cosine-weighted hemisphere that is open above each texel of a window.

    In each direction the horizon is the steepest way up to any point of the relief within the radius, h; of that slice
    cos^2 h is open.  Heights between texels are bilinear; a ray ends at a texel of another chart or without skin.

    Parameters
    ----------
    height_mm : float32 (rows, cols), with what rays reach around the window, one texel more at the end
    cell : int32 (rows, cols), see `same_chart_cells`
    plane : int32 (rows, cols), see `ChartPlaces.triangle`; chart_of : int32 (n_triangles,)
    metric_mm : float64 (n_triangles, 3), see `ray_px`; nan where there is none
    direction : float64 (n_directions, 2), cosines and sines; radius_mm, most_px : a ray's length and its bound
    row, col : where the window begins in ``height_mm``, ``cell`` and ``plane``; out : float32 (rows, cols)
    """
    n_rows, n_cols = out.shape
    width = height_mm.shape[1]
    height, cells = height_mm.ravel(), cell.ravel()
    steepest, live, opened = np.empty((3, SEGMENT), np.float32)
    for r in range(row, row + n_rows):
        first = col
        while first < col + n_cols:
            t = plane[r, first]
            stop = first + 1
            while stop < col + n_cols and stop < first + SEGMENT and plane[r, stop] == t:
                stop += 1
            n = stop - first
            opened[:n] = np.float32(0)
            if t < 0 or not np.isfinite(metric_mm[t, 0] * metric_mm[t, 1] * metric_mm[t, 2]):
                out[r - row, first - col : stop - col] = np.float32(1)
                first = stop
                continue
            here = np.uint64(r * width + first)
            for k in range(len(direction)):
                x, y = ray_px(metric_mm[t, 0], metric_mm[t, 1], metric_mm[t, 2], direction[k, 0], direction[k, 1])
                px_per_mm = np.sqrt(x * x + y * y)
                x, y = x / px_per_mm, y / px_per_mm
                length_px = min(radius_mm * px_per_mm, most_px)
                n_steps = min(max(int(np.ceil(length_px)), 1), MOST_STEPS)
                each = 1.0 / n_steps
                steepest[:n] = np.float32(0)
                live[:n] = np.float32(1)
                for j in range(1, n_steps + 1):
                    share = j * each
                    far = length_px * share if length_px <= MOST_STEPS else j + (length_px - n_steps) * share * share
                    dc, dr = far * x, far * y
                    fc, fr = np.floor(dc), np.floor(dr)
                    there = np.uint64((r + int(fr)) * width + first + int(fc))
                    _raise(
                        height, cells, here, there, np.uint64(width), n, chart_of[t], np.float32(dc - fc),
                        np.float32(dr - fr), np.float32(px_per_mm / far), live, steepest,
                    )  # fmt: skip
                for i in range(n):
                    opened[i] += np.float32(1) / (np.float32(1) + steepest[i] * steepest[i])
            for i in range(n):
                out[r - row, first - col + i] = opened[i] / np.float32(len(direction))
            first = stop


@njit(nogil=True, cache=True, inline="always")
def _raise(height, cells, here, there, width, n, chart, fx, fy, per_mm, live, steepest):
    """Raise the horizons of the texels of a segment to one sample of their rays; by texels, many at once."""
    # unsigned: numba then leaves out its check for negative indices
    below, one = there + width, np.uint64(1)
    for k in range(n):
        i = np.uint64(k)
        top = height[there + i] + fx * (height[there + i + one] - height[there + i])
        low = height[below + i] + fx * (height[below + i + one] - height[below + i])
        live[i] = live[i] if cells[there + i] == chart else np.float32(0)
        slope = live[i] * (top + fy * (low - top) - height[here + i]) * per_mm
        steepest[i] = max(steepest[i], slope)
