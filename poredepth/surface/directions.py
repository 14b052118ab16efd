"""The direction of the skin: a smooth unsigned line field that follows guides.

A direction in a triangle is the doubled angle ``z = exp(2 i angle)``, the angle anticlockwise from the triangle's own
first axis (`Surface.frame`), so that a line and its reverse are one number and can be averaged.  Neighbours are
compared by turning through their shared edge, seams like any other edge: the field knows nothing of UVs.

Source: smoothest line fields aligned to guides by one linear solve, Knöppel, Crane, Pinkall & Schröder 2013;
discretised here on triangles, with the edge weights of a dual mesh: own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import splu

from poredepth.compiled import one_blas_thread
from poredepth.surface.pulls import GUIDE_STRENGTH, Pull, guide_pull
from poredepth.surface.skin import Surface
from poredepth.surface.topology import directed_edges

#: Hold of what a zone's directions were before: keeps the solve regular where a zone hangs together by a vertex only.
HOLD_STRENGTH = 1e-9

#: Pulls on a piece of skin that add up to less are rounding.
LEAST_PULL = 1e-6


@dataclass(frozen=True)
class DirectionField:
    """Unit line direction of each triangle.

    Attributes
    ----------
    doubled : complex128 (n_triangles,), exp(2 i angle) in the triangle's own frame
    turn : float64 (n_triangles, 3), radians to add to an angle in this frame for the frame across edge k
    """

    doubled: np.ndarray
    turn: np.ndarray

    @property
    def angle_rad(self) -> np.ndarray:
        """float64 (n_triangles,), in (-pi/2, pi/2]."""
        return 0.5 * np.angle(self.doubled)

    def xyz(self, surface: Surface) -> np.ndarray:
        """Unit vectors (n_triangles, 3) in space; their sign means nothing."""
        angle = self.angle_rad
        return np.cos(angle)[:, None] * surface.frame[:, 0] + np.sin(angle)[:, None] * surface.frame[:, 1]


def direction_field(
    surface: Surface, guides_mm: Sequence[np.ndarray] = (), pulls: Sequence[Pull] = ()
) -> DirectionField:
    """Smoothest line field that follows guides and other pulls.

    Parameters
    ----------
    surface : the skin
    guides_mm : polylines (n >= 2, 3) in mm, on or near the skin
    pulls : see `build_pulls`; those with a zone change the field of all others inside their zone only, one after the
        other, and the field runs on smoothly over the border of the zone

    Returns
    -------
    DirectionField.  On a connected piece without a pull, the field is the smooth continuation of its first triangle's
    first edge: arbitrary, but the same for a head that was merely moved.

    Raises
    ------
    RegionError : a guide that lies far from the skin or has no length along it
    """
    turn = edge_turns(surface)
    roughness = connection_laplacian(surface, turn)
    weight, target = np.zeros(surface.n_triangles), np.zeros(surface.n_triangles, complex)
    everywhere = [guide_pull(surface, [(f"directions[{i}]", guide)]) for i, guide in enumerate(guides_mm)]
    everywhere += [pull for pull in pulls if pull.zone is None]
    for pull in everywhere:
        weight += pull.weight
        target += pull.target
    lonely = _first_of_pieces_without_pull(surface, weight)
    anchor = np.zeros(surface.n_triangles)
    anchor[lonely] = GUIDE_STRENGTH
    z = _unit(_solved(roughness, weight + anchor, target + anchor), np.ones(surface.n_triangles))
    for pull in pulls:
        if pull.zone is not None:
            weight += pull.weight
            target += pull.target
            z = _solved_in_zone(roughness, weight, target, z, pull.zone)
    return DirectionField(z, turn)


def _solved(roughness, weight: np.ndarray, target: np.ndarray) -> np.ndarray:
    system = (roughness + diags(weight)).tocsc()
    with one_blas_thread():
        factor = splu(system, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        return factor.solve(target)


def _solved_in_zone(roughness, weight, target, z: np.ndarray, zone: np.ndarray) -> np.ndarray:
    """The field solved anew in a zone, bool (n_triangles,), with what is around it held as it is."""
    inside, outside = np.flatnonzero(zone), np.flatnonzero(~zone)
    rows = roughness.tocsr()[inside].tocsc()
    right = target[inside] + HOLD_STRENGTH * z[inside] - rows[:, outside] @ z[outside]
    out = z.copy()
    out[inside] = _unit(_solved(rows[:, inside], weight[inside] + HOLD_STRENGTH, right), z[inside])
    return out


def _unit(z: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    """Numbers of size 1, complex128 (n,); ``otherwise`` (n,) where there is none."""
    size = np.abs(z)
    return np.where(size > 0, z / np.where(size > 0, size, 1.0), otherwise)


def carried(field: DirectionField, coarse: Surface, fine: Surface) -> DirectionField:
    """The field of a surface on the same surface split further: a part lies in its parent's plane."""
    way = field.xyz(coarse)[fine.tri_parent]
    x, y = np.einsum("tax,tx->at", fine.frame, way)
    return DirectionField(_unit((x + 1j * y) ** 2, np.ones(fine.n_triangles)), edge_turns(fine))


