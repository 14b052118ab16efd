"""The cotangent system of a piece of skin, shared by the sheets that are solved over a whole piece."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix


def area_gradients(flat_mm: np.ndarray) -> np.ndarray:
    """Area times the gradient of each corner's hat function, float64 (n, 3, 2), of triangles ``flat_mm`` (n, 3, 2)."""
    x1, x2, y2 = flat_mm[:, 1, 0], flat_mm[:, 2, 0], flat_mm[:, 2, 1]
    return 0.5 * np.stack(
        [np.stack([-y2, x2 - x1], 1), np.stack([y2, -x2], 1), np.stack([np.zeros_like(x1), x1], 1)], axis=1
    )


def stiffness(
    flat_mm: np.ndarray, gradient: np.ndarray, corner: np.ndarray, n: int, share: np.ndarray | float = 1.0
) -> csc_matrix:
    """Stiffness of linear elements, (n, n): half cotangents (Pinkall & Polthier 1993).

    Parameters
    ----------
    gradient : see `area_gradients`; corner : int (n_triangles, 3), numbers of the corners, below n
    share : float (n_triangles,), how much each triangle counts
    """
    double_area = flat_mm[:, 1, 0] * flat_mm[:, 2, 1]
    part = np.einsum("tia,tja->tij", gradient, gradient) * (share / (0.5 * double_area))[:, None, None]
    rows, cols = np.repeat(corner, 3, axis=1).ravel(), np.tile(corner, (1, 3)).ravel()
    return coo_matrix((part.ravel(), (rows, cols)), shape=(n, n)).tocsc()


def on_corners(values: np.ndarray, corner: np.ndarray, n: int) -> np.ndarray:
    """Sum of corner values (n_triangles, 3) at each of n vertices, float64 (n,)."""
    return np.bincount(corner.ravel(), values.ravel(), n)
