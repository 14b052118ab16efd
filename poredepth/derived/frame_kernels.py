"""Compiled loops over texels: tangent frames, and slopes turned into them.

Kernels take plain arrays, fill what they are given and never raise.
"""

from __future__ import annotations

import numpy as np
from numba import njit

#: A tangent shorter than this has no direction; the triangle's own axis stands for it.
NO_LENGTH = 1e-6


@njit(nogil=True, cache=True)
def frames_at(triangle, barycentric, frames, turn, sign, normal, tangent, carry):
    """Tangent frames at places.

    Parameters
    ----------
    triangle : int32 (n,), -1 without skin; barycentric : float32 (n, 3)
    frames : tuple, see `derived.frames.TangentFrames.arrays`
    turn, sign, normal, tangent, carry : filled, see `derived.frames.TexelFrames`
    """
    one, n, t = np.empty(6), np.empty(3), np.empty(3)
    for p in range(len(triangle)):
        if triangle[p] < 0:
            sign[p] = 0
            turn[p, 0], turn[p, 1] = np.float32(1), np.float32(0)
            carry[p, 0], carry[p, 1] = np.float32(1), np.float32(0)
            for x in range(3):
                normal[p, x] = tangent[p, x] = np.float32(0)
            continue
        frame_at(triangle[p], barycentric[p], frames, n, t, one)
        turn[p, 0], turn[p, 1], sign[p] = one[0], one[1], int(one[2])
        carry[p, 0], carry[p, 1] = one[3], one[4]
        for x in range(3):
            normal[p, x], tangent[p, x] = n[x], t[x]


@njit(nogil=True, cache=True)
def frame_at(triangle, barycentric, frames, normal, tangent, one):
    """The frame at one place: fills N and T (3,), and ``one``: T in the flat frame (2), sign of B, carry
    (2), length of the interpolated N."""
    _interpolated(triangle, barycentric, frames, normal, tangent)
    axes = frames[5]
    length, along = 0.0, 0.0
    for x in range(3):
        length += normal[x] * normal[x]
    length = np.sqrt(length)
    if length < NO_LENGTH:
        length = 1.0
    for x in range(3):
        normal[x] /= length
        along += normal[x] * tangent[x]
    upright = 0.0
    for x in range(3):
        tangent[x] -= along * normal[x]
        upright += tangent[x] * tangent[x]
    upright = np.sqrt(upright)
    if upright < NO_LENGTH:
        along, upright = 0.0, 1.0
        for x in range(3):
            tangent[x] = axes[triangle, 0, x]
    cos, sin = 0.0, 0.0
    for x in range(3):
        tangent[x] /= upright
        cos += tangent[x] * axes[triangle, 0, x]
        sin += tangent[x] * axes[triangle, 1, x]
    flat = np.sqrt(cos * cos + sin * sin)
    if flat < NO_LENGTH:
        cos, sin, flat = 1.0, 0.0, 1.0
    one[0], one[1] = cos / flat, sin / flat
    one[2] = frames[2][frames[3][triangle]]
    one[3], one[4], one[5] = length / upright, along / upright, length


@njit(nogil=True, cache=True)
def _interpolated(triangle, barycentric, frames, normal, tangent):
    """N and T interpolated over the triangle of the base, as they come; beyond a triangle's rim, those of the rim."""
    corner_normal, corner_tangent, base_triangle, base_barycentric = frames[0], frames[1], frames[3], frames[4]
    base = base_triangle[triangle]
    b0, b1, b2 = max(barycentric[0], 0.0), max(barycentric[1], 0.0), max(barycentric[2], 0.0)
    total = b0 + b1 + b2
    b0, b1, b2 = b0 / total, b1 / total, b2 / total
    for x in range(3):
        normal[x] = tangent[x] = 0.0
    for k in range(3):
        share = (
            b0 * base_barycentric[triangle, 0, k]
            + b1 * base_barycentric[triangle, 1, k]
            + b2 * base_barycentric[triangle, 2, k]
        )
        for x in range(3):
            normal[x] += share * corner_normal[base, k, x]
            tangent[x] += share * corner_tangent[base, k, x]


