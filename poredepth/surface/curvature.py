"""How the form is bent: normals at vertices and the second fundamental form of each triangle."""

from __future__ import annotations

import numpy as np

from poredepth.surface.skin import Surface


def vertex_sums(surface: Surface, values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Unit sums at vertices, (n_vertices, 3), of triangle values and their corners' weights, both (n_triangles, 3)."""
    vertex = surface.tri_vertex.ravel()
    n = surface.n_vertices
    total = np.stack(
        [np.bincount(vertex, (weight * values[:, axis : axis + 1]).ravel(), n) for axis in range(3)], axis=1
    )
    length = np.sqrt((total**2).sum(axis=1, keepdims=True))
    return np.divide(total, length, out=np.zeros_like(total), where=length > 0)


def angle_weighted_normals(surface: Surface) -> np.ndarray:
    """Unit normals at vertices, float64 (n_vertices, 3): triangle normals weighted by corner angle.

    They do not depend on how a flat polygon is cut into triangles.

    Source: Thuermer & Wuethrich 1998.
    """
    corner = surface.corner_mm
    weight = np.empty((surface.n_triangles, 3))
    for k in range(3):
        a, b = corner[:, (k + 1) % 3] - corner[:, k], corner[:, (k + 2) % 3] - corner[:, k]
        weight[:, k] = np.arctan2(2 * surface.area_mm2, (a * b).sum(axis=1))
    return vertex_sums(surface, surface.normal, weight)


def second_fundamental_form(surface: Surface) -> np.ndarray:
    """Bending of each triangle in its own flat frame.

    Returns
    -------
    float64 (n_triangles, 2, 2), symmetric, 1/mm: along a unit direction d the normal turns by d . II d per mm, above 0
    where the skin bulges outward.  0 for triangles without area.

    Source: Rusinkiewicz 2004, section 3: the form whose products with the edges are, in the least squares, the
    differences of the vertex normals.
    """
    normal = angle_weighted_normals(surface)[surface.tri_vertex]
    flat = surface.flat_mm
    edge = np.roll(flat, 1, axis=1) - np.roll(flat, -1, axis=1)
    turn = np.einsum("tax,tkx->tka", surface.frame, np.roll(normal, 1, axis=1) - np.roll(normal, -1, axis=1))
    eu, ev = edge[..., 0], edge[..., 1]
    uu, uv, vv = (eu * eu).sum(axis=1), (eu * ev).sum(axis=1), (ev * ev).sum(axis=1)
    zero = np.zeros_like(uu)
    # unknowns: II_uu, II_uv, II_vv
    system = np.stack([uu, uv, zero, uv, uu + vv, uv, zero, uv, vv], axis=1).reshape(-1, 3, 3)
    right = np.stack(
        [
            (eu * turn[..., 0]).sum(axis=1),
            (ev * turn[..., 0] + eu * turn[..., 1]).sum(axis=1),
            (ev * turn[..., 1]).sum(axis=1),
        ],
        axis=1,
    )
    solvable = surface.area_mm2 > 1e-9 * np.maximum(uu + vv, 1e-300)
    a, b, c = np.zeros((3, surface.n_triangles))
    a[solvable], b[solvable], c[solvable] = np.linalg.solve(system[solvable], right[solvable][..., None])[..., 0].T
    return np.stack([a, b, b, c], axis=1).reshape(-1, 2, 2)


def straightest(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """Direction in which the skin is bent least, and how much less than across it.

    Returns
    -------
    doubled : complex128 (n_triangles,), exp(2 i angle) of the principal direction of the smaller absolute curvature
    contrast_per_mm : float64 (n_triangles,), ||k1| - |k2|| of the principal curvatures, 1/mm: 0 on planes and spheres,
        and on saddles bent alike both ways, where no direction is straighter than the other
    """
    form = second_fundamental_form(surface)
    curvature, axes = np.linalg.eigh(form)
    size = np.abs(curvature)
    least = np.argmin(size, axis=1)
    way = np.take_along_axis(axes, least[:, None, None], axis=2)[..., 0]
    return (way[:, 0] + 1j * way[:, 1]) ** 2, np.abs(size[:, 0] - size[:, 1])
