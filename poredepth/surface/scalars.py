"""Factors that vary over the skin: ramps from landmark to landmark, and painted pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from poredepth.errors import RegionError
from poredepth.recipe.model_layers import VarySpec
from poredepth.surface.geodesic import distance_from_point_mm
from poredepth.surface.locate import snapped_points
from poredepth.surface.masks import Pictures, filled_beside_charts, sample_pictures
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
        return PictureFactor(filled_beside_charts(surface, read_mask(spec.map)), black, white)
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

    From one place to the next, a distance D apart along the skin, the share is (d - d' + D) / 2 D between 0 and 1, with
    d and d' the distances from the two: even along the shortest way between them, and at rest beyond.  Shares of later
    steps add up (own derivation).
    """
    places = [(value, [stop.at for stop in stops]) for value, stops in groupby(spec.ramp, key=lambda stop: stop.value)]
    points, number = [], 0
    for _, at in places:
        names = [f"{where}.ramp[{number + i}].at" for i in range(len(at))]
        points.append(snapped_points(surface, np.asarray(at, float) * surface.mm_per_unit, names))
        number += len(at)
    distance_mm = [np.minimum.reduce([distance_from_point_mm(surface, point) for point in some]) for some in points]
    value = np.full(surface.n_vertices, float(places[0][0]))
    for k in range(len(places) - 1):
        apart_mm = min(
            float(distance_mm[k][surface.tri_vertex[point.triangle]] @ point.barycentric) for point in points[k + 1]
        )
        if not 0 < apart_mm < np.inf:
            found = "at one point" if apart_mm == 0 else "on pieces of the mesh that do not hang together"
            raise RegionError(
                f"{where}.ramp: two stops of different value lie {found}; allowed: stops apart on one piece of skin"
            )
        here, there = distance_mm[k], distance_mm[k + 1]
        reached = np.isfinite(here) & np.isfinite(there)
        along = np.zeros(surface.n_vertices)
        along[reached] = np.clip((here - there + apart_mm)[reached] / (2 * apart_mm), 0.0, 1.0)
        value += (places[k + 1][0] - places[k][0]) * along
    return value
