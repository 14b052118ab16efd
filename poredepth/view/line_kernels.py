"""Compiled loop of the picture of directions: noise drawn out along the lines of a field."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, cache=True)
def draw_out(noise, triangle, way, depth, slack, half_px, out):
    """Sum noise along the line of the field through each pixel: line integral convolution.

    From the middle of a pixel the line is followed both ways in steps of a pixel, each along the direction of the
    triangle seen where the step starts, taken in the sense that turns least.  It ends where there is no skin, where the
    depth jumps (another part of the head stands behind), and where the field points at the viewer.

    Source: Cabral & Leedom 1993.

    Parameters
    ----------
    noise : float32 (rows, cols), mean 0
    triangle : int32 (rows, cols), what is seen; -1 no skin
    way : float32 (n_triangles, 2), unit direction in the picture, x right and y down, its sign free; (0, 0) for none
    depth : float32 (rows, cols), pixels; slack : float32 (rows, cols), what depth may change by in one step there
    half_px : int, steps to either side
    out : float32 (rows, cols): the sum over the line, over the square root of the number of its samples, so that white
        noise keeps its spread however short the line is; where there is no skin it stays as it is
    """
    n_rows, n_cols = triangle.shape
    for r in range(n_rows):
        for c in range(n_cols):
            t = triangle[r, c]
            if t < 0:
                continue
            total, n = noise[r, c], 1
            for side in range(2):
                sign = np.float32(1 - 2 * side)
                dx, dy = sign * way[t, 0], sign * way[t, 1]
                x, y = c + 0.5, r + 0.5
                row, col = r, c
                for _ in range(half_px):
                    if dx == 0.0 and dy == 0.0:
                        break
                    x += dx
                    y += dy
                    new_row, new_col = int(np.floor(y)), int(np.floor(x))
                    if new_row < 0 or new_col < 0 or new_row >= n_rows or new_col >= n_cols:
                        break
                    there = triangle[new_row, new_col]
                    jump = abs(depth[new_row, new_col] - depth[row, col])
                    if there < 0 or jump > min(slack[new_row, new_col], slack[row, col]):
                        break
                    total += noise[new_row, new_col]
                    n += 1
                    next_dx, next_dy = way[there, 0], way[there, 1]
                    if next_dx * dx + next_dy * dy < 0.0:
                        next_dx, next_dy = -next_dx, -next_dy
                    dx, dy = next_dx, next_dy
                    row, col = new_row, new_col
            out[r, c] = total / np.sqrt(np.float32(n))
