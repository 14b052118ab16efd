"""What pulls on the direction of the skin: guide lines, painted angles, rays and rings about a point, the form itself.

Each becomes a `Pull`: in each triangle a direction, and how strongly it is asked for against the field's smoothness.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from poredepth.errors import RegionError
from poredepth.patch.angles import AnglePicture
from poredepth.surface.curvature import straightest
from poredepth.surface.geodesic import distance_from_curve_mm, distance_from_point_mm
from poredepth.surface.guides import sample_guide, skin_points_of_guide
from poredepth.surface.locate import SkinPoint, snap_limit_mm
from poredepth.surface.masks import pixels_around, uv_in_tile
from poredepth.surface.metric import mm_per_uv
from poredepth.surface.skin import Surface

#: Pull of one guide against the field's smoothness; at 30 the field meets a guide within a fraction of a degree.
GUIDE_STRENGTH = 30.0

#: Pull of painted and radial directions on a whole triangle: they are followed down to about its size, and give way to
#: a guide line that crosses it.
AREA_STRENGTH = 3.0

#: Pull of the form where it is fully one-way, per mm2: other sources give way to it over 1 / sqrt(this) = 10 mm.
FORM_STRENGTH_PER_MM2 = 0.01
#: The form counts as fully one-way from a difference of curvatures of 1 / this length on.
FORM_MM = 10.0

#: Barycentrics of the middles of the 16 equal parts of a triangle.
_PLACES = np.array(
    [(3 * i + 1, 3 * j + 1) for i in range(4) for j in range(4 - i)]
    + [(3 * i + 2, 3 * j + 2) for i in range(3) for j in range(3 - i)]
)
_PLACES = np.column_stack([_PLACES, 12 - _PLACES.sum(axis=1)]) / 12.0


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
    stray_mm : parts of lines farther from the skin than this, or a quarter of it beyond its border, are left out.
        None: far lines are a mistake

    Raises
    ------
    RegionError : a line that lies far from the skin or has no length along it
    """
    weight, target = np.zeros(surface.n_triangles), np.zeros(surface.n_triangles, complex)
    start_mm = np.full(surface.n_vertices, np.inf)
    for label, line_mm in lines:
        line_mm = np.asarray(line_mm, float)
        samples = sample_guide(surface, line_mm)
        found = skin_points_of_guide(surface, line_mm, samples, snap_limit_mm(surface))
        if stray_mm is None:
            _check_near(surface, label, found)
        total = 0.0
        walk = zip(samples.at_mm, found, samples.tangent, samples.step_mm, strict=True)
        for sample_mm, point, tangent, step_mm in walk:
            x, y = surface.frame[point.triangle] @ tangent
            flatness = np.hypot(x, y)  # a tangent that stands up from the skin says little
            if flatness < 0.1 or (stray_mm is not None and _strays(surface, sample_mm, point, stray_mm)):
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


def _strays(surface: Surface, sample_mm: np.ndarray, point: SkinPoint, stray_mm: float) -> bool:
    """Whether a sample lies too far above or below its skin point, or beside it: past the border of the mesh."""
    at_mm = surface.points_mm(np.array([point.triangle]), point.barycentric[None])[0]
    normal = surface.normal[point.triangle]
    beside_mm = np.linalg.norm(sample_mm - at_mm - normal * (normal @ (sample_mm - at_mm)))
    return point.snapped_mm > stray_mm or beside_mm > 0.25 * stray_mm


def _check_near(surface: Surface, label: str, found: Sequence[SkinPoint]) -> None:
    limit_mm = snap_limit_mm(surface)
    far_mm = max(point.snapped_mm for point in found)
    if far_mm > limit_mm:
        raise RegionError(
            f"{label}: a point of the guide is {far_mm:.1f} mm from the skin; allowed: up to {limit_mm:.1f} mm; "
            "guide points are in the mesh file's unit: check the unit and the coordinates"
        )


def _start_at(surface: Surface, point: SkinPoint, start_mm: np.ndarray) -> None:
    """Set the distances of a triangle's corners from a point in it, where they are nearer than what they were."""
    at_mm = surface.points_mm(np.array([point.triangle]), point.barycentric[None])[0]
    corner = surface.tri_vertex[point.triangle]
    start_mm[corner] = np.minimum(start_mm[corner], np.linalg.norm(surface.position_mm[corner] - at_mm, axis=1))


def _within(surface: Surface, start_mm: np.ndarray, reach_mm: float) -> np.ndarray:
    """bool (n_triangles,): triangles whose middle is nearer than ``reach_mm``; see `distance_from_curve_mm`."""
    distance_mm = distance_from_curve_mm(surface, start_mm, max_mm=reach_mm + 2 * float(surface.centres[1].max()))
    # rounded, so that a head that was merely moved gets the same zone
    return np.round(distance_mm[surface.tri_vertex].mean(axis=1), 6) < reach_mm


