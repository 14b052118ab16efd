"""Spread: one sheet of a patch over a whole region, unbroken from end to end.  Long wrinkles and lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import identity
from scipy.sparse.linalg import splu

from poredepth.compiled import one_blas_thread
from poredepth.errors import PlacementError
from poredepth.patch.types import HeightPatch
from poredepth.placement.cotangent import area_gradients, on_corners, stiffness
from poredepth.placement.prints import Prints
from poredepth.surface.directions import DirectionField, singular_vertices
from poredepth.surface.skin import Surface
from poredepth.surface.topology import connected_triangles

#: A triangle outside the region counts this much in the fit, beside 1 inside: it is laid on, but not seen.
LEAST_SHARE = 0.02

#: Rounds in which the sheet is made truer to size, and how far each leaves the field for what is true to size.
RIGID_ROUNDS, RIGID_PART = 3, 0.25

#: At most this many places are named in a message.
MAX_TOLD = 3


@dataclass(frozen=True)
class SpreadSpec:
    """How a patch is spread.

    Attributes
    ----------
    along_ratio, across_ratio : the patch is drawn out by this much along and across the field
    phase_mm : shift of the patch along and across the field
    name : of the layer, for messages
    """

    along_ratio: float = 1.0
    across_ratio: float = 1.0
    phase_mm: tuple[float, float] = (0.0, 0.0)
    name: str = ""


def spread(
    surface: Surface,
    field: DirectionField,
    triangles: np.ndarray,
    patch: HeightPatch,
    spec: SpreadSpec,
    *,
    share: np.ndarray | None = None,
) -> Prints:
    """Lay one sheet over each connected piece of the given triangles.

    u runs along the field and v across it: the least-squares fit of a print's small sheet (see `scatter`), over the
    whole piece at once.  Where lines of the field draw together or apart, no sheet is both along the field and true to
    size: a few rounds bring it some of the way from the one to the other.

    Parameters
    ----------
    triangles : bool (n_triangles,), what the sheet must cover
    share : float (n_triangles,), how much each triangle counts in the fit, as a region's weight; default: all alike

    Raises
    ------
    PlacementError : the field turns about a point of the region, or about a hole in it, so that no sheet can follow it;
        the message says where
    """
    where = np.flatnonzero(triangles & (surface.area_mm2 > 0))
    across = surface.adjacency.triangle[where]
    number = np.full(surface.n_triangles + 1, -1, np.int64)
    number[where] = np.arange(len(where))
    neighbour = number[across]  # -1 maps to the last entry, which stays -1
    piece = connected_triangles(neighbour)
    _refuse_singular(surface, field, triangles, spec)
    angle = _one_sign(surface, field, where, neighbour, spec)
    share = np.ones(len(where)) if share is None else np.maximum(share[where], LEAST_SHARE)
    uv_mm = _solve(surface, where, angle, piece, share)
    placed = _in_patch(uv_mm, patch.lay_deg, spec)
    start = np.zeros(surface.n_triangles + 1, np.int64)
    np.cumsum(np.bincount(where, minlength=surface.n_triangles), out=start[1:])
    return Prints(
        start=start,
        print_id=piece.astype(np.int32),
        picture=np.zeros(len(where), np.int32),
        corner_mm=placed.astype(np.float32),
        corner_weight=np.ones((len(where), 3), np.float32),
        zoom=np.full(len(where), 1.0 / min(spec.along_ratio, spec.across_ratio), np.float32),
        pair_start=np.zeros(surface.n_triangles + 1, np.int64),
        likeness=np.empty(0, np.float32),
    )


def _in_patch(uv_mm: np.ndarray, lay_deg: float, spec: SpreadSpec) -> np.ndarray:
    """Sheet coordinates (n, 3, 2) to patch coordinates, the lay along u."""
    lay = np.deg2rad(lay_deg)
    u = (uv_mm[..., 0] - spec.phase_mm[0]) / spec.along_ratio
    v = (uv_mm[..., 1] - spec.phase_mm[1]) / spec.across_ratio
    return np.stack([np.cos(lay) * u - np.sin(lay) * v, np.sin(lay) * u + np.cos(lay) * v], axis=2)


def _refuse_singular(surface: Surface, field: DirectionField, triangles: np.ndarray, spec: SpreadSpec) -> None:
    vertex, _ = singular_vertices(surface, field, triangles)
    if len(vertex):
        _refuse(surface, surface.position_mm[vertex], "turns about a point of the region", spec)


def _refuse(surface: Surface, at_mm: np.ndarray, what: str, spec: SpreadSpec) -> None:
    told = "; ".join(
        "[" + ", ".join(f"{x:.2f}" for x in point / surface.mm_per_unit) + "]" for point in at_mm[:MAX_TOLD]
    )
    more = f" and {len(at_mm) - MAX_TOLD} more" if len(at_mm) > MAX_TOLD else ""
    raise PlacementError(
        f"layer '{spec.name}': the direction of the skin {what}, near {told}{more} in mesh units; allowed for spread: "
        "a region in which the lines run side by side; make the region smaller, or add guides"
    )


def _one_sign(
    surface: Surface, field: DirectionField, where: np.ndarray, neighbour: np.ndarray, spec: SpreadSpec
) -> np.ndarray:
    """Angle of the field in each triangle's frame with one sign over each piece, by a spanning walk."""
    line = field.angle_rad[where]
    turn = field.turn[where]
    angle = np.full(len(where), np.nan)
    for begin in range(len(where)):
        if not np.isnan(angle[begin]):
            continue
        angle[begin] = line[begin]
        front = np.array([begin])
        while len(front):
            t, k = np.nonzero(neighbour[front] >= 0)
            source, target = front[t], neighbour[front[t], k]
            fresh = np.isnan(angle[target])
            source, target, k = source[fresh], target[fresh], k[fresh]
            target, first = np.unique(target, return_index=True)
            brought = angle[source[first]] + turn[source[first], k[first]]
            angle[target] = line[target] + np.pi * np.round((brought - line[target]) / np.pi)
            front = target
    t, k = np.nonzero(neighbour >= 0)
    against = np.cos(angle[t] + turn[t, k] - angle[neighbour[t, k]]) < 0
    if against.any():
        at_mm = surface.corner_mm[where[t[against]]].mean(axis=1)
        _refuse(surface, at_mm, "turns about a hole in the region", spec)
    return angle


