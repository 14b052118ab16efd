"""Relief turned in its plane, so that its lay runs along +u."""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from poredepth.errors import PatchError
from poredepth.patch.rectangle import largest_full_rectangle
from poredepth.patch.tiling.checks import checked_picture
from poredepth.patch.tiling.shear import moved_lines
from poredepth.patch.types import MIN_SIDE_PX, check_finite_number, check_positive

#: Turns from a quarter turn that are less than this are not made: own choice, far less than any lay wanders.
LEAST_TURN_DEG = 0.25

#: Outside, heights run on over about so many texels; so many along the border are not kept: own choice.
_FILLED_PX, _ERODED_PX, _LEAST_WEIGHT = 3.0, 4, 1e-3


def turn_lay(height_mm: np.ndarray, texel_mm: float, by_deg: float, inside: np.ndarray | None = None) -> np.ndarray:
    """Turn relief anticlockwise and cut the largest upright rectangle out of it.

    Parameters
    ----------
    height_mm : float (rows, cols), mm
    texel_mm : float, mm, side of a texel, which stays
    by_deg : float, degrees anticlockwise (rows run down); minus the lay makes the lay 0
    inside : bool or float (rows, cols), 0 to 1: only what is above 0.5 may be in the rectangle; None: all

    Returns
    -------
    float32 (rows, cols), float64 if the heights are.  Quarter turns are exact; less than ``LEAST_TURN_DEG`` beside one
    of them is left out

    Raises
    ------
    PatchError : heights that are no finite (rows, cols); numbers that are not finite; a piece that leaves fewer than
        4 x 4 texels; an inside of another size

    Notes
    -----
    Three shears (A. Paeth, Graphics Interface 1986), each along lines by Fourier phase (M. Unser, P. Thevenaz,
    L. Yaroslavsky, IEEE Trans. Image Processing 4 (1995) 1371-1381): waves longer than 2.4 texels keep their
    amplitude.  The rectangle of largest area in a turned one is a closed form (own derivation); with an inside it is
    looked for in the turned picture.
    """
    where = "turning the lay"
    heights = checked_picture(where, height_mm)
    check_positive(where, "texel_mm", texel_mm)
    check_finite_number(where, "by_deg", by_deg)
    if inside is not None and np.shape(inside) != heights.shape:
        raise PatchError(
            f"{where}: inside has shape {np.shape(inside)}; allowed is that of the heights, {heights.shape}"
        )
    quarters = round(by_deg / 90.0)
    rest = by_deg - 90.0 * quarters
    turned = np.ascontiguousarray(np.rot90(heights, quarters))
    mask = None if inside is None else np.rot90(np.asarray(inside, np.float32), quarters) > 0.5
    if abs(rest) < LEAST_TURN_DEG:
        rest, size = 0.0, turned.shape
    else:
        size = inscribed_px(turned.shape, rest)
    if mask is None:
        _check_left(where, size, heights.shape, by_deg)
        return turned if rest == 0.0 else _turned(turned, math.radians(rest), size)
    return _turned_inside(where, turned, mask, rest)


def inscribed_px(shape: tuple[int, int], by_deg: float) -> tuple[int, int]:
    """(rows, cols) of the largest upright rectangle in one of ``shape`` turned by up to 45 degrees either way."""
    high, wide = (float(side) for side in shape)
    sin, cos = abs(math.sin(math.radians(by_deg))), abs(math.cos(math.radians(by_deg)))
    long, short = max(high, wide), min(high, wide)
    if short <= 2 * sin * cos * long or abs(sin - cos) < 1e-10:
        # two corners lie on the long sides, the others are free
        across, along = 0.5 * short / cos, 0.5 * short / sin
        found = (across, along) if wide >= high else (along, across)
    else:
        found = ((high * cos - wide * sin) / (cos**2 - sin**2), (wide * cos - high * sin) / (cos**2 - sin**2))
    return math.floor(found[0] + 1e-9), math.floor(found[1] + 1e-9)


