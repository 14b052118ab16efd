"""A ramp of colours for numbers, even to the eye: from dark blue over grey to pale yellow."""

from __future__ import annotations

import numpy as np

from poredepth.view.clay import srgb_codes

#: Ends of the ramp in OKLab: lightness, green to red, blue to yellow.  Only blue against yellow, so that it reads alike
#: with any kind of colour sight, and on paper without colour: own choice.
LOW_OKLAB, HIGH_OKLAB = (0.27, -0.005, -0.085), (0.945, -0.022, 0.105)
#: OKLab to linear sRGB (Ottosson 2020): to cube roots of cone responses, and from their cubes.
_TO_CONES = np.array(
    [[1, 0.3963377774, 0.2158037573], [1, -0.1055613458, -0.0638541728], [1, -0.0894841775, -1.2914855480]]
)
_FROM_CONES = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)
_STEPS = 1024


def ramp_rgb(share: np.ndarray) -> np.ndarray:
    """Colours of shares (...), 0 to 1, clipped there: uint8 (..., 3), sRGB.

    A straight line through OKLab, so that equal steps look equal.

    Source: Ottosson 2020, "A perceptual color space for image processing"; encoding of IEC 61966-2-1.
    """
    at = np.clip(np.asarray(share, np.float32), 0, 1) * np.float32(_STEPS - 1)
    return _TABLE[np.rint(at).astype(np.uint16)]


def _table() -> np.ndarray:
    t = np.linspace(0, 1, _STEPS)[:, None]
    oklab = (1 - t) * np.array(LOW_OKLAB) + t * np.array(HIGH_OKLAB)
    return srgb_codes((oklab @ _TO_CONES.T) ** 3 @ _FROM_CONES.T)


_TABLE = _table()