def _solve(surface: Surface, where: np.ndarray, angle: np.ndarray, piece: np.ndarray, share: np.ndarray) -> np.ndarray:
    """u, v at the corners of the triangles, float64 (n, 3, 2), mm; each piece has its mean at 0."""
    flat = surface.flat_mm[where]
    vertex, corner = np.unique(surface.tri_vertex[where], return_inverse=True)
    corner = corner.reshape(-1, 3)
    # a point shared by two pieces belongs to each of them on its own
    key, corner = np.unique(corner + len(vertex) * piece[:, None].astype(np.int64), return_inverse=True)
    corner = corner.reshape(-1, 3)
    n = len(key)
    hat = area_gradients(flat)
    system = stiffness(flat, hat, corner, n, share)
    # the free constant of each piece: a pull towards 0 far below what shows
    pinned = system + 1e-9 * identity(n, format="csc")
    line = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    way = line
    with one_blas_thread():
        factor = splu(pinned, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        for _ in range(1 + RIGID_ROUNDS):
            right = np.zeros((n, 2))
            for q, target in enumerate((way, np.stack([-way[:, 1], way[:, 0]], axis=1))):
                right[:, q] = on_corners(np.einsum("tia,ta->ti", hat, share[:, None] * target), corner, n)
            uv = factor.solve(right)
            way = _unit((1 - RIGID_PART) * line + RIGID_PART * _nearest_turn(hat, uv[corner]))
    of_piece = key // len(vertex)
    count = np.bincount(of_piece)
    for q in range(2):
        uv[:, q] -= (np.bincount(of_piece, uv[:, q]) / np.maximum(count, 1))[of_piece]
    return uv[corner]


def _nearest_turn(hat: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """Way of u, unit (n, 2), in the turn nearest to the map of each triangle (Liu et al. 2008, section 4)."""
    u, v = (np.einsum("tia,ti->ta", hat, uv[..., q]) for q in range(2))
    return _unit(np.stack([u[:, 0] + v[:, 1], u[:, 1] - v[:, 0]], axis=1))


def _unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12)
