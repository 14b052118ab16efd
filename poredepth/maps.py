"""Whole maps: composed in memory, or written as calibrated files."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from poredepth.errors import MapFileError
from poredepth.memory import give_back
from poredepth.mix.blocks import TWO_THREADS, Blocking, fill_tile
from poredepth.output import (
    Calibration,
    MapMetadata,
    PatchRecord,
    WrittenMap,
    fit_calibration,
    tile_file_name,
    write_map,
)
from poredepth.output.calibration import SCENE
from poredepth.output.rows import RowSource, range_mm
from poredepth.patch.types import HeightPatch
from poredepth.pipeline import Composition, OnProgress, quiet
from poredepth.raster.far_gutter import fill_far_gutter
from poredepth.raster.texels import TileRaster
from poredepth.recipe import Recipe, recipe_hash
from poredepth.surface.metric import median_texel_mm
from poredepth.units import MM_PER_UNIT

#: Heights of a set up to this size are held in memory; larger sets go through temporary files beside the target.
IN_MEMORY_BYTES = 300 << 20


@dataclass(frozen=True)
class HeightMap:
    """The heights of one UV tile.

    Attributes
    ----------
    height_mm : float32 (size_px, size_px), mm, row 0 at the top (v near 1), + is outward; 0 where there is no skin
    tile : 1001 + U + 10 V
    texel_mm : median size of a texel on the skin, mm
    """

    height_mm: np.ndarray
    tile: int
    texel_mm: float


def compose(
    composition: Composition,
    *,
    size_px: int | None = None,
    blocking: Blocking = TWO_THREADS,
    on_progress: OnProgress = quiet,
) -> dict[int, HeightMap]:
    """Compose every UV tile in memory, seams made even as the recipe's output says.

    Parameters
    ----------
    composition : see `prepare`
    size_px : rows and columns of a tile; default: the recipe's
    blocking : threads and block size; they change no bit

    Returns
    -------
    HeightMap by tile number
    """
    raster = composition.raster(size_px)
    seams_first(composition, raster, on_progress)
    texel_mm = median_texel_mm(composition.surface, raster.size_px)
    return {
        tile: HeightMap(_filled(composition, raster, tile, None, blocking, on_progress), tile, texel_mm)
        for tile in raster.tiles
    }


def write_maps(
    composition: Composition,
    folder: Path | str,
    *,
    stem: str | None = None,
    number_tiles: bool | None = None,
    blocking: Blocking = TWO_THREADS,
    on_progress: OnProgress = quiet,
) -> list[WrittenMap]:
    """Compose every UV tile and write it as the recipe's output says; all tiles share one calibration.

    Parameters
    ----------
    folder : made if missing
    stem : file name without tile number and ending; default: the recipe's
    number_tiles : put the tile number into the name; default: only if there are several

    Returns
    -------
    WrittenMap per tile, by rising tile number

    Raises
    ------
    CalibrationError : heights that do not fit the asked scale
    MapFileError : a file that cannot be written or does not read back
    """
    folder = opened(folder)
    output, raster = composition.recipe.output, composition.raster()
    stem = stem or map_stem(composition)
    several = numbered(raster) if number_tiles is None else number_tiles
    with room_for(raster, folder) as room:
        heights = compose_tiles(composition, room, blocking, on_progress)
        on_progress("write", 0, 1)
        written = write_set(
            composition, heights, lambda tile: folder / tile_file_name(stem, tile, output.format, several)
        )
        on_progress("write", 1, 1)
    return written


def compose_tiles(
    composition: Composition, room: Path | None, blocking: Blocking = TWO_THREADS, on_progress: OnProgress = quiet
) -> dict[int, np.ndarray]:
    """Heights of every tile at the recipe's size, float32 (size_px, size_px), mm, in memory or in files in ``room``."""
    raster = composition.raster()
    seams_first(composition, raster, on_progress)
    return {tile: _filled(composition, raster, tile, room, blocking, on_progress) for tile in raster.tiles}


def write_set(
    composition: Composition,
    heights_mm: Mapping[int, np.ndarray],
    path_of: Callable[[int], Path],
    *,
    own_scale: bool = False,
    only: Collection[str] | None = None,
    part: str | None = None,
    mip_mapped: bool = False,
) -> list[WrittenMap]:
    """Write the heights of all tiles, float32 (size_px, size_px), mm, in the recipe's format under one calibration.

    Parameters
    ----------
    path_of : gives the file of a tile
    own_scale : fit mid and scale to these heights, whatever the recipe says
    only, part : what the files say they hold: names of layers (default: all), and what of the map it is
    mip_mapped : OpenEXR files with all levels

    Raises
    ------
    CalibrationError, MapFileError : see `write_maps`
    """
    raster = composition.raster()
    calibration = shared_calibration(composition, heights_mm, own_scale=own_scale)
    return [
        write_map(
            path_of(tile),
            height_mm,
            calibration,
            replace(map_metadata(composition, raster, tile, only), part=part),
            mip_mapped=mip_mapped,
        )
        for tile, height_mm in heights_mm.items()
    ]


def shared_calibration(
    composition: Composition, heights_mm: Mapping[int, np.ndarray], *, own_scale: bool = False
) -> Calibration:
    """The one calibration of all tiles of a set; parameters and errors as in `write_set`."""
    output, shape = composition.recipe.output, composition.raster().whole().shape
    ranges = [range_mm(RowSource.of(one, shape)) for one in heights_mm.values()]
    unit, unit_mm = output_unit(composition.recipe)
    return fit_calibration(
        output.format,
        unit,
        min(low for low, _ in ranges),
        max(high for _, high in ranges),
        mid=None if own_scale else output.mid,
        scale_mm=None if own_scale else output.scale_mm,
        headroom=output.headroom,
        unit_mm=unit_mm,
        clips=output.clip and not own_scale,
    )


