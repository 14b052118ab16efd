"""Pictures of whole UV tiles, brought down by averages of their texels, block by block."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from poredepth.raster.window import Window, row_blocks
from poredepth.view.clay import BACKGROUND_RGB, Light
from poredepth.view.ramp import ramp_rgb
from poredepth.view.relief import raking_relief, skin_slopes
from poredepth.view.sheet_pictures import BLANK_RGB, area_means

#: Says which texels of a window of a tile hold skin: bool (rows, cols).
SkinOf = Callable[[int, Window], np.ndarray]

#: Pixels with less skin than this are not drawn.
LEAST_SHARE = 0.02
#: How steep nine tenths of the drawn relief may be, mm per mm, when heights are exaggerated: own choice.
STEEP, STEEP_QUANTILE = 0.35, 0.9


@dataclass(frozen=True, eq=False)
class ReducedTile:
    """A tile brought down to a square picture.

    Attributes
    ----------
    mean_mm : float32 (side_px, side_px), mean height of the skin under a pixel, mm; nan where there is none
    share : float32 (side_px, side_px), share of a pixel that is skin, 0 to 1
    step_mm : mm on the skin of a pixel to the right and of one down, at the median texel
    low_mm, high_mm : lowest and highest height of the skin, mm; 0 where there is none
    skin_ratio : share of the texels that hold skin
    """

    mean_mm: np.ndarray
    share: np.ndarray
    step_mm: tuple[float, float]
    low_mm: float
    high_mm: float
    skin_ratio: float


def reduced_tile(height_mm: np.ndarray, side_px: int, texel_mm: float, has_skin: Callable[[Window], np.ndarray] | None):
    """Bring a tile down by averaging: every texel counts by the area it shares with a pixel.

    Parameters
    ----------
    height_mm : float32 (rows, cols), mm, also a memory map: it is read once, by rows
    side_px : of the square picture; a tile is a square of UV, whatever its rows and columns
    texel_mm : median size of a texel on the skin
    has_skin : see `SkinOf`, of this tile; None: texels of exactly 0 are none

    Returns
    -------
    ReducedTile
    """
    rows, cols = height_mm.shape
    down, right = area_means(rows, side_px), area_means(cols, side_px)
    total, share = np.zeros((side_px, side_px), np.float32), np.zeros((side_px, side_px), np.float32)
    low, high, n_skin = np.inf, -np.inf, 0
    for window in row_blocks(Window(0, 0, rows, cols)):
        height = np.asarray(height_mm[window.slices], np.float32)
        skin = height != 0 if has_skin is None else np.asarray(has_skin(window), bool).reshape(height.shape)
        if not skin.any():
            continue
        n_skin += int(np.count_nonzero(skin))
        height = np.where(skin, height, np.float32(0))
        low = min(low, float(height.min(where=skin, initial=np.inf)))
        high = max(high, float(height.max(where=skin, initial=-np.inf)))
        # rows of the picture that this block reaches
        first = window.row_px * side_px // rows
        last = -(-(window.row_px + window.n_rows) * side_px // rows)
        weights = down[first:last, window.slices[0]]
        total[first:last] += (right @ (weights @ height).T).T
        share[first:last] += (right @ (weights @ skin.astype(np.float32)).T).T
    drawn = share >= LEAST_SHARE
    mean = np.where(drawn, total / np.where(drawn, share, 1), np.float32(np.nan)).astype(np.float32)
    step_mm = (texel_mm * cols / side_px, texel_mm * rows / side_px)
    none = n_skin == 0
    return ReducedTile(
        mean,
        np.clip(share, 0, 1),
        step_mm,
        0.0 if none else low,
        0.0 if none else high,
        n_skin / height_mm.size,
    )


def relief_picture(tile: ReducedTile, light: Light, exaggeration: float) -> np.ndarray:
    """A tile under raking light, uint8 (side_px, side_px, 3), sRGB; texels are taken as squares."""
    right, down = _steps(tile)
    image = raking_relief(
        tile.mean_mm,
        right,
        down,
        azimuth_deg=light.azimuth_deg,
        elevation_deg=light.elevation_deg,
        exaggeration=exaggeration,
    )
    return _laid_over(image, tile, BACKGROUND_RGB)


def heights_picture(tile: ReducedTile, ends_mm: tuple[float, float]) -> np.ndarray:
    """A tile as colours of a ramp between two heights, uint8 (side_px, side_px, 3), sRGB."""
    low, high = ends_mm
    share = (tile.mean_mm - low) / (high - low) if high > low else np.full(tile.mean_mm.shape, 0.5)
    return _laid_over(ramp_rgb(np.nan_to_num(share)), tile, BLANK_RGB)


def fitting_exaggeration(tiles: list[ReducedTile]) -> float:
    """1, 2 or 5 times a power of ten, 1 or more, by which heights are drawn so that their relief is seen."""
    steepness = [np.hypot(*skin_slopes(tile.mean_mm, *_steps(tile))).ravel() for tile in tiles]
    known = np.concatenate([one[np.isfinite(one)] for one in steepness])
    typical = float(np.quantile(known, STEEP_QUANTILE)) if len(known) else 0.0
    if typical <= 0.0 or typical >= STEEP:
        return 1.0
    power = int(np.floor(np.log10(STEEP / typical)))
    return max(float(f"{digit}e{power}") for digit in (1, 2, 5) if float(f"{digit}e{power}") * typical <= STEEP)


def _steps(tile: ReducedTile) -> tuple[np.ndarray, np.ndarray]:
    return np.array([tile.step_mm[0], 0.0]), np.array([0.0, -tile.step_mm[1]])


def _laid_over(image: np.ndarray, tile: ReducedTile, ground_rgb: np.ndarray) -> np.ndarray:
    """The picture where a pixel is skin, the ground where it is none, mixed by their shares of it."""
    share = np.where(np.isfinite(tile.mean_mm), tile.share, 0)[..., None]
    ground = ground_rgb.astype(np.float32)
    return np.rint(ground + share * (image.astype(np.float32) - ground)).astype(np.uint8)