def map_pull(
    surface: Surface, pictures: Mapping[int, AnglePicture], *, strength: float = 1.0, reach_mm: float | None = None
) -> Pull:
    """Pull of painted angles in UV.

    Parameters
    ----------
    pictures : by UV tile; grey is the angle in UV, anticlockwise from +u
    strength, reach_mm : see `guide_pull`; the reach counts from the painted skin

    Notes
    -----
    Each triangle is looked at in 16 places.  A direction in UV becomes one on the skin by the triangle's Jacobian d(mm)
    / d(UV), so mirrored, turned and stretched charts need no thought.  Between pixels the doubled angles are mixed, not
    the angles: 179 and 1 degrees are neighbours.
    """
    jacobian = mm_per_uv(surface)
    weight, target = np.zeros(surface.n_triangles), np.zeros(surface.n_triangles, complex)
    for barycentric in _PLACES:
        for tile, picture in pictures.items():
            triangle, u, v = uv_in_tile(surface, tile, barycentric)
            triangle, u, v = (part[np.isfinite(jacobian[triangle]).all(axis=(1, 2))] for part in (triangle, u, v))
            doubled, share = _sampled(picture, u, v)
            angle = 0.5 * np.angle(doubled)
            x, y = np.einsum("txa,at->xt", jacobian[triangle], np.stack([np.cos(angle), np.sin(angle)]))
            weight[triangle] += share
            target[triangle] += np.abs(doubled) * np.exp(2j * np.arctan2(y, x))
    factor = strength * AREA_STRENGTH / len(_PLACES)
    return Pull(factor * weight, factor * target, _zone_around(surface, weight > 0, reach_mm))


def _sampled(picture: AnglePicture, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Doubled angle x strength, complex (n,), and strength (n,), of a picture at places in its tile, bilinear."""
    row, col, down, right = pixels_around(picture.code.shape, u, v)
    doubled, share = np.zeros(len(u), complex), np.zeros(len(u))
    for i in (0, 1):
        for j in (0, 1):
            mix = (down if i else 1 - down) * (right if j else 1 - right)
            z, strength = picture.doubled(row[i], col[j])
            doubled += mix * z
            share += mix * strength
    return doubled, share


def _zone_around(surface: Surface, inside: np.ndarray, reach_mm: float | None) -> np.ndarray | None:
    """Zone of a source that pulls on a set of triangles, bool (n_triangles,)."""
    if reach_mm is None:
        return None
    start_mm = np.full(surface.n_vertices, np.inf)
    start_mm[surface.tri_vertex[inside]] = 0.0
    return _within(surface, start_mm, reach_mm) | inside


def around_pull(
    surface: Surface,
    point: SkinPoint,
    radius_mm: float,
    way: Literal["rays", "rings"],
    *,
    strength: float = 1.0,
    reach_mm: float | None = None,
) -> Pull:
    """Pull of rays away from a skin point, or of rings about it, along the skin.

    Parameters
    ----------
    radius_mm : along the skin; the pull fades to 0 up to there
    strength, reach_mm : see `guide_pull`; the reach counts from the disk

    Notes
    -----
    Rays run up the gradient of the distance along the skin.  In each triangle the point is unfolded into its plane from
    the distances of its corners, so on flat skin the gradient is exact even where the distance is no linear function.

    Source: own derivation.
    """
    distance_mm = distance_from_point_mm(surface, point, max_mm=radius_mm + 2 * float(surface.centres[1].max()))
    near = np.flatnonzero(np.isfinite(distance_mm[surface.tri_vertex]).all(axis=1) & (surface.area_mm2 > 0))
    flat, square = surface.flat_mm[near], distance_mm[surface.tri_vertex[near]] ** 2
    # |corner - point|^2 of the three corners, minus each other: two linear equations for the point
    x1, (x2, y2) = flat[:, 1, 0], flat[:, 2].T
    point_x = (square[:, 0] - square[:, 1] + x1**2) / (2 * x1)
    point_y = (square[:, 0] - square[:, 2] + x2**2 + y2**2 - 2 * x2 * point_x) / (2 * y2)
    away = (x1 + x2) / 3 - point_x + 1j * (y2 / 3 - point_y)
    edges = ((flat - np.roll(flat, 1, axis=1)) ** 2).sum(axis=(1, 2))
    middle_mm = np.sqrt(np.maximum(square.mean(axis=1) - edges / 9, 0))  # Stewart's theorem
    x = np.clip(1 - middle_mm / radius_mm, 0, 1)
    share = x * x * (3 - 2 * x)
    share[np.abs(away) == 0] = 0.0
    doubled = away**2 / np.where(away == 0, 1.0, np.abs(away) ** 2)
    weight, target = np.zeros(surface.n_triangles), np.zeros(surface.n_triangles, complex)
    weight[near] = AREA_STRENGTH * strength * share
    target[near] = weight[near] * (doubled if way == "rays" else -doubled)
    return Pull(weight, target, _zone_around(surface, weight > 0, reach_mm))


def form_pull(surface: Surface, form: Surface, *, strength: float = 1.0) -> Pull:
    """Pull of the form itself: lines run where the skin is bent least, as along wrinkles.

    Parameters
    ----------
    form : the skin as it was before its triangles were split; the parts of a triangle lie in one plane and tell nothing
    strength : see `guide_pull`

    Notes
    -----
    The weight of a triangle is FORM_STRENGTH_PER_MM2 x its area x min(1, FORM_MM ||k1| - |k2||), with k1 and k2 the
    principal curvatures.  Source: own derivation.
    """
    doubled, contrast_per_mm = straightest(form)
    share = np.minimum(1.0, FORM_MM * contrast_per_mm)
    if form is not surface:
        angle = 0.5 * np.angle(doubled)
        xyz = np.cos(angle)[:, None] * form.frame[:, 0] + np.sin(angle)[:, None] * form.frame[:, 1]
        x, y = np.einsum("tax,tx->at", surface.frame, xyz[surface.tri_parent])
        doubled, share = np.exp(2j * np.arctan2(y, x)), share[surface.tri_parent]
    weight = strength * FORM_STRENGTH_PER_MM2 * surface.area_mm2 * share
    return Pull(weight, weight * doubled)
