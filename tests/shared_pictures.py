"""Measured height pictures that lie beside a checkout, where they are there: the suite stands without them."""

from __future__ import annotations

import json

import numpy as np
from shared_data import FOLDER

#: MIT, test data of open libraries of surface measurement: a surface with a strong lay, and one with a groove.
NAMES = ("conf_768", "groove_616")


def measured() -> dict[str, tuple[np.ndarray, float]]:
    """name -> heights, mm, and texel, mm; empty where there are none."""
    found = {}
    for name in NAMES:
        if (FOLDER / f"{name}.npy").is_file():
            texel_mm = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))["mm_per_px_x"]
            found[name] = np.load(FOLDER / f"{name}.npy"), texel_mm
    return found
