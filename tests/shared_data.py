"""Real meshes and measured surfaces that lie beside a checkout, where they are there: the suite stands without them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from poredepth.surface.obj import PolygonMesh, read_obj

FOLDER = Path(__file__).resolve().parents[2] / "shared" / "data"


def read_if_there(name: str) -> PolygonMesh | None:
    """A mesh in centimetres (a face mask of 468 points, Apache-2.0, MediaPipe's canonical face geometry), or None."""
    path = FOLDER / name
    return read_obj(path) if path.is_file() else None


def height_if_there(name: str) -> tuple[np.ndarray, tuple[float, float]] | None:
    """A measured surface, float32 (rows, cols) in mm with NaN where nothing was measured, and its pixel (x, y), mm.

    ``groove_616``: three grooves from top to bottom (MIT, gelsightinc/gsmatlab, demo data); ``conf_768``: a fine lay
    from top to bottom (MIT, ContactEngineering/SurfaceTopography, test data).  None where it is not there.
    """
    path = FOLDER / f"{name}.npy"
    if not path.is_file():
        return None
    facts = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    return np.load(path), (facts["mm_per_px_x"], facts["mm_per_px_y"])
