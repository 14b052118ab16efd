"""The head as a clay bust with its composed relief: an orthographic picture of the displaced skin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.pipeline import Composition
from poredepth.surface.metric import median_texel_mm
from poredepth.surface.points import SkinPoints
from poredepth.view import kernels
from poredepth.view.camera import SUPERSAMPLES, View, head_view, interpolated
from poredepth.view.clay import CLAY_ALBEDO, PAPER_LINEAR, Light, srgb_codes
from poredepth.view.curved import CurvedTriangles, bent, unit, vertex_normals
from poredepth.view.relief import central_difference
from poredepth.view.shadow import Caster, lamp_reach, sky_light

KEY_LIGHT = Light(azimuth_deg=148.0, elevation_deg=30.0)
#: Strengths of the lamp, the sky, the second lamp from the other side, and the sheen of both.
KEY, SKY, FILL, SHEEN = 2.3, 0.36, 0.75, 0.3
SHEEN_POWER = 24
SKY_UP = np.array([-0.15, 0.80, 0.58])
#: It rakes the side that the lamp leaves in shadow, so that relief shows there too.
FILL_TOWARDS = np.array([0.88, 0.22, 0.42])
#: Cosine between skin and viewer below which relief is faded out: a pixel there covers too much skin.
GRAZING = (0.06, 0.30)


@dataclass(frozen=True, eq=False)
class _Body:
    """The displaced skin in the viewer's frame: vertices (mm, unit normals), and the bent triangles between them."""

    position_mm: np.ndarray
    normal: np.ndarray
    tri_vertex: np.ndarray
    triangles: CurvedTriangles


@dataclass(frozen=True, eq=False)
class _Seen:
    """What is seen in the pixels that show skin: index of the pixel, corners and
    barycentrics of the skin point, smooth normal, relief normal, position in mm."""

    index: np.ndarray
    vertex: np.ndarray
    barycentric: np.ndarray
    smooth: np.ndarray
    normal: np.ndarray
    position_mm: np.ndarray


def head_picture(
    composition: Composition,
    *,
    size_px: int = 1200,
    azimuth_deg: float = 20.0,
    pitch_deg: float = 0.0,
    crop: tuple[Sequence[float], float] | None = None,
    light: Light = KEY_LIGHT,
    exaggeration: float = 1.0,
) -> np.ndarray:
    """Picture of the head with its relief: matte clay, one lamp, soft sky, orthographic.

    Parameters
    ----------
    composition : see `prepare`; +y is up and the face looks along +z
    size_px : rows and columns
    azimuth_deg : turn of the head about +y; above 0 the face turns to the picture's right
    pitch_deg : turn about the picture's x; above 0 the face looks down
    crop : (x, y, z) in the mesh file's unit, put in the picture's middle, and the width of the picture in mm; default:
        the whole head
    light : the lamp, in the picture's frame
    exaggeration : factor on all heights

    Returns
    -------
    uint8 (size_px, size_px, 3), sRGB

    Raises
    ------
    PoredepthError : a picture without pixels or width

    Notes
    -----
    Heights are filtered for the pixel's footprint on the skin.  The shape follows the heights at the mesh's vertices;
    between them the relief enters through the normal alone: n' = normalise(n - grad h), grad h the slope of the height
    along the skin (Blinn 1978).
    """
    surface = composition.surface
    view = head_view(surface, size_px, (azimuth_deg, pitch_deg), crop)
    body = _displaced_body(composition, view, exaggeration)
    seen, depth = _look(composition, view, body, exaggeration)
    linear = _shaded(body, seen, light)
    picture = np.broadcast_to(PAPER_LINEAR, (*depth.shape, 3)).astype(np.float32)
    picture.reshape(-1, 3)[seen.index] = linear
    n = SUPERSAMPLES
    return srgb_codes(picture.reshape(size_px, n, size_px, n, 3).mean(axis=(1, 3)))


def relief_normals(smooth: np.ndarray, slope_right: np.ndarray, slope_up: np.ndarray) -> np.ndarray:
    """Normals of the relief on a surface with smooth normals.

    Parameters
    ----------
    smooth : (n, 3), unit, in the viewer's frame
    slope_right, slope_up : (n,), change of height per mm of the picture's x and y, mm per mm

    Notes
    -----
    The height is carried along the viewing direction: its gradient in space is (slope_right, slope_up, 0), and the part
    of that in the skin's tangent plane is the gradient along the skin.

    Source: own derivation.
    """
    along = slope_right * smooth[:, 0] + slope_up * smooth[:, 1]
    out = smooth * (1 + along)[:, None]
    out[:, 0] -= slope_right
    out[:, 1] -= slope_up
    return unit(out)


