"""Written maps taken to a mesh: their raw values, by the reader that checks them, displaced and measured."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from poredepth.checking.check import find_maps
from poredepth.checking.displace import measure_displaced
from poredepth.checking.obtained import DisplaceMeasure
from poredepth.checking.reader import OpenedMap, UnreadableMapError
from poredepth.errors import MapFileError
from poredepth.output import MapMetadata, read_map_metadata
from poredepth.output.metadata import HEIGHT
from poredepth.pipeline import Composition
from poredepth.surface.obj import read_obj

#: Values of a set up to this size are held in memory, of a larger one in a file without a name.
IN_MEMORY_BYTES = 300 << 20


def displace_files(  # noqa: PLR0913  (what is displaced by what, how finely)
    paths: Iterable[Path | str],
    mesh: Path | str,
    unit: str,
    composition: Composition | None = None,
    *,
    subdivide: int | None = None,
    edge_um: float | None = None,
    n_points: int = 10_000,
) -> DisplaceMeasure:
    """Displace a mesh by the height maps among files, as a renderer does, and measure the heights obtained.

    Parameters
    ----------
    paths : map files, or folders that hold some; maps of other kinds are left out
    mesh : OBJ file; unit : of its numbers, as the scene takes them
    composition, subdivide, edge_um, n_points : see `measure_displaced`.  Of maps that hold a part of the relief
        (the coarse part of a split) only what needs no relief is measured

    Raises
    ------
    UnreadableMapError : no map of heights among them, or two of one tile; MapFileError, MeshError : see
        `measure_displaced`
    """
    known: dict[int, tuple[OpenedMap, MapMetadata]] = {}
    for one in find_maps(paths):
        try:
            metadata = read_map_metadata(one.path)
        except MapFileError as error:
            raise UnreadableMapError(str(error)) from error
        if metadata.kind != HEIGHT:
            continue
        if metadata.tile in known:
            raise UnreadableMapError(
                f"{one.path}: tile {metadata.tile} is in {known[metadata.tile][0].path.name} too; give the tiles of "
                "one displacement map"
            )
        known[metadata.tile] = one, metadata
    if not known:
        raise UnreadableMapError("maps: none of them holds heights; give the files of a displacement map")
    whole = all(metadata.part is None for _, metadata in known.values())
    with _raw_values(known) as maps:
        return measure_displaced(
            maps,
            read_obj(mesh),
            unit,
            composition if whole else None,
            subdivide=subdivide,
            edge_um=edge_um,
            n_points=n_points,
        )


@contextmanager
def _raw_values(known: dict[int, tuple[OpenedMap, MapMetadata]]):
    """Values and metadata by tile."""
    n_bytes = [int(np.prod(one.shape)) * np.dtype(one.pixel_type).itemsize for one, _ in known.values()]
    with tempfile.TemporaryFile() as scratch:
        maps, offset = {}, 0
        for (tile, (one, metadata)), n in zip(known.items(), n_bytes, strict=True):
            if sum(n_bytes) <= IN_MEMORY_BYTES:
                values = np.empty(one.shape, one.pixel_type)
            else:
                values = np.memmap(scratch, one.pixel_type, "r+", offset, one.shape)
                offset += n
            for first, block in one.blocks():
                values[first : first + len(block)] = block[..., 0]
            maps[tile] = values, metadata
        yield maps
