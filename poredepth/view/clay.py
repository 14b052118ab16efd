"""How the pictures look: matte clay of a neutral grey, heads on light paper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.errors import PoredepthError

#: Share of each linear colour that clay throws back.
CLAY_ALBEDO = np.array([0.430, 0.400, 0.372])
#: Linear colour of the paper that heads stand on.
PAPER_LINEAR = np.array([0.956, 0.930, 0.871])
#: sRGB where there is no skin, of lines and text, and of the strip they stand on.
BACKGROUND_RGB = np.array([63, 68, 73], np.uint8)
STRIP_RGB = np.array([38, 41, 45], np.uint8)
INK_RGB = np.array([228, 226, 220], np.uint8)


@dataclass(frozen=True, slots=True)
class Light:
    """A far light in the picture's frame: x right, y up, z towards the viewer.

    Attributes
    ----------
    azimuth_deg : side it comes from, anticlockwise from the picture's right
    elevation_deg : height above the picture plane, above 0 up to 90
    """

    azimuth_deg: float = 135.0
    elevation_deg: float = 18.0

    def __post_init__(self):
        if not np.isfinite(self.azimuth_deg):
            raise PoredepthError(
                f"light: azimuth_deg is {self.azimuth_deg}; allowed: any finite angle; "
                "give the side the light comes from, 0 = right, 90 = top"
            )
        if not 0 < self.elevation_deg <= 90:
            raise PoredepthError(
                f"light: elevation_deg is {self.elevation_deg:g}; allowed: above 0 up to 90; "
                "raking light stands at 10 to 25"
            )

    @property
    def direction(self) -> np.ndarray:
        """Unit vector (3,) towards the light."""
        azimuth, elevation = np.radians([self.azimuth_deg, self.elevation_deg])
        return np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])


def clay_rgb(light: np.ndarray) -> np.ndarray:
    """Colour of clay under ``light``.

    Parameters
    ----------
    light : float (..., ), light received; 1 is a comfortable middle tone

    Returns
    -------
    uint8 (..., 3), sRGB.  Highlights roll off as 1 - exp(-x), so that nothing clips to a flat white.

    Source: own derivation; encoding of IEC 61966-2-1.
    """
    linear = -np.expm1(-np.asarray(light, np.float32)[..., None] * CLAY_ALBEDO.astype(np.float32))
    return srgb_codes(linear)


def srgb_codes(linear: np.ndarray) -> np.ndarray:
    """Linear 0..1 to 8-bit sRGB codes (IEC 61966-2-1), same shape, uint8."""
    # a table of 4096 steps in the square root is within half a code everywhere, and far faster than a power
    at = np.sqrt(np.clip(linear, 0.0, 1.0)) * (len(_SRGB_TABLE) - 1)
    return _SRGB_TABLE[np.rint(at).astype(np.uint16)]


def _srgb_table(n: int) -> np.ndarray:
    linear = np.linspace(0, 1, n) ** 2
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.rint(255 * encoded).astype(np.uint8)


_SRGB_TABLE = _srgb_table(4096)
