"""What pulls on the direction of the skin: guide lines, painted angles, rays and rings about a point, the form itself.

Each becomes a `Pull`: in each triangle a direction, and how strongly it is asked for against the field's smoothness.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.errors import RegionError
from poredepth.surface.geodesic import march_from_mm
from poredepth.surface.locate import SkinPoint, nearest_skin_points
from poredepth.surface.skin import Surface

#: Pull of one guide against the field's smoothness; at 30 the field meets a guide within a fraction of a degree.
GUIDE_STRENGTH = 30.0

#: A guide farther from the skin than this share of the mesh's diagonal is taken for a mistake.
SNAP_RATIO = 0.1


@dataclass(frozen=True)
class Pull:
    """What one source asks of the field.

    Attributes
    ----------
    weight : float64 (n_triangles,), no unit: the energy weight x |z - exp(2 i angle)|^2 is set against that of the
        field's roughness, the integral of |grad z|^2
    target : complex128 (n_triangles,), weight x exp(2 i angle), the angle in the triangle's own frame
    zone : bool (n_triangles,), where it may change the field; None: everywhere
    """

    weight: np.ndarray
    target: np.ndarray
    zone: np.ndarray | None = None


def guide_pull(
    surface: Surface,
    lines: Sequence[tuple[str, np.ndarray]],
    *,
    strength: float = 1.0,
    reach_mm: float | None = None,
    stray_mm: float | None = None,
) -> Pull:
    """Pull of guide lines, snapped to the skin.

    Parameters
    ----------
    lines : (what findings call it, polyline (n >= 2, 3) in mm on or near the skin)
    strength : factor, above 0
    reach_mm : along the skin; beyond it the field stays as it is without these lines.  None: no limit
    stray_mm : parts of lines farther from the skin than this are left out.  None: far lines are a mistake

    Raises
    ------
    RegionError : a line that lies far from the skin or has no length along it
    """
    weight, target = np.zeros(surface.n_triangles), np.zeros(surface.n_triangles, complex)
    start_mm = np.full(surface.n_vertices, np.inf)
    for label, line_mm in lines:
        samples_mm, tangents, steps_mm = _sample_guide(surface, np.asarray(line_mm, float))
        found = nearest_skin_points(surface, samples_mm)
        if stray_mm is None:
            _check_near(surface, label, found)
        total = 0.0
        for point, tangent, step_mm in zip(found, tangents, steps_mm, strict=True):
            x, y = surface.frame[point.triangle] @ tangent
            flatness = np.hypot(x, y)  # a tangent that stands up from the skin says little
            if flatness < 0.1 or (stray_mm is not None and point.snapped_mm > stray_mm):
                continue
            share = GUIDE_STRENGTH * step_mm * flatness / np.sqrt(max(surface.area_mm2[point.triangle], 1e-12))
            weight[point.triangle] += share
            target[point.triangle] += share * np.exp(2j * np.arctan2(y, x))
            total += share
            _start_at(surface, point, start_mm)
        if total == 0.0 and stray_mm is None:
            raise RegionError(
                f"{label}: the guide has no length along the skin; allowed: two or more points apart on the skin; "
                "check its points"
            )
    zone = None if reach_mm is None else _within(surface, start_mm, reach_mm) | (weight > 0)
    return Pull(strength * weight, strength * target, zone)


def _check_near(surface: Surface, label: str, found: Sequence[SkinPoint]) -> None:
    limit_mm = snap_limit_mm(surface)
    far_mm = max(point.snapped_mm for point in found)
    if far_mm > limit_mm:
        raise RegionError(
            f"{label}: a point of the guide is {far_mm:.1f} mm from the skin; allowed: up to {limit_mm:.1f} mm; "
            "guide points are in the mesh file's unit: check the unit and the coordinates"
        )


def snap_limit_mm(surface: Surface) -> float:
    """How far from the skin a point may be given, mm."""
    return SNAP_RATIO * float(np.linalg.norm(np.ptp(surface.position_mm, axis=0)))


def _start_at(surface: Surface, point: SkinPoint, start_mm: np.ndarray) -> None:
    """Set the distances of a triangle's corners from a point in it, where they are nearer than what they were."""
    at_mm = surface.points_mm(np.array([point.triangle]), point.barycentric[None])[0]
    corner = surface.tri_vertex[point.triangle]
    start_mm[corner] = np.minimum(start_mm[corner], np.linalg.norm(surface.position_mm[corner] - at_mm, axis=1))


def _within(surface: Surface, start_mm: np.ndarray, reach_mm: float) -> np.ndarray:
    """bool (n_triangles,): triangles whose middle is nearer than ``reach_mm``; ``start_mm`` see `march_from_mm`."""
    distance_mm = march_from_mm(surface, start_mm, max_mm=reach_mm + 2 * float(surface.centres[1].max()))
    # rounded, so that a head that was merely moved gets the same zone
    return np.round(distance_mm[surface.tri_vertex].mean(axis=1), 6) < reach_mm


def _sample_guide(surface: Surface, guide_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points along the guide closer than half a typical edge, their tangents, and the length each stands for."""
    spacing_mm = 0.5 * np.sqrt(2.3 * np.median(surface.area_mm2[surface.area_mm2 > 0]))
    points, tangents, steps = [], [], []
    for a, b in zip(guide_mm[:-1], guide_mm[1:], strict=True):
        length = np.linalg.norm(b - a)
        if length == 0:
            continue
        n = max(1, int(np.ceil(length / spacing_mm)))
        at = (np.arange(n) + 0.5) / n
        points.append(a + at[:, None] * (b - a))
        tangents.append(np.repeat([(b - a) / length], n, axis=0))
        steps.append(np.full(n, length / n))
    if not points:
        return guide_mm[:1], np.zeros((1, 3)), np.zeros(1)
    return np.concatenate(points), np.concatenate(tangents), np.concatenate(steps)