def edge_turns(surface: Surface) -> np.ndarray:
    """Radians to add to an angle in a triangle's frame to get it in the frame across edge k, (n_triangles, 3)."""
    flat = surface.flat_mm
    i, j = [1, 2, 0], [2, 0, 1]
    along = flat[:, j] - flat[:, i]
    edge_angle = np.arctan2(along[..., 1], along[..., 0])
    t2, k2 = surface.adjacency.triangle, surface.adjacency.edge
    turn = edge_angle[t2, k2] + np.pi - edge_angle  # the neighbour runs the edge the other way round
    return np.where(t2 >= 0, turn, 0.0)


def connection_laplacian(surface: Surface, turn: np.ndarray):
    """Sparse Hermitian (n_triangles, n_triangles): sum over edges of weight x squared difference of directions."""
    t, k = np.nonzero(surface.adjacency.triangle >= 0)
    t2 = surface.adjacency.triangle[t, k]
    a, b = directed_edges(surface.tri_vertex)
    length_mm = np.linalg.norm(surface.position_mm[a[t, k]] - surface.position_mm[b[t, k]], axis=1)
    # length of the edge over the distance between the two triangles' centres, as in a finite-volume Laplacian
    area = np.maximum(surface.area_mm2, 1e-9 * surface.area_mm2.mean())
    weight = 1.5 * length_mm**2 / (area[t] + area[t2])
    n = surface.n_triangles
    brought = weight * np.exp(-2j * turn[t, k])  # the neighbour's direction, in this triangle's frame
    diagonal = np.bincount(t, weight, n).astype(float)  # it counts in whole numbers where there is no edge at all
    return coo_matrix((-brought, (t, t2)), shape=(n, n)).tocsc() + diags(diagonal)


