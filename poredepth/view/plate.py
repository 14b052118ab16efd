"""A plate of the head to read points from: front and both sides, orthographic, with a grid in the mesh's unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from poredepth.errors import PoredepthError
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.parts import ON_SKIN_MM
from poredepth.surface.skin import Surface
from poredepth.view import kernels
from poredepth.view.callouts import INK, Callout, Column, draw_callouts
from poredepth.view.clay import srgb_codes
from poredepth.view.curved import bent, unit, vertex_normals
from poredepth.view.shadow import Caster, sky_light

#: Everything is drawn larger by this and brought down at the end, lines and letters too.
SUPERSAMPLES = 2
#: sRGB of the paper; linear colour of skin where the plate gives none.
PAPER = np.array([250, 247, 240], np.uint8)
SKIN_LINEAR = np.array([0.66, 0.59, 0.51])
#: Where the light of the plate comes from: right, up, towards the viewer.
KEY_TOWARDS = np.array([[-0.35, 0.50, 0.79]])
#: Ink of grid lines on the paper, of labelled and of finer ones, and how much of it is left over skin.
GRID_INK, FINE_INK, OVER_SKIN = 0.20, 0.08, 0.75
#: Labelled grid lines are no closer than this, pixels; they are cut into this many parts.
LEAST_GRID_PX = 44
PARTS_OF_STEP = {1: 5, 2: 4, 5: 5}
FONT_PX, PAD_PX = 15, 26
#: Room for the numbers of y.
NUMBERS_PX = 42
#: A mark is hidden where skin lies nearer to the viewer by more than this.
HIDDEN_MM = 2.5

#: View -> picture's right, up and towards the viewer, and the axis (with its sign) that runs to the right.
VIEWS: dict[str, tuple[np.ndarray, str]] = {
    "right side": (np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]], float), "z"),
    "front": (np.eye(3), "x"),
    "left side": (np.array([[0, 0, -1], [0, 1, 0], [1, 0, 0]], float), "z"),
}

Points = Mapping[str, Sequence[float]]


@dataclass(frozen=True, eq=False)
class _Panel:
    """One view on the sheet: ``left_px`` is the sheet's x of its smallest coordinate to the right, ``low_mm``."""

    axes: np.ndarray
    across: str
    title: str
    low_mm: float
    width_px: float
    left_px: float
    top_px: float
    high_mm: float
    px_per_mm: float

    def on_sheet(self, position_mm: np.ndarray) -> np.ndarray:
        """x right, y down, z towards the viewer, float64 (n, 3), pixels."""
        seen = position_mm @ self.axes.T
        x = self.left_px + (seen[:, 0] - self.low_mm) * self.px_per_mm
        y = self.top_px + (self.high_mm - seen[:, 1]) * self.px_per_mm
        return np.stack([x, y, seen[:, 2] * self.px_per_mm], axis=1)


