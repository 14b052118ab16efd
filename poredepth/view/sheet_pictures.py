"""The pictures of a patch's sheet: relief at its own size and reduced, heights as colours."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from poredepth.patch.border import INSIDE_FROM
from poredepth.patch.types import HeightPatch
from poredepth.units import UM_PER_MM
from poredepth.view.clay import BACKGROUND_RGB, Light, clay_rgb
from poredepth.view.ramp import ramp_rgb
from poredepth.view.relief import central_difference, raking_relief, received_light

#: Where a picture of heights holds no relief, sRGB.
BLANK_RGB = np.array([221, 217, 208], np.uint8)
#: Share of texels at either end that the ramp leaves to its end colours, so that one spike does not flatten the rest.
BEYOND_RAMP = 0.0005
_MOST_COUNTED = 4e6
_STRIP_PX = 256


@dataclass(frozen=True, eq=False)
class Close:
    """The relief texel by texel: picture uint8 (rows, cols, 3), first row and column of it in the patch, its rows and
    columns in texels, and pixels a texel."""

    image: np.ndarray
    top: int
    left: int
    shape: tuple[int, int]
    px_per_texel: int


def close_relief(patch: HeightPatch, width_px: int, height_px: int, light: Light) -> Close:
    """The middle of a patch under raking light, a pixel a texel; small patches by whole numbers of pixels."""
    rows, cols = patch.height_mm.shape
    n_rows, n_cols = min(rows, height_px), min(cols, width_px)
    top, left = (rows - n_rows) // 2, (cols - n_cols) // 2
    # one texel more all around, so that slopes at the cut are those of the patch
    down, right = np.arange(top - 1, top + n_rows + 1), np.arange(left - 1, left + n_cols + 1)
    if patch.periodic:
        height = patch.height_mm[np.ix_(down % rows, right % cols)]
    else:
        height = patch.height_mm[np.ix_(down.clip(0, rows - 1), right.clip(0, cols - 1))].copy()
        height[(down < 0) | (down >= rows)] = np.nan
        height[:, (right < 0) | (right >= cols)] = np.nan
        if patch.inside is not None:
            inside = patch.inside[np.ix_(down.clip(0, rows - 1), right.clip(0, cols - 1))]
            height[inside < INSIDE_FROM] = np.nan
    step = patch.texel_mm * np.eye(2)
    image = raking_relief(height, step[0], step[1], azimuth_deg=light.azimuth_deg, elevation_deg=light.elevation_deg)[
        1:-1, 1:-1
    ]
    zoom = max(1, min(width_px // n_cols, height_px // n_rows))
    return Close(np.repeat(np.repeat(image, zoom, axis=0), zoom, axis=1), top, left, (n_rows, n_cols), zoom)


def reduced_relief(patch: HeightPatch, shape: tuple[int, int], light: Light) -> np.ndarray:
    """The whole patch under raking light in a picture of ``shape``, uint8 (rows, cols, 3).

    A pixel has the mean slope of its area, so that nothing finer than pixels makes false patterns.  What is outside is
    background.  A patch that tiles has the slopes across its borders.
    """
    slope_right, slope_up, share = _reduced(patch.height_mm.shape, shape, lambda part: _strip_slopes(patch, part))
    share = np.maximum(share, np.float32(1e-6))
    drawn = clay_rgb(received_light(slope_right / share, slope_up / share, light))
    return _over(drawn, np.clip(share, 0, 1), BACKGROUND_RGB)


def _strip_slopes(patch: HeightPatch, part: slice) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes to the right and up, and what is inside (0 or 1), of some rows; float32 (rows, cols), 0 outside."""
    rows = patch.height_mm.shape[0]
    at = np.arange(part.start - 1, part.stop + 1)
    if patch.periodic:
        height = np.pad(patch.height_mm[at % rows], ((0, 0), (1, 1)), mode="wrap")
    else:
        height = np.pad(patch.height_mm[at.clip(0, rows - 1)], ((0, 0), (1, 1)), mode="edge")
    if patch.inside is None:
        along, up = (height[1:-1, 2:] - height[1:-1, :-2]) / 2, (height[:-2, 1:-1] - height[2:, 1:-1]) / 2
        if not patch.periodic:
            # beside a border only one neighbour is there
            along[:, [0, -1]] *= 2
            up[(at[1:-1] == 0) | (at[1:-1] == rows - 1)] *= 2
        known = np.ones(along.shape, np.float32)
    else:
        inside = np.pad(patch.inside[at.clip(0, rows - 1)], ((0, 0), (1, 1))) >= INSIDE_FROM
        inside[(at < 0) | (at >= rows)] = False
        height[~inside] = np.nan
        along, up = (central_difference(height, axis=axis)[1:-1, 1:-1] for axis in (1, 0))
        up, known = -up, inside[1:-1, 1:-1].astype(np.float32)
    factor = np.float32(1 / patch.texel_mm)
    return along * factor * known, up * factor * known, known


