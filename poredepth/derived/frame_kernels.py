"""Compiled loops over texels: tangent frames, and slopes turned into them.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: A tangent shorter than this has no direction; the triangle's own axis stands for it.
NO_LENGTH = 1e-6


@njit(nogil=True, cache=True, error_model="numpy")
def frames_at(triangle, barycentric, frames, turn, sign, normal, tangent, carry):
    """Tangent frames at places.

    Parameters
    ----------
    triangle : int32 (n,), -1 without skin; barycentric : float32 (n, 3)
    frames : tuple, see `derived.frames.TangentFrames.arrays`
    turn, sign, normal, tangent, carry : filled, see `derived.frames.TexelFrames`
    """
    for p in range(len(triangle)):
        if triangle[p] < 0:
            sign[p] = 0
            turn[p, 0], turn[p, 1] = np.float32(1), np.float32(0)
            carry[p, 0], carry[p, 1] = np.float32(1), np.float32(0)
            for x in range(3):
                normal[p, x] = tangent[p, x] = np.float32(0)
            continue
        (nx, ny, nz), (tx, ty, tz), (cos, sin), b_sign, (ratio, along, _) = frame_at(p, triangle, barycentric, frames)
        turn[p, 0], turn[p, 1], sign[p] = cos, sin, b_sign
        carry[p, 0], carry[p, 1] = ratio, along
        normal[p, 0], normal[p, 1], normal[p, 2] = nx, ny, nz
        tangent[p, 0], tangent[p, 1], tangent[p, 2] = tx, ty, tz


@njit(nogil=True, cache=True, error_model="numpy")
def frame_at(p, triangle, barycentric, frames):
    """The frame at one place.

    Returns
    -------
    N, T : unit, at right angles; T in the flat frame, unit; sign of B; length of the interpolated N over that of the
    interpolated T at a right angle to it, T along N over the same, length of the interpolated N
    """
    t = triangle[p]
    (nx, ny, nz), (tx, ty, tz) = _interpolated(t, barycentric[p, 0], barycentric[p, 1], barycentric[p, 2], frames)
    axes, b_sign = frames[5], frames[2][frames[3][t]]
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    if length < NO_LENGTH:
        length = 1.0
    nx, ny, nz = nx / length, ny / length, nz / length
    along = nx * tx + ny * ty + nz * tz
    tx, ty, tz = tx - along * nx, ty - along * ny, tz - along * nz
    upright = np.sqrt(tx * tx + ty * ty + tz * tz)
    if upright < NO_LENGTH:
        along, upright, tx, ty, tz = 0.0, 1.0, axes[t, 0, 0], axes[t, 0, 1], axes[t, 0, 2]
    tx, ty, tz = tx / upright, ty / upright, tz / upright
    cos = tx * axes[t, 0, 0] + ty * axes[t, 0, 1] + tz * axes[t, 0, 2]
    sin = tx * axes[t, 1, 0] + ty * axes[t, 1, 1] + tz * axes[t, 1, 2]
    flat = np.sqrt(cos * cos + sin * sin)
    if flat < NO_LENGTH:
        cos, sin, flat = 1.0, 0.0, 1.0
    return (nx, ny, nz), (tx, ty, tz), (cos / flat, sin / flat), b_sign, (length / upright, along / upright, length)


@njit(nogil=True, cache=True, error_model="numpy")
def _interpolated(t, b0, b1, b2, frames):
    """N and T interpolated over the triangle of the base, as they come; beyond a triangle's rim, those of the rim."""
    corner_normal, corner_tangent, base, place = frames[0], frames[1], frames[3][t], frames[4]
    b0, b1, b2 = max(np.float64(b0), 0.0), max(np.float64(b1), 0.0), max(np.float64(b2), 0.0)
    total = b0 + b1 + b2
    nx, ny, nz, tx, ty, tz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(3):
        share = (b0 * place[t, 0, k] + b1 * place[t, 1, k] + b2 * place[t, 2, k]) / total
        nx += share * corner_normal[base, k, 0]
        ny += share * corner_normal[base, k, 1]
        nz += share * corner_normal[base, k, 2]
        tx += share * corner_tangent[base, k, 0]
        ty += share * corner_tangent[base, k, 1]
        tz += share * corner_tangent[base, k, 2]
    return (nx, ny, nz), (tx, ty, tz)


