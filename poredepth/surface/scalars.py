"""Factors that vary over the skin: ramps from landmark to landmark, and painted pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from poredepth.errors import RegionError
from poredepth.recipe.model_layers import VarySpec
from poredepth.surface.geodesic import distance_from_point_mm
from poredepth.surface.locate import SkinPoint, snapped_points
from poredepth.surface.masks import Pictures, filled_beside_charts, sample_pictures, warn_of_missing_tiles
from poredepth.surface.skin import Surface


@dataclass(frozen=True)
class VertexFactor:
    """Factor at vertices, float32 (n_vertices,), interpolated linearly."""

    value: np.ndarray


@dataclass(frozen=True)
class PictureFactor:
    """Painted factor: ``black`` where the picture is 0, ``white`` where it is 1."""

    pictures: Pictures
    black: float
    white: float


Factor = VertexFactor | PictureFactor

#: Places of a ramp nearer to each other than this are one point.
LEAST_APART_MM = 1e-3


def build_factor(surface: Surface, spec: VarySpec, where: str, read_mask: Callable[[str], Pictures]) -> Factor:
    """Turn what a recipe says into a factor on the skin.

    Parameters
    ----------
    where : key path of the spec, for messages
    read_mask : function that reads a picture named in the recipe, by UV tile

    Raises
    ------
    RegionError : a stop that lies far from the skin, stops on pieces of skin that do not hang together
    """
    if spec.map is not None:
        black, white = (default if x is None else x for x, default in ((spec.black, 0.0), (spec.white, 1.0)))
        pictures = filled_beside_charts(surface, read_mask(spec.map))
        warn_of_missing_tiles(surface, pictures, f"{where}.map", "which counts as black there")
        return PictureFactor(pictures, black, white)
    return VertexFactor(_ramp(surface, spec, where).astype(np.float32))


def factor_at(surface: Surface, factor: Factor, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
    """Factor at skin points.

    Parameters
    ----------
    triangle : int (n,), -1 where there is no skin (factor 0); barycentric : float (n, 3)

    Returns
    -------
    float32 (n,)
    """
    if isinstance(factor, PictureFactor):
        painted = sample_pictures(surface, factor.pictures, triangle, barycentric)
        return np.float32(factor.black) + painted * np.float32(factor.white - factor.black)
    corner = factor.value[surface.tri_vertex[triangle]]
    return np.where(triangle >= 0, (corner * barycentric).sum(axis=1), 0.0).astype(np.float32)


def _ramp(surface: Surface, spec: VarySpec, where: str) -> np.ndarray:
    """Value at vertices, float64 (n_vertices,).

    Beside another place j, a distance D away along the skin, place k counts by s_kj = (d_j - d_k + D) / 2 D, between 0
    and 1, with d the distances from the places: even along the shortest way between the two, and at rest beyond.  It
    counts by the least of these, and the values are averaged so: each place has its own value, and none lies beyond
    those of the stops (own derivation).
    """
    places = [(value, [stop.at for stop in stops]) for value, stops in groupby(spec.ramp, key=lambda stop: stop.value)]
    points, number = [], 0
    for _, at in places:
        names = [f"{where}.ramp[{number + i}].at" for i in range(len(at))]
        points.append(snapped_points(surface, np.asarray(at, float) * surface.mm_per_unit, names))
        number += len(at)
    distance_mm = [np.minimum.reduce([distance_from_point_mm(surface, point) for point in some]) for some in points]
    weight = np.ones((len(places), surface.n_vertices))
    for k in range(len(places)):
        weight[k, ~np.isfinite(distance_mm[k])] = 0.0
        others = [j for j in range(len(places)) if j != k]
        apart = {j: _apart_mm(surface, points[k], points[j], distance_mm[k]) for j in others}
        if min(apart.values(), default=1.0) < LEAST_APART_MM:
            _refuse(where, "at one point")
        if min(apart.values(), default=1.0) == np.inf:
            _refuse(where, "on pieces of the mesh that do not hang together")
        for j, apart_mm in apart.items():
            if apart_mm == np.inf:  # they never meet
                continue
            both = np.isfinite(distance_mm[k]) & np.isfinite(distance_mm[j])
            share = np.clip((distance_mm[j] - distance_mm[k] + apart_mm)[both] / (2 * apart_mm), 0.0, 1.0)
            weight[k, both] = np.minimum(weight[k, both], share)
    total = weight.sum(axis=0)
    values = np.array([value for value, _ in places])
    return np.where(total > 0, values @ weight / np.where(total > 0, total, 1.0), values[0])


def _apart_mm(
    surface: Surface,
    here: Sequence[SkinPoint],
    there: Sequence[SkinPoint],
    distance_mm: np.ndarray,
) -> float:
    """Distance of two places along the skin, inf without a way; ``distance_mm`` is that of vertices from the first."""
    found = np.inf
    for point in there:
        corner_mm = distance_mm[surface.tri_vertex[point.triangle]]
        if np.isfinite(corner_mm).all():
            found = min(found, float(corner_mm @ point.barycentric))
        for other in here:
            if other.triangle == point.triangle:
                step = surface.corner_mm[point.triangle].T @ (point.barycentric - other.barycentric)
                found = min(found, float(np.linalg.norm(step)))
    return found


def _refuse(where: str, how: str) -> None:
    raise RegionError(
        f"{where}.ramp: two stops of different value lie {how}; allowed: stops apart on one piece of skin"
    )
