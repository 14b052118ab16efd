"""Guides: polylines near the skin that pull the line field along.

What is between two points of a guide is a straight line in space.  Where the skin is hollow it may pass nearer to other
skin (the lip across the mouth, the eyeball under the lid) than to the skin its points lie on; it stays on the latter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.errors import RegionError
from poredepth.surface.locate import SNAP_RATIO, SkinPoint, nearest_skin_points
from poredepth.surface.skin import Surface

#: Where the sides of a guide's two ends face so unlike that their mean is shorter than this, any side will do between.
LEAST_FACING = 0.2


def add_guide(surface: Surface, guide_mm: np.ndarray, number: int, pull: np.ndarray, target: np.ndarray) -> None:
    """Add what a guide says to each triangle it passes.

    Parameters
    ----------
    guide_mm : float64 (n >= 2, 3), mm; number : of the guide, for messages
    pull : float64 (n_triangles,), changed: length of guide in a triangle over the triangle's size
    target : complex128 (n_triangles,), changed: the same times the guide's direction, doubled, in the triangle's frame

    Raises
    ------
    RegionError : a guide that lies far from the skin or has no length along it
    """
    samples = _sample_guide(surface, guide_mm)
    limit_mm = SNAP_RATIO * np.linalg.norm(np.ptp(surface.position_mm, axis=0))
    found = _on_the_guides_side(surface, guide_mm, samples, limit_mm)
    far = max(point.snapped_mm for point in found)
    if far > limit_mm:
        raise RegionError(
            f"directions[{number}]: a point of the guide is {far:.1f} mm from the skin; allowed: up to {limit_mm:.1f} "
            "mm; guide points are in the mesh file's unit: check the unit and the coordinates"
        )
    total = 0.0
    for point, tangent, step_mm in zip(found, samples.tangent, samples.step_mm, strict=True):
        axes = surface.frame[point.triangle]
        x, y = axes @ tangent
        flatness = np.hypot(x, y)  # a tangent that stands up from the skin says little
        if flatness < 0.1:
            continue
        share = step_mm * flatness / np.sqrt(max(surface.area_mm2[point.triangle], 1e-12))
        pull[point.triangle] += share
        target[point.triangle] += share * np.exp(2j * np.arctan2(y, x))
        total += share
    if total == 0.0:
        raise RegionError(
            f"directions[{number}]: the guide has no length along the skin; allowed: two or more points apart on the "
            "skin; check its points"
        )


@dataclass(frozen=True)
class _Samples:
    """Points along a guide.

    at_mm float64 (n, 3); tangent float64 (n, 3), unit; step_mm float64 (n,), the length each stands for; part int (n,),
    which pair of points it lies between, and share float64 (n,), how far along.
    """

    at_mm: np.ndarray
    tangent: np.ndarray
    step_mm: np.ndarray
    part: np.ndarray
    share: np.ndarray


def _sample_guide(surface: Surface, guide_mm: np.ndarray) -> _Samples:
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
        return _Samples(guide_mm[:1], np.zeros((1, 3)), np.zeros(1), np.zeros(1, int), np.zeros(1))
    return _Samples(*(np.concatenate(column) for column in zip(*columns, strict=True)))


def _on_the_guides_side(surface: Surface, guide_mm: np.ndarray, samples: _Samples, limit_mm: float) -> list[SkinPoint]:
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
