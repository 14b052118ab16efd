"""Maps as a check has them: written, and read back as raw values by other libraries than the project's own readers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import tifffile

from poredepth import MapMetadata, PolygonMesh, write_maps
from poredepth.output import read_map_metadata


def written(composition, folder: Path) -> dict[int, tuple[np.ndarray, MapMetadata]]:
    """A composition's maps through files: raw values as tifffile or OpenImageIO read them, and the metadata."""
    out = {}
    for one in write_maps(composition, folder):
        metadata = read_map_metadata(one.path)
        out[metadata.tile] = raw_values(one.path), metadata
    return out


def raw_values(path: Path) -> np.ndarray:
    if path.suffix in (".tif", ".tiff"):
        return tifffile.imread(path)
    picture = oiio.ImageBuf(str(path))
    return np.ascontiguousarray(picture.get_pixels(oiio.FLOAT)[..., 0])


def told(maps, **changed):
    """The same values with other metadata."""
    return {tile: (values, replace(metadata, **changed)) for tile, (values, metadata) in maps.items()}


def with_values(maps, change):
    """The same metadata with other values."""
    return {tile: (change(values), metadata) for tile, (values, metadata) in maps.items()}


def float_maps(values: np.ndarray, tile: int = 1001, **metadata) -> dict[int, tuple[np.ndarray, MapMetadata]]:
    """One float map from an array of values; default: heights in mm."""
    return {tile: (values.astype(np.float32), MapMetadata(tile=tile, size_px=values.shape[::-1], **metadata))}


def octahedron(radius: float) -> PolygonMesh:
    """Eight faces whose corners' normals are exactly radial; each face is a chart of its own."""
    position = radius * np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], float)
    faces, uv, face_uv = [], [], []
    for k, (x, y, z) in enumerate(np.ndindex(2, 2, 2)):
        face = [x, 2 + y, 4 + z]
        faces.append(face if (x + y + z) % 2 == 0 else face[::-1])
        at = np.array([k % 4, k // 4]) / 4 + 0.02
        uv += [at, at + [0.2, 0], at + [0, 0.2]]
        face_uv.append([3 * k, 3 * k + 1, 3 * k + 2])
    return PolygonMesh.from_arrays(position, faces, uv, face_uv)