def singular_vertices(
    surface: Surface, field: DirectionField, triangles: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Points about which the line field turns.

    Parameters
    ----------
    triangles : bool (n_triangles,); only points all of whose triangles are among these are looked at

    Returns
    -------
    vertex int64 (n,), index float64 (n,): multiples of 1/2 (Ray et al. 2008; for a closed surface they add up to its
    Euler characteristic).  Points on open borders are not looked at: a border has one index as a whole, see
    `border_index`.
    """
    across = surface.adjacency.triangle
    inside = np.ones(surface.n_triangles, bool) if triangles is None else triangles
    whole = np.ones(surface.n_vertices, bool)
    whole[surface.tri_vertex[~inside]] = False
    whole[surface.tri_vertex[surface.area_mm2 <= 0]] = False  # angles there mean nothing
    t, k = np.nonzero(across < 0)
    whole[surface.tri_vertex[t, (k + 1) % 3]] = False
    whole[surface.tri_vertex[t, (k + 2) % 3]] = False
    # anticlockwise about corner v, a triangle is left by the edge opposite the corner after v
    t, corner = np.nonzero(whole[surface.tri_vertex])
    step = _edge_steps(surface, field)[t, (corner + 1) % 3]
    vertex = surface.tri_vertex[t, corner]
    # what the field turns by, and what carrying a direction once around turns by: the angle defect
    defect = 2 * np.pi - np.bincount(surface.tri_vertex.ravel(), corner_angles(surface).ravel(), surface.n_vertices)
    total = np.bincount(vertex, step, surface.n_vertices) + defect
    index = np.round(total / np.pi) / 2
    found = np.flatnonzero(whole & (index != 0))
    return found, index[found]


def border_index(surface: Surface, field: DirectionField) -> tuple[list[np.ndarray], np.ndarray]:
    """How often the line field turns along each open border, beside the border itself.

    Walking once along a border with the skin to the left, the border turns by its geodesic curvature (at a point, pi
    less the angles of the triangles there) and the field by its steps from triangle to triangle; the index is the
    difference in whole turns.  A field that keeps its angle to the border has index 0, a uniform one 1 on the border of
    a disk and -1 on that of a round hole.

    Returns
    -------
    loops : int64 (n,) each, the vertices of a border in walking order; edges that are shared by more than two triangles
        or by two of opposite winding are borders of each of them
    index : float64 (n_loops,), multiples of 1/2.  With those of `singular_vertices` they add up to the Euler
        characteristic of the surface (of the surface taken apart where pieces of it meet in a point only).

    Source: the index theorem for surfaces with a border (Poincare and Hopf), with turns as in Ray et al. 2008,
    N-symmetry direction field design, and Gauss and Bonnet for the border's curvature; the discrete sum is our own
    derivation: every edge's step counts once forwards and once backwards, and the angles of all triangles are left.
    """
    across, across_edge = surface.adjacency.triangle, surface.adjacency.edge
    step, angle = _edge_steps(surface, field), corner_angles(surface)
    left = {(int(t), int(k)) for t, k in zip(*np.nonzero(across < 0), strict=True)}
    loops, index = [], []
    for begin in sorted(left):
        if begin not in left:
            continue
        vertices, turned, (t, k) = [], 0.0, begin
        while (t, k) in left:
            left.remove((t, k))
            end = (k + 2) % 3
            vertices.append(surface.tri_vertex[t, end])
            turned += np.pi - angle[t, end]
            k = (k + 1) % 3  # the other edge of t at that vertex, and so on from triangle to triangle about it
            while across[t, k] >= 0:
                turned -= step[t, k]
                t, k = int(across[t, k]), int(across_edge[t, k])
                turned -= angle[t, (k + 2) % 3]
                k = (k + 1) % 3
        loops.append(np.array(vertices, np.int64))
        index.append(np.round(turned / np.pi) / 2 + 0.0)  # not -0
    return loops, np.array(index, float)


def _edge_steps(surface: Surface, field: DirectionField) -> np.ndarray:
    """What the line turns by from a triangle to the one across edge k, float64 (n_triangles, 3), -pi/2 to pi/2; 0 at
    borders.  Exactly the opposite the other way."""
    angle = field.angle_rad
    across, across_edge = surface.adjacency.triangle, surface.adjacency.edge
    step = np.zeros(across.shape)
    t, k = np.nonzero(across > np.arange(len(across))[:, None])
    t2, k2 = across[t, k], across_edge[t, k]
    found = angle[t2] - angle[t] - field.turn[t, k]
    found -= np.pi * np.round(found / np.pi)
    step[t, k], step[t2, k2] = found, -found
    return step


def corner_angles(surface: Surface) -> np.ndarray:
    """Angle of each triangle at its corners, float64 (n_triangles, 3), radians."""
    flat = surface.flat_mm
    angle = np.empty((surface.n_triangles, 3))
    for k in range(3):
        a, b = flat[:, (k + 1) % 3] - flat[:, k], flat[:, (k + 2) % 3] - flat[:, k]
        angle[:, k] = np.arctan2(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), (a * b).sum(axis=1))
    return angle


def _first_of_pieces_without_pull(surface: Surface, weight: np.ndarray) -> np.ndarray:
    """First triangle of each connected piece on which nothing pulls."""
    piece = surface.tri_piece
    total = np.bincount(piece, weight)
    return np.unique(piece, return_index=True)[1][total < LEAST_PULL]
