"""The direction of the skin as a drawing: noise drawn out along the field, on the softly shaded form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

from poredepth.errors import RegionError
from poredepth.mix.layers import LayingGround
from poredepth.surface.directions import singular_vertices
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import RegionField, region_triangles, region_weight
from poredepth.surface.skin import Surface
from poredepth.view import kernels, line_kernels
from poredepth.view.camera import SUPERSAMPLES, View, head_view, interpolated
from poredepth.view.curved import bent, unit, vertex_normals
from poredepth.view.scalebar import with_scale_bar

#: sRGB of the paper, of the ink, and of the strip below.
PAPER_RGB = np.array([246, 242, 232], np.uint8)
INK_RGB = np.array([32, 48, 72], np.uint8)
STRIP_RGB = np.array([233, 227, 213], np.uint8)
#: Half length of a line, and width of the noise it is drawn from, in pixels of the picture.
HALF_LINE_PX, GRAIN_PX = 14.0, 0.6
#: Share of ink: of the form in full light, what shade adds, and half of what lines add and take away.
LIT, SHADE, LINES = 0.17, 0.52, 0.20
LIGHT = np.array([-0.35, 0.55, 0.76])
#: Share of the lines' contrast left outside the region looked at.
OUTSIDE = 0.25


@dataclass(frozen=True, eq=False)
class DirectionPicture:
    """A drawing of the direction field.

    Attributes
    ----------
    image : uint8 (more rows, cols, 3), sRGB: the head, with a strip below that holds scale bar and caption
    mm_per_px : mm of skin that faces the viewer in one pixel
    singular_mm : float64 (n, 3), points about which the field turns, in the region looked at
    index : float64 (n,), how often it turns there: multiples of 1/2
    is_seen : bool (n,), whether the point is on the side that is seen
    """

    image: np.ndarray
    mm_per_px: float
    singular_mm: np.ndarray
    index: np.ndarray
    is_seen: np.ndarray


@dataclass(frozen=True, eq=False)
class _Seen:
    """What each sample of the picture shows: triangle int32 (rows, cols) or -1, depth float32 (rows, cols) in pixels;
    of the samples that show skin, their index (n,), skin points and unit normals float32 (n, 3)."""

    triangle: np.ndarray
    depth: np.ndarray
    index: np.ndarray
    points: SkinPoints
    normal: np.ndarray


def direction_picture(
    ground: LayingGround,
    region: str | None = None,
    *,
    size_px: int = 1024,
    azimuth_deg: float = 0.0,
    pitch_deg: float = 0.0,
) -> DirectionPicture:
    """Drawing of the direction of the skin on the head, orthographic.

    Parameters
    ----------
    ground : see `prepare_ground`; +y is up and the face looks along +z
    region : name of a region to look at; the rest is drawn faintly.  None: the whole head
    size_px : rows and columns of the drawing
    azimuth_deg : turn of the head about +y; above 0 the face turns to the picture's right
    pitch_deg : turn about the picture's x; above 0 the face looks down

    Returns
    -------
    DirectionPicture: dots mark singular points, filled where the lines turn about the point (index above 0), open where
    they branch (below 0)

    Raises
    ------
    RegionError : a region without skin
    PoredepthError : a picture without pixels
    """
    surface = ground.surface
    field = None if region is None else ground.regions[region]
    inside = region_triangles(surface, field)
    if not inside.any():
        raise RegionError(
            f"region {region!r} is empty; allowed: a region with skin; check its radius, mask, group or sets"
        )
    shown = np.zeros(surface.n_vertices, bool)
    shown[surface.tri_vertex[inside]] = True
    view = head_view(surface, size_px, (azimuth_deg, pitch_deg), shown=shown)
    normal = view.seen(vertex_normals(surface))
    seen = _look(surface, view, normal)
    ink = _form_ink(seen) + _line_ink(ground, view, seen, field)
    picture = np.zeros(seen.triangle.shape, np.float32)
    picture.ravel()[seen.index] = np.clip(ink, 0, 1)
    n = SUPERSAMPLES
    image = _on_paper(picture.reshape(size_px, n, size_px, n).mean(axis=(1, 3)))
    vertex, index = _singular_in_region(ground, field, inside)
    is_seen, place_px = _seen_points(surface, view, seen, normal, vertex)
    image = _with_dots(image, place_px[is_seen] / n, index[is_seen])
    mm_per_px = view.mm_per_px * n
    caption = f"{region or 'whole head'} | turned {azimuth_deg:g} deg, pitched {pitch_deg:g} deg | " + (
        f"{is_seen.sum()} of {len(vertex)} singular points seen: filled, lines turn; open, lines branch"
    )
    image = with_scale_bar(image, mm_per_px, caption, ground_rgb=PAPER_RGB, strip_rgb=STRIP_RGB, ink_rgb=INK_RGB)
    return DirectionPicture(image, mm_per_px, surface.position_mm[vertex], index, is_seen)


def _look(surface: Surface, view: View, normal: np.ndarray) -> _Seen:
    shape = (view.n_px, view.n_px)
    owner, barycentric = np.full(shape, -1, np.int32), np.zeros((*shape, 3), np.float32)
    depth = np.full(shape, -np.inf, np.float32)
    triangles = bent(view.seen(surface.position_mm), surface.tri_vertex, normal)
    kernels.nearest_triangles(view.pixels(triangles.corner_mm), owner, barycentric, depth)
    index = np.flatnonzero(owner >= 0)
    points = SkinPoints(*triangles.in_parent(owner.ravel()[index], barycentric.reshape(-1, 3)[index]))
    owner.ravel()[index] = points.triangle
    smooth = unit(interpolated(normal, surface.tri_vertex[points.triangle], points.barycentric))
    return _Seen(owner, depth, index, points, smooth)


def _form_ink(seen: _Seen) -> np.ndarray:
    """Share of ink (n,) that shows the form: more where the skin turns away from a soft light, and at its outline."""
    lit = 0.5 + 0.5 * (seen.normal @ unit(LIGHT[None])[0].astype(np.float32))
    return LIT + SHADE * (1 - lit**2) + 0.35 * (1 - np.clip(seen.normal[:, 2], 0, 1)) ** 4


def _line_ink(ground: LayingGround, view: View, seen: _Seen, field: RegionField | None) -> np.ndarray:
    """Share of ink (n,), -LINES to LINES, of the lines."""
    surface = ground.surface
    xyz = view.seen(ground.field.xyz(surface))
    across = np.hypot(xyz[:, 0], xyz[:, 1])
    flat = xyz[:, :2] * [1.0, -1.0] / np.maximum(across, 1e-9)[:, None]
    shape = seen.triangle.shape
    noise = gaussian_filter(np.random.default_rng(0).standard_normal(shape, np.float32), GRAIN_PX * SUPERSAMPLES)
    noise /= noise.std()
    slack, drawn = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    facing = np.clip(seen.normal[:, 2], 0.05, 1)
    slack.ravel()[seen.index] = 1.5 + 1.5 * np.sqrt(1 - facing**2) / facing
    half_px = round(HALF_LINE_PX * SUPERSAMPLES)
    line_kernels.draw_out(noise, seen.triangle, flat.astype(np.float32), seen.depth, slack, half_px, drawn)
    lines = drawn.ravel()[seen.index]
    lines = LINES * np.tanh(lines / max(float(np.sqrt((lines**2).mean())) if len(lines) else 1.0, 1e-9))
    # where the field points at the viewer its lines are short dots: leave them out
    lines *= np.clip(across[seen.points.triangle] / 0.3, 0, 1) * np.clip(seen.normal[:, 2] / 0.25, 0, 1)
    if field is not None:
        weight = region_weight(surface, field, seen.points.triangle, seen.points.barycentric)
        lines *= OUTSIDE + (1 - OUTSIDE) * weight
    return lines


def _on_paper(ink: np.ndarray) -> np.ndarray:
    """Ink, float32 (rows, cols), 0 to 1, as sRGB (rows, cols, 3)."""
    paper, full = PAPER_RGB.astype(np.float32), INK_RGB.astype(np.float32)
    return np.rint(paper + ink[..., None] * (full - paper)).astype(np.uint8)


def _singular_in_region(
    ground: LayingGround, field: RegionField | None, inside: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Singular vertices (n,) where a region's weight is above 0, and their index (n,)."""
    surface = ground.surface
    vertex, index = singular_vertices(surface, ground.field, inside)
    if field is None:
        return vertex, index
    corner = np.zeros(surface.n_vertices, np.int64)
    corner[surface.tri_vertex.ravel()] = np.arange(3 * surface.n_triangles)
    triangle, at = np.divmod(corner[vertex], 3)
    kept = region_weight(surface, field, triangle, np.eye(3)[at]) > 0
    return vertex[kept], index[kept]


