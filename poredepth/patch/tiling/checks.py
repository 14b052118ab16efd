"""What the steps of this folder ask of a picture."""

from __future__ import annotations

import numpy as np

from poredepth.patch.types import check_all_finite, float_picture


def checked_picture(where: str, height) -> np.ndarray:
    """Finite heights as float32 or float64 (rows, cols), not copied where they are that; PatchError otherwise."""
    heights = float_picture(where, height)
    check_all_finite(where, heights)
    return heights
