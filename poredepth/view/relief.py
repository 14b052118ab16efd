"""Raking-light pictures of height fields whose texels may be stretched, sheared or mirrored on the skin."""

from __future__ import annotations

import numpy as np

from poredepth.view.clay import BACKGROUND_RGB, Light, clay_rgb

#: Share of the light that comes from all around; keeps the far sides of bumps readable.
AMBIENT = 0.16
#: Strength and sharpness of the broad sheen of clay.
SHEEN, SHEEN_POWER = 0.22, 12


def raking_relief(
    height_mm: np.ndarray,
    x_per_px_mm: np.ndarray,
    y_per_px_mm: np.ndarray,
    *,
    azimuth_deg: float = 135.0,
    elevation_deg: float = 18.0,
    exaggeration: float = 1.0,
) -> np.ndarray:
    """Picture of a height field under raking light, true to the skin whatever its texels are there.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, + is outward; nan where no height is known
    x_per_px_mm, y_per_px_mm : float (rows, cols, 2), or any shape that broadcasts to it, mm per pixel: the way on the
        skin, in any flat frame of it, of one step to the next column and to the next row.  nan where there is no skin
        to draw; heights there still help their neighbours' slopes
    azimuth_deg : side of the picture the light comes from, anticlockwise from the right
    elevation_deg : height of the light above the skin, above 0 up to 90
    exaggeration : factor on all heights

    Returns
    -------
    uint8 (rows, cols, 3), sRGB

    Raises
    ------
    PoredepthError : a light that is not above the skin

    Source: own derivation; shade of Lambert (1760), an even ambient part, a broad half-vector sheen (Blinn 1977).
    """
    light = Light(azimuth_deg, elevation_deg)
    slope_right, slope_up = skin_slopes(height_mm, x_per_px_mm, y_per_px_mm)
    drawn = np.isfinite(slope_right)
    factor = np.float32(exaggeration)
    received = received_light(np.nan_to_num(factor * slope_right), np.nan_to_num(factor * slope_up), light)
    image = clay_rgb(received)
    image[~drawn] = BACKGROUND_RGB
    return image


def skin_slopes(
    height_mm: np.ndarray, x_per_px_mm: np.ndarray, y_per_px_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Slopes of the relief along two perpendicular ways on the skin: the picture's right, and what is up beside it.

    Parameters as in `raking_relief`.

    Returns
    -------
    slope_right, slope_up : float32 (rows, cols), mm per mm; nan where there is no skin to draw

    Notes
    -----
    With x = |x| e1 and y = a e1 - b e2 (e2 is perpendicular to e1 towards the picture's top, b > 0), the steps of
    height h_col = |x| p and h_row = a p - b q give p = h_col / |x| and q = (a p - h_row) / b.  Only |x|, a and b are
    needed, so the handedness and the turn of the flat frame do not matter.  Where the texel has no area on the skin
    the slopes are 0.

    Source: own derivation.
    """
    height = np.asarray(height_mm, np.float32)
    x = np.broadcast_to(np.asarray(x_per_px_mm, np.float32), (*height.shape, 2))
    y = np.broadcast_to(np.asarray(y_per_px_mm, np.float32), (*height.shape, 2))
    length = np.sqrt(x[..., 0] ** 2 + x[..., 1] ** 2)
    along = x[..., 0] * y[..., 0] + x[..., 1] * y[..., 1]
    across = np.abs(x[..., 0] * y[..., 1] - x[..., 1] * y[..., 0])
    drawn = np.isfinite(across) & np.isfinite(height)
    ok = drawn & (across > 1e-12)
    unit = np.where(ok, length, 1)
    slope_right = central_difference(height, axis=1) / unit
    slope_up = (along / unit * slope_right - central_difference(height, axis=0)) * unit / np.where(ok, across, 1)
    blank = np.where(drawn, np.float32(0), np.float32(np.nan))
    return np.where(ok, slope_right, blank), np.where(ok, slope_up, blank)


def central_difference(values: np.ndarray, axis: int, joined: np.ndarray | None = None) -> np.ndarray:
    """Step of float32 (rows, cols) from one pixel to the next along ``axis``, same shape.

    Central where both neighbours are known (not nan), one-sided where one is, 0 where none is.  ``joined``, bool and
    one shorter along ``axis``, may say which pairs of neighbours belong together; default: all.
    """
    values = np.moveaxis(values, axis, 0)
    step = np.diff(values, axis=0)
    known = np.isfinite(step)
    if joined is not None:
        known &= np.moveaxis(joined, axis, 0)
    step = np.where(known, step, np.float32(0))
    total, count = np.zeros(values.shape, np.float32), np.zeros(values.shape, np.uint8)
    total[:-1] += step
    total[1:] += step
    count[:-1] += known
    count[1:] += known
    return np.moveaxis(total / np.maximum(count, 1), 0, axis)


def lambert(slope_right: np.ndarray, slope_up: np.ndarray, light: Light) -> np.ndarray:
    """Cosine between normal and light, 0 on sides turned away, for slopes in mm per mm; same shape."""
    to_light = light.direction.astype(np.float32)
    size = np.sqrt(1 + slope_right**2 + slope_up**2)
    return np.maximum(to_light[2] - to_light[0] * slope_right - to_light[1] * slope_up, 0) / size


def received_light(slope_right: np.ndarray, slope_up: np.ndarray, light: Light) -> np.ndarray:
    """Light thrown back by clay of given slopes; flat skin gives 1 plus a trace of sheen, whatever the elevation.

    (1 - AMBIENT) n.l / sin(elevation) + AMBIENT n.z + SHEEN (n.h)^SHEEN_POWER, n the normal, h half-way between light
    and viewer.
    """
    half = light.direction + [0.0, 0.0, 1.0]
    half = (half / np.linalg.norm(half)).astype(np.float32)
    size = np.sqrt(1 + slope_right**2 + slope_up**2)
    gloss = np.maximum(half[2] - half[0] * slope_right - half[1] * slope_up, 0) / size
    key = lambert(slope_right, slope_up, light) / np.float32(light.direction[2])
    return np.float32(1 - AMBIENT) * key + np.float32(AMBIENT) / size + np.float32(SHEEN) * _power_of_12(gloss)


def _power_of_12(x: np.ndarray) -> np.ndarray:
    cube = x * x * x
    return (cube * cube) ** 2