def _turned(heights: np.ndarray, angle: float, size: tuple[int, int]) -> np.ndarray:
    """The middle of the turned picture, (rows, cols) as asked.

    What is seen x to the right and y below the middle lies in the source at x cos - y sin, x sin + y cos: a shear of
    rows, of columns, of rows.
    """
    along, down = -math.tan(angle / 2), math.sin(angle)
    middle = [(side - 1) / 2 for side in heights.shape]
    y_out = np.arange(size[0]) - (size[0] - 1) / 2
    x_out = np.arange(size[1]) - (size[1] - 1) / 2
    wide = 2 * math.ceil(x_out[-1] + abs(along) * y_out[-1] + 1) + 1
    x_wide = np.arange(wide) - (wide - 1) / 2
    y_in = np.arange(heights.shape[0]) - middle[0]
    first = moved_lines(heights, middle[1] + x_wide[0] + along * y_in, wide)
    second = moved_lines(first.T, middle[0] + y_out[0] + down * x_wide, size[0])
    del first
    return moved_lines(second.T, x_out[0] - x_wide[0] + along * y_out, size[1])


def _turned_inside(where: str, turned: np.ndarray, mask: np.ndarray, rest: float) -> np.ndarray:
    """The largest rectangle of what is inside, after the rest of the turn."""
    if rest != 0.0:
        angle = math.radians(rest)
        sin, cos = abs(math.sin(angle)), abs(math.cos(angle))
        rows, cols = turned.shape
        size = math.floor(rows * cos + cols * sin), math.floor(cols * cos + rows * sin)
        turned = _turned(_filled(turned, mask), angle, size)
        mask = ndimage.binary_erosion(_turned_mask(mask, angle, size), iterations=_ERODED_PX)
    rows, cols = largest_full_rectangle(mask)
    found = rows.stop - rows.start, cols.stop - cols.start
    _check_left(where, found, turned.shape, rest)
    return np.ascontiguousarray(turned[rows, cols])


def _filled(heights: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Heights that run on outside as they are nearby, so that what is there does not ring inside."""
    weight = ndimage.gaussian_filter(mask.astype(np.float32), _FILLED_PX, mode="nearest")
    around = ndimage.gaussian_filter(np.where(mask, heights, 0), _FILLED_PX, mode="nearest")
    mean = float(heights[mask].mean(dtype=np.float64)) if mask.any() else 0.0
    near = weight > _LEAST_WEIGHT
    around = np.where(near, around / np.where(near, weight, 1), mean)
    return np.where(mask, heights, around).astype(heights.dtype)


def _turned_mask(mask: np.ndarray, angle: float, size: tuple[int, int]) -> np.ndarray:
    """Nearest texel of a turned mask; False beyond its borders."""
    out = np.zeros(size, bool)
    x = np.arange(size[1]) - (size[1] - 1) / 2
    for row in range(size[0]):
        y = row - (size[0] - 1) / 2
        col = np.rint(x * math.cos(angle) - y * math.sin(angle) + (mask.shape[1] - 1) / 2).astype(np.int64)
        line = np.rint(x * math.sin(angle) + y * math.cos(angle) + (mask.shape[0] - 1) / 2).astype(np.int64)
        there = (col >= 0) & (col < mask.shape[1]) & (line >= 0) & (line < mask.shape[0])
        out[row, there] = mask[line[there], col[there]]
    return out


def _check_left(where: str, size: tuple[int, int], shape: tuple[int, int], by_deg: float) -> None:
    if min(size) < MIN_SIDE_PX:
        raise PatchError(
            f"{where}: a turn of {by_deg:g} degrees leaves {size[0]} x {size[1]} of {shape[0]} x {shape[1]} texels "
            f"(rows x cols); allowed is at least {MIN_SIDE_PX} x {MIN_SIDE_PX}; give a larger piece"
        )