def scene_unit(recipe: Recipe) -> tuple[str | None, float]:
    """Name of the scene's unit, None if it has none, and its millimetres; by default that of the mesh."""
    output = recipe.output
    if output.scene_unit_mm is not None:
        named = [name for name, mm in MM_PER_UNIT.items() if mm == output.scene_unit_mm]
        return (named[0] if named else None), output.scene_unit_mm
    name = output.scene_unit or recipe.mesh.unit
    return name, MM_PER_UNIT[name]


def output_unit(recipe: Recipe) -> tuple[str, float]:
    """Unit of the heights in a file, ``scene`` for one without a name, and its millimetres."""
    if recipe.output.unit != SCENE:
        return recipe.output.unit, MM_PER_UNIT[recipe.output.unit]
    name, unit_mm = scene_unit(recipe)
    return name or SCENE, unit_mm


def map_stem(composition: Composition) -> str:
    """File name of a composition's maps without tile number and ending."""
    return composition.recipe.file.stem if composition.recipe.file is not None else "displacement"


def numbered(raster: TileRaster) -> bool:
    """Whether file names carry tile numbers."""
    return len(raster.tiles) > 1


def map_metadata(
    composition: Composition,
    raster: TileRaster,
    tile: int,
    only: Collection[str] | None = None,
) -> MapMetadata:
    """What a map file says about itself: recipe, seed, texel size, layers, and each patch's source and terms.

    ``only`` : names of the layers that are in it; default: all
    """
    recipe = composition.recipe
    layers = [spec for spec in recipe.layers if only is None or spec.name in only]
    used = {name for spec in layers for name in spec.patch_shares}
    patches = tuple(_patch_record(recipe, patch) for name, patch in composition.patches.items() if name in used)
    scene_name, scene_mm = scene_unit(recipe)
    return MapMetadata(
        compression=recipe.output.compression,
        scene_unit=scene_name,
        scene_unit_mm=scene_mm,
        recipe=recipe.file.name if recipe.file is not None else None,
        recipe_hash=recipe_hash(recipe, files=recipe.file is not None),
        seed=recipe.seed,
        tile=tile,
        size_px=(raster.size_px, raster.size_px),
        texel_um=1000.0 * median_texel_mm(composition.surface, raster.size_px),
        gutter_px=raster.gutter_px,
        patches=patches,
        layers=tuple(spec.name for spec in layers),
    )


def _patch_record(recipe: Recipe, patch: HeightPatch) -> PatchRecord:
    origin = patch.provenance
    # the name the recipe gives, not a path of this machine
    file = recipe.patches[patch.name].file if patch.name in recipe.patches else None
    known = {
        "file": file,
        "sha256": origin.sha256,
        "source": origin.source,
        "licence": origin.licence,
        "consent": origin.consent,
        "history": origin.history or None,
    }
    return PatchRecord(patch.name, **{key: value for key, value in known.items() if value is not None})


def opened(folder: Path | str) -> Path:
    """A folder to write to, made if missing; MapFileError if that is not allowed."""
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MapFileError(f"{folder}: cannot make the folder ({error.strerror}); choose another with -o") from error
    try:
        with tempfile.TemporaryFile(prefix=".poredepth-", dir=folder):
            return folder
    except OSError as error:
        raise MapFileError(f"{folder}: cannot write there ({error.strerror}); choose another with -o") from error


@contextmanager
def room_for(raster: TileRaster, folder: Path, n_maps: int = 1) -> Iterator[Path | None]:
    """A folder for temporary height files beside the target, gone at the end; None if memory will do."""
    if n_maps * len(raster.tiles) * raster.size_px**2 * 4 <= IN_MEMORY_BYTES:
        yield None
        return
    try:
        room = tempfile.TemporaryDirectory(prefix=".poredepth-", dir=folder)
    except OSError as error:
        raise MapFileError(f"{folder}: cannot write there ({error.strerror}); choose another with -o") from error
    with room as name:
        yield Path(name)


def seams_first(composition: Composition, raster: TileRaster, on_progress: OnProgress) -> None:
    """Work out what seams need, once for all tiles."""
    if composition.recipe.output.seams != "untouched":
        on_progress("seams", 0, 1)
        composition.seam_correction(raster.size_px)


def _filled(
    composition: Composition,
    raster: TileRaster,
    tile: int,
    room: Path | None,
    blocking: Blocking,
    on_progress: OnProgress,
) -> np.ndarray:
    out = empty_map(raster, room, f"{tile}")
    on_block = block_progress(raster, tile, on_progress)
    correction = composition.seam_correction(raster.size_px)
    fill_tile(composition.layers, composition.ground, raster, tile, out, blocking, on_block, correction)
    if composition.recipe.output.fill_gaps:
        fill_far_gutter(raster, tile, out, blocking.n_threads, room)
    give_back()
    return out


def empty_map(raster: TileRaster, room: Path | None, name: str, n_channels: int = 1) -> np.ndarray:
    """Room for the heights of a tile: in memory, or in a file of this name in the folder for temporary ones."""
    shape = raster.whole().shape if n_channels == 1 else (*raster.whole().shape, n_channels)
    if room is None:
        return np.zeros(shape, np.float32)
    return np.memmap(room / f"{name}.map", np.float32, "w+", shape=shape)


def block_progress(raster: TileRaster, tile: int, on_progress: OnProgress) -> Callable[[int, int], None]:
    """Progress over the blocks of a tile as progress over all tiles."""
    before, n_tiles = raster.tiles.index(tile), len(raster.tiles)
    return lambda done, total: on_progress("compose", before * total + done, n_tiles * total)