def _seen_points(
    surface: Surface, view: View, seen: _Seen, normal: np.ndarray, vertex: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Whether vertices (n,) are seen, and where, float64 (n, 2): column and row of a sample."""
    x, y, depth = view.pixels(view.seen(surface.position_mm[vertex])).T
    col, row = np.floor(x).astype(int), np.floor(y).astype(int)
    in_picture = (col >= 0) & (row >= 0) & (col < view.n_px) & (row < view.n_px)
    col, row = np.clip(col, 0, view.n_px - 1), np.clip(row, 0, view.n_px - 1)
    facing = normal[vertex, 2]
    slack = 3.0 + 3.0 / np.clip(facing, 0.05, 1)  # the seen surface is bent, the vertex lies on the flat one
    is_seen = in_picture & (facing > 0) & (seen.depth[row, col] <= depth + slack)
    return is_seen, np.stack([x, y], axis=1)


def _with_dots(image: np.ndarray, place_px: np.ndarray, index: np.ndarray) -> np.ndarray:
    """The picture with a dot at each place (n, 2): filled for an index above 0, open below."""
    scale = 4
    radius = scale * max(2.5, image.shape[1] / 260)
    coverage = []
    for grow in (1.5, 1.0, 0.55):
        layer = Image.new("L", (image.shape[1] * scale, image.shape[0] * scale))
        draw = ImageDraw.Draw(layer)
        for (x, y), turns in zip(scale * place_px, index, strict=True):
            if grow < 1 and turns > 0:
                continue
            r = grow * radius
            draw.ellipse((x - r, y - r, x + r, y + r), fill=255)
        small = layer.resize((image.shape[1], image.shape[0]), Image.Resampling.BOX)
        coverage.append(np.asarray(small, np.float32)[..., None] / 255)
    out = image.astype(np.float32)
    for share, colour in zip(coverage, (PAPER_RGB, INK_RGB, PAPER_RGB), strict=True):
        out += share * (colour.astype(np.float32) - out)
    return np.rint(out).astype(np.uint8)
