"""The lay of relief: the way it runs, and how decidedly."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.patch.texture.autocorrelation import autocorrelation
from poredepth.patch.texture.checks import checked_relief
from poredepth.patch.texture.lobe import central_lobe
from poredepth.patch.texture.slopes import lay_tensor
from poredepth.patch.types import check_positive

#: Strength below which relief is said to have no lay: the slopes across it then are less than 1.11 times those along.
LEAST_STRENGTH = 0.1

#: Side of the middle that is enough to tell the lay of a larger picture: own choice.
MOST_MIDDLE_PX = 4096


@dataclass(frozen=True)
class Lay:
    """The way relief runs.

    Attributes
    ----------
    lay_deg : degrees anticlockwise from +u, from 0 to below 180: along furrows, not across them; NaN without relief
    strength : 0 (slopes alike in all directions) to 1 (slopes across the lay only): (a - b) / (a + b) of the mean
        squares of the slopes across and along the lay
    str_ratio : Str of ISO 25178-2; see `TextureParameters`
    """

    lay_deg: float
    strength: float
    str_ratio: float


def dominant_direction(
    height_mm: np.ndarray, texel_mm: float, *, periodic: bool = False, inside: np.ndarray | None = None
) -> Lay:
    """The way relief runs: what raking light shows as its grain.

    Parameters
    ----------
    height_mm : float (rows, cols), mm
    texel_mm : float, mm
    periodic : True if the relief continues over its borders
    inside : bool or 0 to 1 (rows, cols), where the relief counts; None: everywhere

    Returns
    -------
    Lay

    Raises
    ------
    PatchError : heights that are no finite (rows, cols) of at least 4 x 4, a texel_mm that is not above 0

    Notes
    -----
    The direction across which the mean square of the slope is largest (the structure tensor; Bigun & Granlund 1987,
    Optimal orientation detection of linear symmetry, from memory), not the peak of the angular spectrum (Std), which
    jumps between waves of a like strength.  For one lay the two agree; for two furrow families the tensor answers with
    a direction between them, nearer to the stronger.  A plane is taken off; borders count for nothing.

    Examples
    --------
    >>> import numpy as np
    >>> from poredepth.patch.texture import dominant_direction
    >>> rows, cols = np.indices((100, 100))
    >>> furrows = 0.01 * np.sin(0.4 * (cols + rows))  # from lower left to upper right
    >>> lay = dominant_direction(furrows, texel_mm=0.02)
    >>> round(lay.lay_deg, 3), round(lay.strength, 3)
    (45.0, 1.0)
    """
    check_positive("dominant direction", "texel_mm", texel_mm)
    heights, counts = checked_relief("dominant direction", height_mm, inside)
    lay_deg, strength = lay_of(heights, periodic, counts)
    return Lay(lay_deg, strength, central_lobe(autocorrelation(heights, periodic, counts)).str_ratio)


def middle_lay(height_mm: np.ndarray, *, periodic: bool = False) -> tuple[float, float]:
    """Lay (degrees) and strength as `dominant_direction` gives them, of the middle of large pictures: quick."""
    heights, _ = checked_relief("dominant direction", height_mm)
    if max(heights.shape) > MOST_MIDDLE_PX:
        rows, cols = ((n - min(n, MOST_MIDDLE_PX)) // 2 for n in heights.shape)
        heights = heights[rows : rows + MOST_MIDDLE_PX, cols : cols + MOST_MIDDLE_PX]
        periodic = False
    return lay_of(heights, periodic, None)


def lay_of(heights: np.ndarray, periodic: bool, inside: np.ndarray | None) -> tuple[float, float]:
    """Lay, degrees, and strength, of heights as `checked_relief` returns them."""
    (uu, uv), (_, vv) = lay_tensor(heights, periodic, inside).tolist()
    step = float(np.finfo(heights.dtype).eps) * float(np.abs(heights).max())
    if not uu + vv > step**2:
        return math.nan, 0.0
    across_deg = 0.5 * math.degrees(math.atan2(2 * uv, uu - vv))
    return (across_deg + 90.0) % 180.0, min(math.hypot(2 * uv, uu - vv) / (uu + vv), 1.0)
