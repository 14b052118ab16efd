"""Mean curvature of the relief."""

from __future__ import annotations

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.derived.slopes import gradients
from poredepth.raster.window import Window


def mean_curvature(heights: MapHeights, tile: int, window: Window) -> np.ndarray:
    """Signed mean curvature of the relief, float32 (rows, cols), 1/mm; 0 without skin.

    H = -div(grad h / sqrt(1 + |grad h|^2)) / 2 along the skin: positive on bumps and ridges, negative in pits and
    furrows; 1 / R on a ball of radius R.  The curvature of the mesh itself is not in it.
    """
    found = gradients(heights, tile, window, second=True)
    x, y = (found.first[..., k] for k in range(2))
    xx, xy, yy = (found.second[..., k] for k in range(3))
    bent = (1 + y * y) * xx - 2 * x * y * xy + (1 + x * x) * yy
    return -0.5 * bent / (1 + x * x + y * y) ** np.float32(1.5)