def head_plate(
    surface: Surface,
    marks: Points | None = None,
    *,
    unit_name: str = "",
    height_px: int = 900,
    views: Sequence[str] = tuple(VIEWS),
    tint: np.ndarray | None = None,
    grid: bool = True,
) -> np.ndarray:
    """Draw the plate; +y is up and the face looks along +z.

    Parameters
    ----------
    marks : points by name, [x, y, z] in the mesh file's unit; those farther than 1 mm from the skin are drawn apart
    unit_name : of the mesh file's numbers, for the axes
    height_px : of the head on the plate
    views : which of ``right side``, ``front``, ``left side``
    tint : linear colour of triangles, float (n_triangles, 3), 0 to 1, instead of plain skin
    grid : with lines and numbers in the mesh file's unit

    Returns
    -------
    uint8 (rows, cols, 3), sRGB

    Raises
    ------
    PoredepthError : a plate without pixels
    """
    if height_px < 100:
        raise PoredepthError(f"plate: height_px is {height_px}; allowed: 100 or more; 900 suits a page")
    font = ImageFont.load_default(size=FONT_PX * SUPERSAMPLES)
    texts = {name: _mark_text(name, row.off_mm) for name, row in landmark_rows(surface, marks or {}).items()}
    room_px = max((font.getlength(text) for text in texts.values()), default=0) + (40 * SUPERSAMPLES if texts else 0)
    panels, shape = _laid_out(surface, height_px * SUPERSAMPLES, views, room_px)
    sheet = np.empty((*shape, 3), np.float32)
    sheet[:] = PAPER
    depth = _draw_skin(sheet, surface, panels, SKIN_LINEAR if tint is None else tint)
    if grid:
        _draw_grid(sheet, surface, panels, depth)
    picture = Image.fromarray(np.rint(sheet).astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    for panel in panels:
        if grid:
            _draw_axes(draw, surface, panel, font, unit_name)
        found = _callouts(panel, surface, marks or {}, texts, depth)
        top, bottom = panel.top_px, panel.top_px + (height_px - 1) * SUPERSAMPLES
        gap, numbers = 0.5 * PAD_PX * SUPERSAMPLES, NUMBERS_PX * SUPERSAMPLES if grid else 0
        left = Column(panel.left_px - gap - numbers, -1, gap + numbers, top, bottom)
        right = Column(panel.left_px + panel.width_px + gap, 1, gap, top, bottom)
        draw_callouts(draw, found, left, right, font)
    return np.asarray(picture.reduce(SUPERSAMPLES))


@dataclass(frozen=True)
class LandmarkRow:
    """A landmark: [x, y, z] in the mesh file's unit, and how far it lies from the skin, mm."""

    at: tuple[float, float, float]
    off_mm: float

    @property
    def is_off(self) -> bool:
        return self.off_mm > ON_SKIN_MM


def landmark_rows(surface: Surface, marks: Points) -> dict[str, LandmarkRow]:
    """Where points, [x, y, z] in the mesh file's unit, lie, by name."""
    if not marks:
        return {}
    at = np.array([marks[name] for name in marks], float)
    points = nearest_skin_points(surface, at * surface.mm_per_unit)
    return {
        name: LandmarkRow(tuple(map(float, place)), point.snapped_mm)
        for name, place, point in zip(marks, at, points, strict=True)
    }


def _mark_text(name: str, off_mm: float) -> str:
    return f"{name}, {off_mm:.1f} mm off" if off_mm > ON_SKIN_MM else name


def _laid_out(surface: Surface, height_px: int, views: Sequence[str], room_px: float):
    """Panels side by side at one scale, and the sheet's shape."""
    low, high = surface.position_mm.min(axis=0), surface.position_mm.max(axis=0)
    longest_mm = max(float(high[1] - low[1]), 0.5 * float((high - low).max()))
    px_per_mm = height_px / longest_mm
    pad, line = PAD_PX * SUPERSAMPLES, FONT_PX * SUPERSAMPLES
    # the room of names on both sides of a panel, and that of the numbers of the grid
    beside = pad + room_px + NUMBERS_PX * SUPERSAMPLES
    left, top, panels = beside, 2 * pad, []
    for name in views:
        axes, across = VIEWS[name]
        extent = np.sort(np.stack([low, high]) @ axes[0])
        width = max(float(extent[1] - extent[0]) * px_per_mm, 2.0 * pad)
        panels.append(_Panel(axes, across, name, float(extent[0]), width, left, top, float(high[1]), px_per_mm))
        left += width + 2 * beside
    rows = top + (high[1] - low[1]) * px_per_mm + 4 * line + pad
    n = SUPERSAMPLES
    return panels, (int(np.ceil(rows / n)) * n, int(np.ceil((left - beside) / n)) * n)


def _draw_skin(sheet: np.ndarray, surface: Surface, panels: Sequence[_Panel], colour: np.ndarray) -> np.ndarray:
    """Shaded skin of all panels; returns the depth of every pixel, float32, -inf where there is paper."""
    normal = vertex_normals(surface)
    caster = Caster(surface.position_mm, surface.tri_vertex)
    open_to_sky = sky_light(caster, np.array([0.0, 0.8, 0.6]), 0.6, surface.position_mm, normal)
    triangles = bent(surface.position_mm, surface.tri_vertex, normal)
    depth = np.full(sheet.shape[:2], -np.inf, np.float32)
    for panel in panels:
        owner, barycentric = np.full(depth.shape, -1, np.int32), np.zeros((*depth.shape, 3), np.float32)
        corner = panel.on_sheet(triangles.corner_mm.reshape(-1, 3)).reshape(-1, 3, 3)
        here = np.full(depth.shape, -np.inf, np.float32)
        kernels.nearest_triangles(corner, owner, barycentric, here)
        index = np.flatnonzero(owner.ravel() >= 0)
        triangle, at = triangles.in_parent(owner.ravel()[index], barycentric.reshape(-1, 3)[index])
        vertex = surface.tri_vertex[triangle]
        smooth = unit(np.einsum("nk,nkx->nx", at, (normal @ panel.axes.T)[vertex]))
        sky = np.einsum("nk,nk->n", at, open_to_sky[vertex])
        tone = _tone(smooth, sky)
        own = colour if colour.ndim == 1 else colour[triangle]
        sheet.reshape(-1, 3)[index] = srgb_codes(tone[:, None] * own)
        depth = np.maximum(depth, here)
    return depth


def _tone(normal: np.ndarray, sky: np.ndarray) -> np.ndarray:
    """Light of a pale, even plate (n,): mostly sky, some key light, darker where skin turns away from the viewer."""
    key = 0.5 + 0.5 * (normal @ unit(KEY_TOWARDS)[0])
    turning = np.clip(normal[:, 2], 0, 1)
    return (0.16 + 0.42 * sky + 0.52 * key**2) * (0.62 + 0.38 * np.sqrt(turning))


def _step(surface: Surface, panel: _Panel) -> tuple[float, int]:
    """Labelled grid lines: their distance in the mesh's unit, 1, 2 or 5 x 10^n, and parts they are cut into."""
    px_per_unit = panel.px_per_mm * surface.mm_per_unit
    least = LEAST_GRID_PX * SUPERSAMPLES / px_per_unit
    power = float(np.floor(np.log10(least)))
    for digit, up in ((1, 0), (2, 0), (5, 0), (1, 1)):
        step = float(f"{digit}e{int(power) + up}")
        if step >= least * (1 - 1e-9):
            return step, PARTS_OF_STEP[digit]
    raise AssertionError("unreachable")


def _grid_places(surface: Surface, panel: _Panel) -> list[tuple[int, np.ndarray, np.ndarray, np.ndarray]]:
    """For x (1) and y (0) of the sheet: the axis of the picture, places in pixels, values, and which are labelled."""
    step, parts = _step(surface, panel)
    low_u = surface.position_mm.min(axis=0) / surface.mm_per_unit
    high_u = surface.position_mm.max(axis=0) / surface.mm_per_unit
    out = []
    for axis, row in ((1, panel.axes[0]), (0, panel.axes[1])):
        ends = np.sort(np.stack([low_u, high_u]) @ row)
        margin = 0.5 * PAD_PX * SUPERSAMPLES / panel.px_per_mm / surface.mm_per_unit
        number = np.arange(np.ceil((ends[0] - margin) / step * parts), np.floor((ends[1] + margin) / step * parts) + 1)
        value = number * step / parts
        at = panel.on_sheet(value[:, None] * row * surface.mm_per_unit)[:, 0 if axis == 1 else 1]
        out.append((axis, at, value * row.sum(), number % parts == 0))
    return out


def _box(panel: _Panel, rows_px: float) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the part of the sheet a panel's grid covers, pixels."""
    pad = 0.5 * PAD_PX * SUPERSAMPLES
    return (
        round(panel.left_px - pad),
        round(panel.top_px - pad),
        round(panel.left_px + panel.width_px + pad),
        round(panel.top_px + rows_px + pad),
    )


def _rows_px(surface: Surface, panel: _Panel) -> float:
    return float(np.ptp(surface.position_mm[:, 1])) * panel.px_per_mm


def _draw_grid(sheet: np.ndarray, surface: Surface, panels: Sequence[_Panel], depth: np.ndarray) -> None:
    on_skin = depth > -np.inf
    for panel in panels:
        left, top, right, bottom = _box(panel, _rows_px(surface, panel))
        ink = np.zeros((bottom - top, right - left), np.float32)
        for axis, places, _, labelled in _grid_places(surface, panel):
            for place, is_labelled in zip(places, labelled, strict=True):
                at = round(place) - (left if axis == 1 else top)
                line = (slice(None), slice(at, at + SUPERSAMPLES)) if axis == 1 else (slice(at, at + SUPERSAMPLES),)
                ink[line] = np.maximum(ink[line], GRID_INK if is_labelled else FINE_INK)
        part = (slice(top, bottom), slice(left, right))
        ink = np.where(on_skin[part], OVER_SKIN, 1.0).astype(np.float32) * ink
        sheet[part] += ink[..., None] * (np.array(INK, np.float32) - sheet[part])


def _draw_axes(draw: ImageDraw.ImageDraw, surface: Surface, panel: _Panel, font, unit_name: str) -> None:
    left, top, right, bottom = _box(panel, _rows_px(surface, panel))
    line = FONT_PX * SUPERSAMPLES
    for axis, places, values, labelled in _grid_places(surface, panel):
        for place, value in zip(places[labelled], values[labelled], strict=True):
            text = f"{value + 0.0:g}"
            if axis == 1:
                draw.text((place, bottom + 0.3 * line), text, fill=INK, font=font, anchor="mt")
            else:
                draw.text((left - 0.3 * line, place), text, fill=INK, font=font, anchor="rm")
    unit_text = f", {unit_name}" if unit_name else ""
    middle = 0.5 * (left + right)
    draw.text((middle, bottom + 1.7 * line), f"{panel.across}{unit_text}", fill=INK, font=font, anchor="mt")
    draw.text((left - 0.3 * line, top - 0.4 * line), f"y{unit_text}", fill=INK, font=font, anchor="rb")
    draw.text((middle, top - 0.4 * line), panel.title, fill=INK, font=font, anchor="mb")


def _callouts(panel: _Panel, surface: Surface, marks: Points, texts: Mapping[str, str], depth) -> list[Callout]:
    """Marks that are seen in a panel, and those off the skin, which must be found wherever they are."""
    out = []
    for name, at in marks.items():
        x, y, z = panel.on_sheet(np.asarray(at, float)[None] * surface.mm_per_unit)[0]
        if texts[name] != name or _is_seen(x, y, z + HIDDEN_MM * panel.px_per_mm, depth):
            out.append(Callout(float(x), float(y), texts[name], texts[name] != name))
    return out


def _is_seen(x: float, y: float, z: float, depth: np.ndarray) -> bool:
    """Whether no skin lies before a point; at an outline, where skin turns away at once, a pixel near it is enough."""
    row, col, near = int(y), int(x), 2 * SUPERSAMPLES
    around = depth[max(row - near, 0) : row + near + 1, max(col - near, 0) : col + near + 1]
    return around.size == 0 or bool((around <= z).any())
