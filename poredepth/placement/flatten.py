"""A piece of skin laid flat without regard to directions: as true to size as a plane allows.

Conformal to begin with (least squares; Levy et al. 2002), then as rigid as possible by local and global steps (Liu et
al. 2008, A local/global approach to mesh parameterization).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import bmat, coo_matrix, csc_matrix, identity
from scipy.sparse.linalg import splu

from poredepth.compiled import one_blas_thread
from poredepth.placement.cotangent import area_gradients, on_corners, stiffness
from poredepth.surface.geodesic import distance_from_points_mm
from poredepth.surface.locate import SkinPoint
from poredepth.surface.skin import Surface
from poredepth.surface.topology import connected_triangles

#: Local and global steps, at most, and the movement of vertices at which they stop, mm.
MAX_STEPS = 100
STILL_MM = 1e-4

#: Triangles of less area than this take no part in a solve, mm2.
LEAST_AREA_MM2 = 1e-12

#: Hold of an otherwise free constant, far below what shows.
HOLD = 1e-9


@dataclass(frozen=True, eq=False)
class Sheet:
    """A piece of skin laid flat.

    Attributes
    ----------
    triangle : int64 (n,), triangles of the surface, rising
    corner : int64 (n, 3), numbers of their corners in the sheet
    uv_mm : float64 (n_corners, 2), u right and v up as seen from outside
    rim : bool (n,), triangles with a neighbour on the skin that is not part of the sheet
    flat_mm : float64 (n, 3, 2), corners of the triangles in their own frames
    area_mm2 : float64 (n,)
    """

    triangle: np.ndarray
    corner: np.ndarray
    uv_mm: np.ndarray
    rim: np.ndarray
    flat_mm: np.ndarray
    area_mm2: np.ndarray

    def number_of(self, triangle: np.ndarray) -> np.ndarray:
        """Where triangles of the surface (n,), all of them part of the sheet, stand in it."""
        return np.searchsorted(self.triangle, triangle)

    def at(self, values: np.ndarray, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
        """Corner values (n_corners, k) at skin points (n,), (n, 3) of the sheet: float64 (n, k)."""
        return np.einsum("nk,nkx->nx", barycentric, values[self.corner[self.number_of(triangle)]])

    def jacobian(self, values: np.ndarray) -> np.ndarray:
        """Derivative of corner values (n_corners, 2) along the skin, in each triangle's frame: float64 (n, 2, 2).

        0 in triangles without area.
        """
        gradient = area_gradients(self.flat_mm) / np.maximum(self.area_mm2, LEAST_AREA_MM2)[:, None, None]
        out = np.einsum("tiq,tia->tqa", values[self.corner], gradient)
        out[self.area_mm2 <= LEAST_AREA_MM2] = 0
        return out


def skin_within(surface: Surface, points: Sequence[SkinPoint], reach_mm: float) -> np.ndarray:
    """Triangles within ``reach_mm`` along the skin of any of the points, and connected with the first of them.

    Returns
    -------
    int64 (n,), rising; whole triangles, so it reaches up to one edge farther
    """
    distance_mm = distance_from_points_mm(surface, points, reach_mm)
    near = (distance_mm[surface.tri_vertex] <= reach_mm).any(axis=1)
    near[[point.triangle for point in points]] = True
    where = np.flatnonzero(near)
    piece = connected_triangles(neighbours_within(surface, where))
    return where[piece == piece[np.searchsorted(where, points[0].triangle)]]


def neighbours_within(surface: Surface, where: np.ndarray) -> np.ndarray:
    """Edge neighbours (n, 3) of triangles (n,) as places in ``where``, -1 where there is none in it."""
    number = np.full(surface.n_triangles + 1, -1, np.int64)
    number[where] = np.arange(len(where))
    return number[surface.adjacency.triangle[where]]  # -1 is the last entry, which stays -1


def flatten(surface: Surface, where: np.ndarray) -> Sheet:
    """Lay a connected set of triangles, int64 (n,) and rising, flat; its mean is at 0."""
    vertex, corner = np.unique(surface.tri_vertex[where], return_inverse=True)
    corner = corner.reshape(-1, 3)
    rim = ((surface.adjacency.triangle[where] >= 0) & (neighbours_within(surface, where) < 0)).any(axis=1)
    flat_mm, area_mm2 = surface.flat_mm[where], surface.area_mm2[where]
    solid = area_mm2 > LEAST_AREA_MM2
    with one_blas_thread():
        uv_mm = _conformal(flat_mm[solid], corner[solid], surface.position_mm[vertex])
        uv_mm = _rigid(flat_mm[solid], area_mm2[solid], corner[solid], uv_mm)
    return Sheet(where, corner, uv_mm, rim, flat_mm, area_mm2)


def _factor(system: csc_matrix):
    return splu(system, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})


def _conformal(flat_mm: np.ndarray, corner: np.ndarray, position_mm: np.ndarray) -> np.ndarray:
    """Least-squares conformal u, v (n, 2): Dirichlet energy less the area covered, two far vertices held."""
    n = len(position_mm)
    dirichlet = stiffness(flat_mm, area_gradients(flat_mm), corner, n)
    a, b = corner.ravel(), corner[:, [1, 2, 0]].ravel()
    half = np.full(len(a), 0.5)
    covered = coo_matrix((np.r_[half, -half], (np.r_[a, b], np.r_[b, a] + n)), shape=(2 * n, 2 * n))
    system = (bmat([[dirichlet, None], [None, dirichlet]]) - covered - covered.T).tocsc()
    first = int(np.argmax(((position_mm - position_mm.mean(axis=0)) ** 2).sum(axis=1)))
    apart_mm = np.linalg.norm(position_mm - position_mm[first], axis=1)
    second = int(np.argmax(apart_mm))
    held = np.array([first, second, first + n, second + n])
    out = np.zeros(2 * n)
    out[second] = apart_mm[second]
    free = np.setdiff1d(np.arange(2 * n), held)
    rows = system[free]
    inner = (rows[:, free] + HOLD * identity(len(free))).tocsc()
    out[free] = _factor(inner).solve(-(rows[:, held] @ out[held]))
    return out.reshape(2, n).T


def _rigid(flat_mm: np.ndarray, area_mm2: np.ndarray, corner: np.ndarray, uv_mm: np.ndarray) -> np.ndarray:
    """Turn each triangle onto the plane as it is, then fit the corners to that; again until nothing moves."""
    n = len(uv_mm)
    gradient = area_gradients(flat_mm)
    slope = gradient / area_mm2[:, None, None]
    factor = _factor((stiffness(flat_mm, gradient, corner, n) + HOLD * identity(n)).tocsc())
    uv_mm = uv_mm - uv_mm.mean(axis=0)
    for _ in range(MAX_STEPS):
        jacobian = np.einsum("tiq,tia->tqa", uv_mm[corner], slope)
        # the nearest rotation of a 2 x 2 matrix
        c, s = jacobian[:, 0, 0] + jacobian[:, 1, 1], jacobian[:, 1, 0] - jacobian[:, 0, 1]
        length = np.maximum(np.hypot(c, s), 1e-300)
        c, s = c / length, s / length
        right = np.stack(
            [
                on_corners(np.einsum("tia,ta->ti", gradient, np.stack(way, axis=1)), corner, n)
                for way in ((c, -s), (s, c))
            ],
            axis=1,
        )
        new_mm = factor.solve(right)
        new_mm -= new_mm.mean(axis=0)
        moved_mm = float(np.abs(new_mm - uv_mm).max())
        uv_mm = new_mm
        if moved_mm < STILL_MM:
            break
    return uv_mm