def ramp_ends_um(patch: HeightPatch) -> tuple[float, float]:
    """Heights at the ends of the ramp, um: all but a share of 0.0005 at either end, of up to 4 million texels."""
    step = math.ceil(math.sqrt(patch.height_mm.size / _MOST_COUNTED))
    height = patch.height_mm[::step, ::step]
    if patch.inside is not None:
        kept = patch.inside[::step, ::step] >= INSIDE_FROM
        height = height[kept] if kept.any() else height
    low, high = np.quantile(height, (BEYOND_RAMP, 1 - BEYOND_RAMP))
    return UM_PER_MM * float(low), UM_PER_MM * float(high)


def coloured_heights(patch: HeightPatch, shape: tuple[int, int], ends_um: tuple[float, float]) -> np.ndarray:
    """The whole patch as colours, uint8 (rows, cols, 3), ``shape`` rows and columns; the ramp runs between ``ends_um``.

    Heights are averaged over the area of a pixel.
    """
    if patch.inside is None:
        [mean] = _reduced(patch.height_mm.shape, shape, lambda part: (patch.height_mm[part],))
        share = np.ones(shape, np.float32)
    else:
        total, share = _reduced(patch.height_mm.shape, shape, lambda part: _strip_heights(patch, part))
        mean = total / np.maximum(share, np.float32(1e-6))
    low, high = ends_um
    image = ramp_rgb((UM_PER_MM * mean - low) / (high - low) if high > low else np.full(shape, 0.5))
    return _over(image, np.clip(share, 0, 1), BLANK_RGB)


def _strip_heights(patch: HeightPatch, part: slice) -> tuple[np.ndarray, np.ndarray]:
    """Heights, and what is inside (0 or 1), of some rows; float32 (rows, cols), 0 outside."""
    known = (patch.inside[part] >= INSIDE_FROM).astype(np.float32)
    return patch.height_mm[part] * known, known


def _reduced(
    from_shape: tuple[int, int], shape: tuple[int, int], strip: Callable[[slice], tuple[np.ndarray, ...]]
) -> list[np.ndarray]:
    """Means over the areas of pixels, float32 of ``shape``, of pictures that ``strip`` gives by rows."""
    down, right = area_means(from_shape[0], shape[0]), area_means(from_shape[1], shape[1])
    sums: list[np.ndarray] | None = None
    for top in range(0, from_shape[0], _STRIP_PX):
        part = slice(top, min(top + _STRIP_PX, from_shape[0]))
        pictures = strip(part)
        if sums is None:
            sums = [np.zeros((shape[0], from_shape[1]), np.float32) for _ in pictures]
        # rows of the answer that this strip reaches
        first, last = part.start * shape[0] // from_shape[0], -(-part.stop * shape[0] // from_shape[0])
        weights = down[first:last, part]
        for total, values in zip(sums, pictures, strict=True):
            total[first:last] += weights @ values
    return [np.ascontiguousarray((right @ total.T).T) for total in sums]


def area_means(n_from: int, n_to: int) -> sparse.csr_array:
    """Matrix (n_to, n_from), float32, that takes the mean of equal parts of a row, parted texels by their share."""
    edge = np.linspace(0, n_from, n_to + 1)
    first, last = np.floor(edge[:-1]).astype(int), np.minimum(np.ceil(edge[1:]).astype(int), n_from)
    count = last - first
    row = np.repeat(np.arange(n_to), count)
    col = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[row]
    share = np.minimum(col + 1, edge[row + 1]) - np.maximum(col, edge[row])
    weight = (share * n_to / n_from).astype(np.float32)
    return sparse.csr_array((weight, (row, col)), shape=(n_to, n_from))


def _over(image: np.ndarray, share: np.ndarray, ground_rgb: np.ndarray) -> np.ndarray:
    """The picture where ``share`` (rows, cols) is 1, the ground where it is 0."""
    if (share >= 1 - 1e-4).all():
        return image
    ground = ground_rgb.astype(np.float32)
    return np.rint(ground + share[..., None] * (image.astype(np.float32) - ground)).astype(np.uint8)