def _displaced_body(composition: Composition, view: View, exaggeration: float) -> _Body:
    surface = composition.surface
    normal = view.seen(vertex_normals(surface))
    corner = np.zeros(surface.n_vertices, np.int64)
    corner[surface.tri_vertex.ravel()] = np.arange(3 * surface.n_triangles)
    points = SkinPoints((corner // 3).astype(np.int32), np.eye(3, dtype=np.float32)[corner % 3])
    # for the shape, heights are taken as broad as the mesh can carry them
    edge_mm = float(np.sqrt(2.3 * np.median(surface.area_mm2)))
    height_mm = _heights_mm(composition, points, np.full((surface.n_triangles, 3), edge_mm, np.float32))
    position_mm = view.seen(surface.position_mm) + exaggeration * height_mm[:, None] * normal
    return _Body(position_mm, normal, surface.tri_vertex, bent(position_mm, surface.tri_vertex, normal))


def _heights_mm(composition: Composition, points: SkinPoints, footprint_mm: np.ndarray) -> np.ndarray:
    """Heights (n,), mm, filtered for a footprint (n_triangles, 3) on the skin; maps for its median in UV."""
    map_px = median_texel_mm(composition.surface, 1) / float(np.median(footprint_mm))
    sampling = Sampling(footprint_mm, max(1, round(map_px)))
    return mixed_height_mm(composition.layers, composition.ground, sampling, points)


def _look(composition: Composition, view: View, body: _Body, exaggeration: float) -> tuple[_Seen, np.ndarray]:
    """What is seen in each pixel, and the depth of every pixel, float32 (rows, cols), pixels."""
    surface, shape = composition.surface, (view.n_px, view.n_px)
    owner, barycentric = np.full(shape, -1, np.int32), np.zeros((*shape, 3), np.float32)
    depth = np.full(shape, -np.inf, np.float32)
    kernels.nearest_triangles(view.pixels(body.triangles.corner_mm), owner, barycentric, depth)
    index = np.flatnonzero(owner >= 0)
    points = SkinPoints(*body.triangles.in_parent(owner.ravel()[index], barycentric.reshape(-1, 3)[index]))
    vertex = surface.tri_vertex[points.triangle]
    smooth = unit(interpolated(body.normal, vertex, points.barycentric))
    facing = np.maximum(body.normal[:, 2][surface.tri_vertex], 0.25).astype(np.float32)
    height_mm = _heights_mm(composition, points, np.float32(0.75 * SUPERSAMPLES * view.mm_per_px) / facing)
    slopes = _screen_slopes(index, height_mm, smooth, depth, view.mm_per_px)
    fade = np.clip((smooth[:, 2] - GRAZING[0]) / (GRAZING[1] - GRAZING[0]), 0, 1) * np.float32(exaggeration)
    normal = relief_normals(smooth, slopes[0] * fade, slopes[1] * fade)
    return _Seen(index, vertex, points.barycentric, smooth, normal, view.position_mm(index, depth)), depth


def _screen_slopes(index, height_mm, smooth, depth, mm_per_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Change of height per mm of the picture's x and y, at the pixels of ``index``; never across a jump in depth."""
    height = np.full(depth.shape, np.nan, np.float32)
    height.ravel()[index] = height_mm
    out = []
    for axis, component, sign in ((1, 0, 1), (0, 1, -1)):
        tilt = np.full(depth.shape, np.nan, np.float32)
        tilt.ravel()[index] = -sign * smooth[:, component] / np.maximum(smooth[:, 2], 0.05)
        tilt = np.moveaxis(tilt, axis, 0)
        with np.errstate(invalid="ignore"):
            expected = 0.5 * (tilt[1:] + tilt[:-1])
            off = np.abs(np.diff(np.moveaxis(depth, axis, 0), axis=0) - expected)
            joined = off < 1.5 + np.abs(expected)
        step = central_difference(height, axis, np.moveaxis(joined, 0, axis))
        out.append(sign * step.ravel()[index] / np.float32(mm_per_px))
    return out[0], out[1]


def _shaded(body: _Body, seen: _Seen, light: Light) -> np.ndarray:
    """Linear colour (n, 3) of the pixels that show skin."""
    to_key, to_fill = light.direction.astype(np.float32), unit(FILL_TOWARDS[None])[0].astype(np.float32)
    caster = Caster(body.position_mm, body.tri_vertex)
    reach = lamp_reach(caster, light.direction, seen.position_mm, seen.smooth)
    sky = sky_light(caster, unit(SKY_UP[None])[0], 0.25, body.position_mm, body.normal)
    around = interpolated(sky[:, None], seen.vertex, seen.barycentric)[:, 0]
    turned = (seen.normal * seen.smooth).sum(axis=1)
    received = SKY * around * turned
    # the second lamp is as wide as the sky: where little sky is seen, little of it is
    for strength, to_lamp, seen_share in ((KEY, to_key, reach), (FILL, to_fill, np.clip(1.5 * around, 0, 1))):
        half = unit((to_lamp + [0.0, 0.0, 1.0])[None])[0].astype(np.float32)
        lit = np.maximum(seen.normal @ to_lamp, 0)
        received += seen_share * (strength * lit + SHEEN * np.maximum(seen.normal @ half, 0) ** SHEEN_POWER)
    return -np.expm1(-received[:, None] * CLAY_ALBEDO.astype(np.float32))
