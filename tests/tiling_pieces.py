"""Pictures for tests of tiling: the demo patches, which tile, and measured surfaces, which do not, if there."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from shared_data import FOLDER

from poredepth import read_patch
from poredepth.patch.types import HeightPatch

DEMO = Path(__file__).resolve().parents[1] / "demo_data" / "patches"
DEMO_PATCHES = ("cheek_pores", "nose_pores", "forehead_lines", "wrinkles", "grain")
#: Measured surfaces (MIT, test data of surface-measurement libraries): one with a strong lay, one with steep grooves.
MEASURED = ("conf_768", "groove_616")


def demo_patch(name: str) -> HeightPatch:
    """A patch that the project's synthesis made periodic."""
    return read_patch(DEMO / f"{name}.tif")


def measured_level(name: str) -> tuple[np.ndarray, float] | None:
    """Heights less their plane of least squares, float64, mm, and the texel, mm; None where the data are not."""
    path = FOLDER / f"{name}.npy"
    if not path.is_file():
        return None
    heights = np.load(path).astype(float)
    y, x = np.mgrid[: heights.shape[0], : heights.shape[1]]
    terms = np.column_stack([np.ones(heights.size), x.ravel(), y.ravel()])
    plane, *_ = np.linalg.lstsq(terms, heights.ravel(), rcond=None)
    texel_mm = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))["mm_per_px_x"]
    return heights - (terms @ plane).reshape(heights.shape), texel_mm
