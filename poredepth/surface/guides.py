"""Guides: where on the skin a polyline near it runs.

What is between two points of a guide is a straight line in space.  Where the skin is hollow it may pass nearer to other
skin (the lip across the mouth, the eyeball under the lid) than to the skin its points lie on; it stays on the latter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.surface.locate import SkinPoint, nearest_skin_points
from poredepth.surface.skin import Surface

#: Where the sides of a guide's two ends face so unlike that their mean is shorter than this, any side will do between.
LEAST_FACING = 0.2


@dataclass(frozen=True)
class GuideSamples:
    """Points along a guide.

    at_mm float64 (n, 3); tangent float64 (n, 3), unit; step_mm float64 (n,), the length each stands for; part int (n,),
    which pair of points it lies between, and share float64 (n,), how far along.
    """

    at_mm: np.ndarray
    tangent: np.ndarray
    step_mm: np.ndarray
    part: np.ndarray
    share: np.ndarray


def sample_guide(surface: Surface, guide_mm: np.ndarray) -> GuideSamples:
    """Points closer together than half a typical edge."""
    spacing_mm = 0.5 * np.sqrt(2.3 * np.median(surface.area_mm2[surface.area_mm2 > 0]))
    columns = []
    for part, (a, b) in enumerate(zip(guide_mm[:-1], guide_mm[1:], strict=True)):
        length = np.linalg.norm(b - a)
        if length == 0:
            continue
        n = max(1, int(np.ceil(length / spacing_mm)))
        at = (np.arange(n) + 0.5) / n
        tangent = np.repeat([(b - a) / length], n, axis=0)
        columns.append((a + at[:, None] * (b - a), tangent, np.full(n, length / n), np.full(n, part), at))
    if not columns:
        return GuideSamples(guide_mm[:1], np.zeros((1, 3)), np.zeros(1), np.zeros(1, int), np.zeros(1))
    return GuideSamples(*(np.concatenate(column) for column in zip(*columns, strict=True)))


def skin_points_of_guide(
    surface: Surface, guide_mm: np.ndarray, samples: GuideSamples, limit_mm: float
) -> list[SkinPoint]:
    """The nearest skin point of each sample, on a piece of skin and a side of it that the ends of its part lie on."""
    found = nearest_skin_points(surface, samples.at_mm)
    end = np.array([point.triangle for point in nearest_skin_points(surface, guide_mm)])
    piece = surface.tri_piece
    for i, point in enumerate(found):
        ends = end[[samples.part[i], samples.part[i] + 1]]
        facing = np.array([1 - samples.share[i], samples.share[i]]) @ surface.normal[ends]
        any_side = np.linalg.norm(facing) < LEAST_FACING
        here = point.triangle
        if piece[here] in piece[ends] and (any_side or surface.normal[here] @ facing > 0):
            continue
        own = np.isin(piece, piece[ends]) & (any_side | (surface.normal @ facing > 0))
        [other] = nearest_skin_points(surface, samples.at_mm[i], among=own)
        found[i] = other if other.snapped_mm <= limit_mm else point
    return found
