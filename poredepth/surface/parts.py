"""Parts of the face: every vertex of the skin belongs to one, found from the standard landmarks.

The skin is carried onto a model head by the smoothest map that brings its landmarks onto the model's, and takes the
part it falls into there (`atlas`).  The map follows the landmarks through any turn, shift and scale, so nothing depends
on where the head stands or on its unit.  Widths are measured on the skin itself: from the border between two parts,
along the skin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from poredepth.errors import RegionError
from poredepth.recipe.anatomy import FACE_MM, NEEDED, PARTS, model_mm, standard
from poredepth.surface.atlas import OUTLINES, REMAINDER
from poredepth.surface.geodesic import distance_from_curve_mm
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.skin import Surface

#: A landmark farther from the skin than this share of the face (nasion to chin) is taken for a mistake.
SNAP_RATIO = 0.1

#: A landmark no farther from the skin than this lies on it.
ON_SKIN_MM = 1.0

#: Vertices carried onto the model head at once.
CHUNK = 1 << 16

#: Score of what cannot be otherwise.
SURE = 1e4


@dataclass(frozen=True)
class Partition:
    """The parts of a skin.

    Attributes
    ----------
    surface : the skin
    part : int8 (n_vertices,), index into ``PARTS``
    score : float32 (n_parts, n_vertices), largest for the part of the vertex; two are equal where their parts meet
    """

    surface: Surface
    part: np.ndarray
    score: np.ndarray

    def signed_mm(self, name: str, max_mm: float) -> np.ndarray:
        """Distance along the skin from a part's border, float64 (n_vertices,), mm, below 0 outside it, cut at max_mm.

        Inside a triangle the border runs straight between the points of its edges where the scores of the parts at
        their ends are equal.
        """
        inside = self.part == PARTS.index(name)
        known_mm = np.full(self.surface.n_vertices, np.inf)
        corner = self.surface.tri_vertex
        cut = np.flatnonzero(inside[corner].any(axis=1) & ~inside[corner].all(axis=1))
        distance_mm = self._beside_border_mm(cut, inside)
        np.minimum.at(known_mm, corner[cut].ravel(), distance_mm.ravel())
        out = np.minimum(distance_from_curve_mm(self.surface, known_mm, max_mm), max_mm)
        return np.where(inside, out, -out)

    def _beside_border_mm(self, cut: np.ndarray, inside: np.ndarray) -> np.ndarray:
        """Distance (n, 3) of the corners of triangles ``cut`` (n,) from the border through them."""
        corner = self.surface.tri_vertex[cut]
        is_in = inside[corner]
        alone = np.argmax(is_in == (is_in.sum(axis=1, keepdims=True) == 1), axis=1)
        pick = (alone[:, None] + np.arange(3)) % 3
        vertex = np.take_along_axis(corner, pick, axis=1)
        flat = np.take_along_axis(self.surface.flat_mm[cut], pick[..., None], axis=1)
        ends = [
            flat[:, 0] + self._crossing(vertex[:, 0], vertex[:, k])[:, None] * (flat[:, k] - flat[:, 0]) for k in (1, 2)
        ]
        along = ends[1] - ends[0]
        length2 = (along * along).sum(axis=1)
        out = np.empty(corner.shape)
        for k in range(3):
            to = flat[:, k] - ends[0]
            at = np.clip((to * along).sum(axis=1) / np.where(length2 > 0, length2, 1.0), 0, 1)
            out[:, k] = np.linalg.norm(to - at[:, None] * along, axis=1)
        np.put_along_axis(out, pick, out.copy(), axis=1)
        return out

    def _crossing(self, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """Share (n,) of the way from ``start`` to ``end`` at which the parts of the two are equally near."""
        own, other = self.part[start], self.part[end]
        here = self.score[own, start].astype(float) - self.score[other, start]
        there = self.score[other, end].astype(float) - self.score[own, end]
        total = here + there
        return np.divide(here, total, out=np.full(len(total), 0.5), where=total > 0)


def face_partition(surface: Surface, landmarks: Mapping[str, Sequence[float]]) -> Partition:
    """Find the parts of a skin.

    Parameters
    ----------
    landmarks : by name, [x, y, z] in the mesh file's unit; the standard ones are used

    Raises
    ------
    RegionError : standard landmarks are missing, or lie far from the skin
    """
    missing = [name for name in NEEDED if name not in landmarks]
    if missing:
        raise RegionError(
            f"parts of the face: no landmark {', '.join(missing)}; allowed: all of {', '.join(NEEDED)}; give the "
            "missing ones under landmarks"
        )
    names = standard(landmarks)
    given_mm = np.array([landmarks[name] for name in names], float) * surface.mm_per_unit
    points = nearest_skin_points(surface, given_mm)
    off_mm = np.array([point.snapped_mm for point in points])
    _check_on_skin(landmarks, off_mm, surface.mm_per_unit)
    triangle = np.array([point.triangle for point in points])
    skin_mm = surface.points_mm(triangle, np.array([point.barycentric for point in points]))
    # the nearest point of a fold is not the only one: a landmark that is good enough stays where it is
    carry = ModelMap(np.where(off_mm[:, None] > ON_SKIN_MM, skin_mm, given_mm), model_mm(names))
    score = np.empty((len(PARTS), surface.n_vertices), np.float32)
    for start in range(0, surface.n_vertices, CHUNK):
        some = slice(start, start + CHUNK)
        score[:, some] = part_scores(carry(surface.position_mm[some]))
    _give_rest(surface, triangle, score)
    return Partition(surface, np.argmax(score, axis=0).astype(np.int8), score)


def _check_on_skin(landmarks: Mapping[str, Sequence[float]], off_mm: Sequence[float], mm_per_unit: float) -> None:
    face_mm = float(np.linalg.norm(np.subtract(landmarks["nasion"], landmarks["chin"]))) * mm_per_unit
    limit_mm = SNAP_RATIO * face_mm
    far = [
        f"{name} {list(landmarks[name])} is {mm:.1f} mm"
        for name, mm in zip(standard(landmarks), off_mm, strict=True)
        if mm > limit_mm
    ]
    if far:
        raise RegionError(
            f"landmarks: {', '.join(far)} from the skin; allowed: up to {limit_mm:.1f} mm, a tenth of the face; "
            "landmarks are in the mesh file's unit: check the unit and the coordinates"
        )


def _give_rest(surface: Surface, landmark_triangle: np.ndarray, score: np.ndarray) -> None:
    """Pieces of the mesh without a landmark (eyeballs, teeth) are no part of the face."""
    piece = surface.tri_piece
    is_rest = ~np.isin(piece, piece[landmark_triangle])
    rest = PARTS.index("rest")
    score[rest] = -SURE
    if is_rest.any():
        vertex = np.zeros(surface.n_vertices, bool)
        vertex[surface.tri_vertex[is_rest]] = True
        vertex[surface.tri_vertex[~is_rest]] = False
        score[rest, vertex] = SURE


def part_scores(model_mm: np.ndarray) -> np.ndarray:
    """Scores (n_parts, n) of points (n, 3) on the model head, mm.

    Where outlines before it leave a point free, a part scores its depth there; so of all parts one scores above 0.
    """
    x = model_mm[:, 0]
    out = np.full((len(PARTS), len(x)), -SURE)
    free = np.full(len(x), SURE)

    def paint(name: str, depth: np.ndarray) -> None:
        out[PARTS.index(name)] = np.minimum(depth, free)
        np.minimum(free, -depth, out=free)

    def paint_pair(stem: str, depth: np.ndarray) -> None:
        paint(f"{stem}_left", np.minimum(depth, x))
        paint(f"{stem}_right", np.minimum(depth, -x))

    for outline in OUTLINES:
        (paint_pair if outline.is_paired else paint)(outline.part, outline.depth_mm(model_mm))
    paint_pair(REMAINDER, np.full(len(x), SURE))
    return out


@dataclass(frozen=True)
class ModelMap:
    """The smoothest map that brings a head's landmarks onto those of the model head, both float64 (n, 3), mm.

    An affine map and a sum of powers of the distances from the landmarks; exact at the landmarks.  On heads deformed
    smoothly and strongly it carried the parts better with the power 1.5 than with 1, and was less upset by inexact
    landmarks than with 3.

    Source: Duchon 1977, rotation-invariant semi-norms: in three dimensions, with linear polynomials (m = 2) and
    s = 1/4, the kernel is the distance to the power 2 m + 2 s - 3 = 1.5.  Such maps between landmarks: Bookstein 1989.
    """

    landmark_mm: np.ndarray
    model_mm: np.ndarray

    @cached_property
    def _solved(self) -> np.ndarray:
        n = len(self.landmark_mm)
        system, right = np.zeros((n + 4, n + 4)), np.zeros((n + 4, 3))
        for k, landmark in enumerate(self.landmark_mm):
            system[:n, k] = self._kernel(self.landmark_mm, landmark)
        system[:n, n:] = self._linear(self.landmark_mm)
        system[n:, :n] = system[:n, n:].T
        right[:n] = self.model_mm
        return np.linalg.solve(system, right)

    def __call__(self, position_mm: np.ndarray) -> np.ndarray:
        """Places (n, 3) on the model head, mm, of points (n, 3) of the head, mm."""
        n = len(self.landmark_mm)
        out = self._linear(position_mm) @ self._solved[n:]
        for landmark, factor in zip(self.landmark_mm, self._solved[:n], strict=True):
            out += self._kernel(position_mm, landmark)[:, None] * factor
        return out

    # in faces, not in mm, so that both kinds of terms are of one size
    def _linear(self, position_mm: np.ndarray) -> np.ndarray:
        from_middle = (position_mm - self.landmark_mm.mean(axis=0)) / FACE_MM
        return np.hstack([np.ones((len(position_mm), 1)), from_middle])

    @staticmethod
    def _kernel(position_mm: np.ndarray, landmark_mm: np.ndarray) -> np.ndarray:
        return (((position_mm - landmark_mm) ** 2).sum(axis=1) / FACE_MM**2) ** 0.75
