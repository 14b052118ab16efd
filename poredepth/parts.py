"""Maps taken apart: what each layer, or each band, brings to the heights, for those who put them together again."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from poredepth.maps import (
    HeightMap,
    block_progress,
    empty_map,
    map_stem,
    numbered,
    opened,
    room_for,
    seams_first,
    write_set,
)
from poredepth.mix.blocks import TWO_THREADS, Blocking, Parts, fill_parts
from poredepth.output import FILE_FORMATS, WrittenMap, tile_file_name
from poredepth.patch.bands import BANDS
from poredepth.pipeline import Composition, OnProgress, quiet
from poredepth.raster.texels import TileRaster
from poredepth.surface.metric import median_texel_mm

#: Name of the part that holds what is added to texels along seams.
SEAMS = "seams"


def compose_parts(
    composition: Composition,
    by: Parts,
    *,
    size_px: int | None = None,
    blocking: Blocking = TWO_THREADS,
    on_progress: OnProgress = quiet,
) -> dict[str, dict[int, HeightMap]]:
    """Compose what each layer, or each band, brings to the map of every UV tile, in memory.

    They add up to what `compose` gives, to float32 rounding.  A layer's part is what it changes of the mix of those
    below it.

    Parameters
    ----------
    by : ``layers`` or ``bands``
    size_px, blocking, on_progress : see `compose`

    Returns
    -------
    HeightMap by name, then tile; last ``seams``, what is added to texels along seams, unless the recipe leaves them
    (``added along seams`` if a layer is named seams)
    """
    raster = composition.raster(size_px)
    seams_first(composition, raster, on_progress)
    texel_mm = median_texel_mm(composition.surface, raster.size_px)
    out: dict[str, dict[int, HeightMap]] = {name: {} for name in part_names(composition, by)}
    for tile in raster.tiles:
        for name, height_mm in _filled(composition, raster, tile, by, None, blocking, on_progress).items():
            out[name][tile] = HeightMap(height_mm, tile, texel_mm)
    return out


def write_parts(
    composition: Composition,
    by: Parts,
    folder: Path | str,
    *,
    stem: str | None = None,
    blocking: Blocking = TWO_THREADS,
    on_progress: OnProgress = quiet,
) -> list[WrittenMap]:
    """Compose what each layer, or each band, brings, and write it in the recipe's format, each part as its own map.

    Heights add up, so parts in whole numbers are to be decoded before they are summed: each has a scale of its own,
    fitted to it, whatever scale and mid the recipe gives the map, which need not hold a part.

    Parameters
    ----------
    by : ``layers`` or ``bands``
    folder, stem, blocking, on_progress : see `write_maps`; the part's name is put behind the stem

    Returns
    -------
    WrittenMap per part and tile

    Raises
    ------
    CalibrationError, MapFileError : see `write_maps`
    """
    format, raster, stem = composition.recipe.output.format, composition.raster(), stem or map_stem(composition)
    folder = opened(folder)
    several = numbered(raster)
    names = part_names(composition, by)
    n_made = len(composition.layers) if by == "layers" else len(BANDS)  # what comes after them is that along seams
    seams_first(composition, raster, on_progress)
    written: list[WrittenMap] = []
    with room_for(raster, folder, len(names)) as room:
        heights = {tile: _filled(composition, raster, tile, by, room, blocking, on_progress) for tile in raster.tiles}
        for number, name in enumerate(names):
            on_progress("write", number, len(names))
            seams = number == n_made
            part_stem = f"{stem}.{SEAMS if seams else _slug(name, number, by)}"
            written += write_set(
                composition,
                {tile: parts[name] for tile, parts in heights.items()},
                lambda tile, part_stem=part_stem: folder / tile_file_name(part_stem, tile, format, several),
                own_scale=not FILE_FORMATS[format].is_float,
                only=None if seams or by == "bands" else (name,),
                part=SEAMS if seams else f"{by.removesuffix('s')} {name}",
            )
        on_progress("write", len(names), len(names))
    return written


def part_names(composition: Composition, by: Parts) -> list[str]:
    """Names of the parts, in order; ``seams`` comes last, if the recipe makes seams even."""
    names = [layer.name for layer in composition.layers] if by == "layers" else list(BANDS)
    if composition.recipe.output.seams == "untouched":
        return names
    seams = SEAMS
    while seams in names:
        seams = f"added along {seams}"
    return [*names, seams]


def _slug(name: str, number: int, by: Parts) -> str:
    """Part of a file name: no two parts share one."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
    return f"band-{plain}" if by == "bands" else f"layer-{number + 1}" + (f"-{plain}" if plain else "")


def _filled(
    composition: Composition,
    raster: TileRaster,
    tile: int,
    by: Parts,
    room: Path | None,
    blocking: Blocking,
    on_progress: OnProgress,
) -> Mapping[str, np.ndarray]:
    names = part_names(composition, by)
    out = {name: empty_map(raster, room, f"{tile}.{number}") for number, name in enumerate(names)}
    on_block = block_progress(raster, tile, on_progress)
    fill_parts(composition.layers, composition.ground, raster, tile, by, out, blocking, on_block)
    correction = composition.seam_correction(raster.size_px)
    if correction is not None:
        correction.add_to(tile, raster.whole(), out[names[-1]])
    return out
