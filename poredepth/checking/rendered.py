"""Map files read and decoded as a renderer does it: bilinearly, by the numbers of the metadata, in scene units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from poredepth.checking.tessellate import BasePoints
from poredepth.errors import MapFileError
from poredepth.output.calibration import CODE_MAX, SCENE
from poredepth.output.metadata import MapMetadata
from poredepth.surface.tiles import column_and_row, tile_number
from poredepth.units import MM_PER_UNIT

#: Shares of the way to a triangle's middle: a point on the border of two tiles is read in the tile its triangle is in.
INWARD = 1e-7

#: Mistakes in the way a picture is laid on UVs, and what they do to (u, v) in a tile.
TURNS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "its rows are turned over": lambda uv: uv * [1, -1] + [0, 1],
    "its columns are turned over": lambda uv: uv * [-1, 1] + [1, 0],
    "it is turned by half": lambda uv: 1 - uv,
    "its rows and columns are swapped": lambda uv: 1 - uv[:, ::-1],
    "it is turned by a quarter, anticlockwise": lambda uv: uv[:, ::-1] * [-1, 1] + [1, 0],
    "it is turned by a quarter, clockwise": lambda uv: uv[:, ::-1] * [1, -1] + [0, 1],
}


@dataclass(frozen=True)
class RenderedMaps:
    """The values of map files by tile, and what they mean in a scene.

    Attributes
    ----------
    values : (rows, cols) each; floats, or uint16 codes that stand for code / 65535
    metadata : the mid, scale and unit of each
    unit : of lengths in the scene
    """

    values: Mapping[int, np.ndarray]
    metadata: Mapping[int, MapMetadata]
    unit: str

    def displaced(self, points: BasePoints) -> np.ndarray:
        """Points moved along their normals by what the map says there, float64 (n, 3), scene units.

        Points without UVs, or of a tile that is not among the maps, stay.
        """
        height, _ = self.height(points.uv, points.toward_uv)
        return points.position + height[:, None] * points.normal

    def height(self, uv: np.ndarray, toward_uv: np.ndarray, turn: str | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Heights read at UVs, (value - mid) * scale in scene units.

        Parameters
        ----------
        uv : float64 (n, 2); toward_uv : float64 (n, 2), the side on which points on a tile's border lie
        turn : read as if a mistake were mended, one of ``TURNS``

        Returns
        -------
        height float64 (n,), 0 where nothing is read; tile int64 (n,), -1 where nothing is read
        """
        inward = uv + INWARD * (toward_uv - uv)
        known = np.isfinite(inward).all(axis=1)
        column_row = np.zeros(uv.shape, np.int64)
        column_row[known] = np.floor(inward[known])
        tile = np.where(known, tile_number(column_row[:, 0], column_row[:, 1]), -1)
        tile[~np.isin(tile, list(self.values))] = -1
        out = np.zeros(len(uv))
        for number in np.unique(tile[tile >= 0]).tolist():
            here = np.flatnonzero(tile == number)
            local = uv[here] - column_and_row(number)
            local = local if turn is None else TURNS[turn](local)
            # the renderer's own arithmetic: values are mixed, then decoded, then made lengths of the scene
            value = bilinear_values(self.values[number], local)
            out[here] = (value - self.metadata[number].mid) * self.scale_in_scene(number)
        return out, tile

    def scale_in_scene(self, tile: int) -> float:
        """Length of one full unit of value, scene units: the metadata's scale in its own unit, converted."""
        known = self.metadata[tile]
        return known.scale * own_unit_mm(known) / MM_PER_UNIT[self.unit]

    def at_mid(self) -> RenderedMaps:
        """The same maps with every texel at the value nearest to mid that the file can hold."""
        flat = {tile: np.full((1, 1), _stored(self.metadata[tile].mid, one.dtype)) for tile, one in self.values.items()}
        return RenderedMaps(flat, self.metadata, self.unit)

    def step(self, tile: int, value: np.ndarray) -> np.ndarray:
        """Distance of neighbouring numbers of the file near values (n,), scene units."""
        # readers hand half floats out as 32-bit ones: the metadata tell
        dtype = self.values[tile].dtype if "half" not in self.metadata[tile].format else np.dtype(np.float16)
        step = 1 / CODE_MAX if dtype == np.uint16 else np.abs(np.spacing(np.asarray(value).astype(dtype))).astype(float)
        return np.broadcast_to(step * self.scale_in_scene(tile), np.shape(value))


def checked_maps(maps: Mapping[int, tuple[np.ndarray, MapMetadata]], unit: str) -> RenderedMaps:
    """Maps as `RenderedMaps`.

    Raises
    ------
    MapFileError : no maps, arrays that are no single channel of floats or 16-bit codes, or metadata of another tile
    """
    if not maps:
        raise MapFileError("maps: found none; allowed: values and metadata by UV tile; pass what the files hold")
    for tile, (values, metadata) in maps.items():
        kind = f"{values.dtype} {values.shape}"
        if values.ndim != 2 or 0 in values.shape or values.dtype not in (np.uint16, np.float16, np.float32, np.float64):
            raise MapFileError(
                f"maps: {tile} is {kind}; allowed: one channel (rows, cols) of floats or 16-bit codes; pass the "
                "channel that holds the heights"
            )
        if metadata.tile != tile:
            raise MapFileError(
                f"maps: {tile} has the metadata of tile {metadata.tile}; allowed: each map with its own; pass them by "
                "the tile their metadata name"
            )
        if own_unit_mm(metadata) is None:
            raise MapFileError(
                f"maps: {tile} says unit {metadata.unit!r}; allowed: {', '.join(MM_PER_UNIT)}, or {SCENE} with its "
                "unit_mm; someone changed it"
            )
    return RenderedMaps(
        {tile: values for tile, (values, _) in maps.items()}, {tile: known for tile, (_, known) in maps.items()}, unit
    )


def bilinear_values(values: np.ndarray, uv: np.ndarray) -> np.ndarray:
    """Values mixed bilinearly at (u, v) in a tile, float64 (n,): texel centres at +0.5, row 0 at v = 1, borders held.

    Codes of 16 bits count as code / 65535.
    """
    rows, cols = values.shape
    x, y = uv[:, 0] * cols - 0.5, (1.0 - uv[:, 1]) * rows - 0.5
    col, row = np.floor(x), np.floor(y)
    fx, fy = x - col, y - row
    col, row = col.astype(np.int64), row.astype(np.int64)
    left, right = (np.clip(c, 0, cols - 1) for c in (col, col + 1))
    above, below = (np.clip(r, 0, rows - 1) for r in (row, row + 1))
    # a + f (b - a): texels that are alike are read exactly as they are
    upper = _mixed(values[above, left], values[above, right], fx)
    lower = _mixed(values[below, left], values[below, right], fx)
    mixed = upper + fy * (lower - upper)
    return mixed / CODE_MAX if values.dtype == np.uint16 else mixed


def _mixed(a: np.ndarray, b: np.ndarray, share: np.ndarray) -> np.ndarray:
    a, b = a.astype(float), b.astype(float)
    return a + share * (b - a)


def _stored(value: float, dtype: np.dtype):
    if dtype == np.uint16:
        return np.uint16(np.clip(np.rint(value * CODE_MAX), 0, CODE_MAX))
    return dtype.type(value)


def own_unit_mm(metadata: MapMetadata) -> float | None:
    """Millimetres in the unit that a map's scale is in; None if it does not say."""
    return metadata.unit_mm if metadata.unit == SCENE else MM_PER_UNIT.get(metadata.unit)