@njit(nogil=True, cache=True, error_model="numpy")
def turned(triangle, barycentric, frames, gradient, slope):
    """Gradients (n, 2) in the flat frames of triangles to slopes along T and B, float32 (n, 2)."""
    for p in range(len(triangle)):
        gx, gy = np.float64(gradient[p, 0]), np.float64(gradient[p, 1])
        if triangle[p] < 0 or (gx == 0.0 and gy == 0.0):
            slope[p, 0] = slope[p, 1] = np.float32(0)
            continue
        _, _, (cos, sin), b_sign, _ = frame_at(p, triangle, barycentric, frames)
        slope[p, 0], slope[p, 1] = cos * gx + sin * gy, b_sign * (cos * gy - sin * gx)


@njit(nogil=True, cache=True, error_model="numpy")
def turned_bends(triangle, barycentric, frames, bend):
    """Second derivatives (n, 3) in flat frames to those along T T, T B and B B, in place."""
    for p in range(len(triangle)):
        if triangle[p] < 0:
            continue
        _, _, (c, s), b_sign, _ = frame_at(p, triangle, barycentric, frames)
        xx, xy, yy = np.float64(bend[p, 0]), np.float64(bend[p, 1]), np.float64(bend[p, 2])
        bend[p, 0] = c * c * xx + 2.0 * c * s * xy + s * s * yy
        bend[p, 1] = b_sign * (c * s * (yy - xx) + (c * c - s * s) * xy)
        bend[p, 2] = s * s * xx - 2.0 * c * s * xy + c * c * yy


@njit(nogil=True, cache=True, error_model="numpy")
def tangent_normals(triangle, barycentric, frames, gradient, y_sign, out):
    """Normals in the tangent frame as a renderer interpolates it, float32 (n, 3).

    Interpolated N and T are neither of unit length nor at right angles; the normal is written such that N, T and sign x
    cross(N, T), taken as they come, give the one that is meant.
    """
    for p in range(len(triangle)):
        gx, gy = np.float64(gradient[p, 0]), np.float64(gradient[p, 1])
        if triangle[p] < 0 or (gx == 0.0 and gy == 0.0):
            out[p, 0] = out[p, 1] = np.float32(0)
            out[p, 2] = np.float32(1)
            continue
        _, _, (cos, sin), b_sign, (ratio, along, n_length) = frame_at(p, triangle, barycentric, frames)
        along_t, along_b = cos * gx + sin * gy, b_sign * (cos * gy - sin * gx)
        # N - along_t T - along_b B of unit axes, in the axes as they are interpolated, times the length of N
        x, y, z = -along_t * ratio, -along_b * ratio / n_length, 1.0 + along_t * along
        length = np.sqrt(x * x + y * y + z * z)
        out[p, 0], out[p, 1], out[p, 2] = x / length, y_sign * y / length, z / length


@njit(nogil=True, cache=True, error_model="numpy")
def object_normals(triangle, barycentric, frames, gradient, skin_triangle, skin_barycentric, out):
    """Normals in the axes of the mesh, float32 (n, 3); 0 without skin.

    In a gutter the slope is known in the plane of the border's triangle; it is turned over to the skin point by the
    smallest turn that takes the one smooth normal to the other.
    """
    for p in range(len(triangle)):
        if triangle[p] < 0:
            out[p, 0] = out[p, 1] = out[p, 2] = np.float32(0)
            continue
        (nx, ny, nz), (tx, ty, tz), (cos, sin), _, _ = frame_at(p, triangle, barycentric, frames)
        gx, gy = np.float64(gradient[p, 0]), np.float64(gradient[p, 1])
        a, b = cos * gx + sin * gy, cos * gy - sin * gx
        wx = a * tx + b * (ny * tz - nz * ty)
        wy = a * ty + b * (nz * tx - nx * tz)
        wz = a * tz + b * (nx * ty - ny * tx)
        if skin_triangle[p] != triangle[p]:
            (mx, my, mz), _, _, _, _ = frame_at(p, skin_triangle, skin_barycentric, frames)
            turn = nx * mx + ny * my + nz * mz
            if turn > -0.999:
                lean = (wx * mx + wy * my + wz * mz) / (1.0 + turn)
                wx, wy, wz = wx - lean * (nx + mx), wy - lean * (ny + my), wz - lean * (nz + mz)
            nx, ny, nz = mx, my, mz
        x, y, z = nx - wx, ny - wy, nz - wz
        length = np.sqrt(x * x + y * y + z * z)
        out[p, 0], out[p, 1], out[p, 2] = x / length, y / length, z / length
