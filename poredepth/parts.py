"""Maps taken apart: what each layer, or each band, brings to the heights, for those who put them together again."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from poredepth.maps import HeightMap, map_metadata, map_stem, numbered, opened, room_for, seams_first
from poredepth.mix.blocks import TWO_THREADS, Blocking, Parts, fill_parts
from poredepth.output import WrittenMap, fit_calibration, tile_file_name, write_map
from poredepth.output.rows import RowSource, range_mm
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
    output, raster, stem = composition.recipe.output, composition.raster(), stem or map_stem(composition)
    folder = opened(folder)
    several = numbered(raster)
    names = part_names(composition, by)
    n_made = len(composition.layers) if by == "layers" else len(BANDS)  # what comes after them is that along seams
    own_scale = output.format != "exr-float"
    seams_first(composition, raster, on_progress)
    written: list[WrittenMap] = []
    with room_for(raster, folder, len(names)) as room:
        heights = {tile: _filled(composition, raster, tile, by, room, blocking, on_progress) for tile in raster.tiles}
        for number, name in enumerate(names):
            on_progress("write", number, len(names))
            tiles = {tile: parts[name] for tile, parts in heights.items()}
            ranges = [range_mm(RowSource.of(one, raster.whole().shape)) for one in tiles.values()]
            calibration = fit_calibration(
                output.format,
                output.unit,
                min(low for low, _ in ranges),
                max(high for _, high in ranges),
                mid=None if own_scale else output.mid,
                scale_mm=None if own_scale else output.scale_mm,
                headroom=output.headroom,
            )
            for tile, height_mm in tiles.items():
                seams = number == n_made
                slug = SEAMS if seams else _slug(name, number, by)
                path = folder / tile_file_name(f"{stem}.{slug}", tile, output.format, several)
                only = None if seams or by == "bands" else (name,)
                metadata = map_metadata(composition, raster, tile, calibration, only=only)
                metadata = replace(metadata, part=SEAMS if seams else f"{by.removesuffix('s')} {name}")
                written.append(write_map(path, height_mm, calibration, metadata))
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
    shape = raster.whole().shape
    out, names = {}, part_names(composition, by)
    for number, name in enumerate(names):
        if room is None:
            out[name] = np.zeros(shape, np.float32)
        else:
            out[name] = np.memmap(room / f"{tile}.{number}.heights", np.float32, "w+", shape=shape)
    before = raster.tiles.index(tile)

    def on_block(done: int, total: int) -> None:
        on_progress("compose", before * total + done, len(raster.tiles) * total)

    fill_parts(composition.layers, composition.ground, raster, tile, by, out, blocking, on_block)
    correction = composition.seam_correction(raster.size_px)
    if correction is not None:
        correction.add_to(tile, raster.whole(), out[names[-1]])
    return out