@njit(nogil=True, cache=True)
def turned(triangle, barycentric, frames, gradient, slope):
    """Gradients (n, 2) in the flat frames of triangles to slopes along T and B, float32 (n, 2)."""
    one, n, t = np.empty(6), np.empty(3), np.empty(3)
    for p in range(len(triangle)):
        if triangle[p] < 0:
            slope[p, 0] = slope[p, 1] = np.float32(0)
            continue
        frame_at(triangle[p], barycentric[p], frames, n, t, one)
        gx, gy = gradient[p, 0], gradient[p, 1]
        slope[p, 0], slope[p, 1] = one[0] * gx + one[1] * gy, one[2] * (one[0] * gy - one[1] * gx)


@njit(nogil=True, cache=True)
def turned_bends(triangle, barycentric, frames, bend):
    """Second derivatives (n, 3) in flat frames to those along T T, T B and B B, in place."""
    one, n, t = np.empty(6), np.empty(3), np.empty(3)
    for p in range(len(triangle)):
        if triangle[p] < 0:
            continue
        frame_at(triangle[p], barycentric[p], frames, n, t, one)
        c, s = one[0], one[1]
        xx, xy, yy = float(bend[p, 0]), float(bend[p, 1]), float(bend[p, 2])
        bend[p, 0] = c * c * xx + 2.0 * c * s * xy + s * s * yy
        bend[p, 1] = one[2] * (c * s * (yy - xx) + (c * c - s * s) * xy)
        bend[p, 2] = s * s * xx - 2.0 * c * s * xy + c * c * yy


@njit(nogil=True, cache=True)
def tangent_normals(triangle, barycentric, frames, gradient, y_sign, out):
    """Normals in the tangent frame as a renderer interpolates it, float32 (n, 3).

    Interpolated N and T are neither of unit length nor at right angles; the normal is written such that N, T and sign x
    cross(N, T), taken as they come, give the one that is meant.
    """
    one, n, t = np.empty(6), np.empty(3), np.empty(3)
    for p in range(len(triangle)):
        gx, gy = float(gradient[p, 0]), float(gradient[p, 1])
        if triangle[p] < 0 or (gx == 0.0 and gy == 0.0):
            out[p, 0] = out[p, 1] = np.float32(0)
            out[p, 2] = np.float32(1)
            continue
        frame_at(triangle[p], barycentric[p], frames, n, t, one)
        along_t, along_b = one[0] * gx + one[1] * gy, one[2] * (one[0] * gy - one[1] * gx)
        # N - along_t T - along_b B of unit axes, in the axes as they are interpolated, times the length of N
        x, y, z = -along_t * one[3], -along_b * one[3] / one[5], 1.0 + along_t * one[4]
        length = np.sqrt(x * x + y * y + z * z)
        out[p, 0], out[p, 1], out[p, 2] = x / length, y_sign * y / length, z / length


@njit(nogil=True, cache=True)
def object_normals(triangle, barycentric, frames, gradient, skin_triangle, skin_barycentric, out):
    """Normals in the axes of the mesh, float32 (n, 3); 0 without skin.

    In a gutter the slope is known in the plane of the border's triangle; it is turned over to the skin point by the
    smallest turn that takes the one smooth normal to the other.
    """
    one, n, t, way, there = np.empty(6), np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for p in range(len(triangle)):
        if triangle[p] < 0:
            out[p, 0] = out[p, 1] = out[p, 2] = np.float32(0)
            continue
        frame_at(triangle[p], barycentric[p], frames, n, t, one)
        gx, gy = float(gradient[p, 0]), float(gradient[p, 1])
        along_t, across = one[0] * gx + one[1] * gy, one[0] * gy - one[1] * gx
        for x in range(3):
            y, z = (x + 1) % 3, (x + 2) % 3
            way[x] = along_t * t[x] + across * (n[y] * t[z] - n[z] * t[y])
        if skin_triangle[p] != triangle[p]:
            frame_at(skin_triangle[p], skin_barycentric[p], frames, there, t, one)
            _carried(way, n, there)
            for x in range(3):
                n[x] = there[x]
        length = 0.0
        for x in range(3):
            way[x] = n[x] - way[x]
            length += way[x] * way[x]
        length = np.sqrt(length)
        for x in range(3):
            out[p, x] = way[x] / length


@njit(nogil=True, cache=True)
def _carried(way, start, end):
    """Turn a direction that is at right angles to ``start`` by the smallest turn from ``start`` to ``end``, in place."""
    cos, along = 0.0, 0.0
    for x in range(3):
        cos += start[x] * end[x]
        along += way[x] * end[x]
    if cos > -0.999:
        for x in range(3):
            way[x] -= along / (1.0 + cos) * (start[x] + end[x])
