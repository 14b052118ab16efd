"""What the steps of this folder ask of a picture."""

from __future__ import annotations

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.types import MIN_SIDE_PX, check_all_finite


def checked_picture(where: str, height) -> np.ndarray:
    """Heights as a float32 or float64 (rows, cols) array, not copied where they are one; PatchError otherwise."""
    try:
        heights = np.asarray(height)
        heights = heights if heights.dtype in (np.float32, np.float64) else heights.astype(np.float64)
    except (TypeError, ValueError) as error:
        raise PatchError(f"{where}: the heights are no array of numbers ({error}); give a 2-D array in mm") from error
    if heights.ndim != 2 or min(heights.shape) < MIN_SIDE_PX:
        raise PatchError(
            f"{where}: the heights have shape {heights.shape}; allowed is (rows, cols) of at least {MIN_SIDE_PX} "
            "texels each; give a larger piece"
        )
    check_all_finite(where, heights)
    return heights
