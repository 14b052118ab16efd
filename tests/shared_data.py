"""Real meshes that lie beside a checkout, where they are there: the suite stands without them."""

from __future__ import annotations

from pathlib import Path

from poredepth.surface.obj import PolygonMesh, read_obj

FOLDER = Path(__file__).resolve().parents[2] / "shared" / "data"


def read_if_there(name: str) -> PolygonMesh | None:
    """A mesh in centimetres (a face mask of 468 points, Apache-2.0, MediaPipe's canonical face geometry), or None."""
    path = FOLDER / name
    return read_obj(path) if path.is_file() else None
