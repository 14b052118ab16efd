"""A tile set for a renderer: displacement, maps that follow from it, and the documents that say what they mean."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from poredepth.derived.heights import MapHeights
from poredepth.derived.split import Split, split
from poredepth.deriving import DerivedOptions, check_kinds, check_sizes, write_derived
from poredepth.errors import CalibrationError
from poredepth.maps import compose_tiles, empty_map, map_stem, opened, room_for, scene_unit, write_set
from poredepth.memory import give_back
from poredepth.mix.blocks import TWO_THREADS, Blocking
from poredepth.output import FILE_FORMATS, WrittenMap, materialx, mipmapped, tile_file_name, usd
from poredepth.output.checksums import write_checksums
from poredepth.output.formats import CONTAINERS
from poredepth.output.handoff import HandOff, NormalMap, file_pattern, hand_off
from poredepth.output.sheet import write_sheet
from poredepth.output.sidecar import sidecar_path
from poredepth.pipeline import Composition, OnProgress, quiet
from poredepth.raster.far_gutter import fill_far_gutter
from poredepth.raster.window import row_blocks
from poredepth.recipe import Recipe
from poredepth.surface.metric import median_texel_mm
from poredepth.surface.skin import Surface
from poredepth.view.contact_sheet import contact_sheet, write_contact_sheet

#: What the parts of a split map are called in file names and metadata.
COARSE, FINE = "coarse", "fine"


@dataclass(frozen=True)
class ExportOptions:
    """What a tile set holds beside the displacement.

    Attributes
    ----------
    maps : names of maps that follow from the heights, see `derived.kinds.KINDS`
    derived : how they are made
    mip_mapped : OpenEXR files with all mip levels, for float formats in EXR
    split_edge_mm : displacement without what edges of this length cannot show, and a normal map of the rest; None: no
        split
    contact_sheet : whether to draw all tiles on one picture
    """

    maps: tuple[str, ...] = ()
    derived: DerivedOptions = field(default_factory=DerivedOptions)
    mip_mapped: bool = False
    split_edge_mm: float | None = None
    contact_sheet: bool = True


@dataclass(frozen=True)
class Export:
    """What was written.

    Attributes
    ----------
    displacement : per tile
    derived : per tile, by kind
    documents : paths of sheets and hand-off documents
    split_mm : the wavelength the relief was split at; None: it was not
    left_over : maps and documents in the folder that are not of this set, and not in its checksums
    """

    displacement: list[WrittenMap]
    derived: Mapping[str, list[WrittenMap]]
    documents: list[Path]
    split_mm: float | None
    left_over: tuple[Path, ...] = ()


def check_export(recipe: Recipe, options: ExportOptions) -> None:
    """Find out what cannot be exported before anything is laid or composed, which takes minutes.

    Raises
    ------
    CalibrationError : a kind of map there is not, or mip levels in a format that has none
    MapFileError : mip levels without OpenImageIO, or in a file packed otherwise than they can be
    RecipeError : a smaller map whose size does not divide that of the heights
    """
    check_kinds(options.maps)
    output = recipe.output
    check_sizes(options.maps, output.size_px, options.derived)
    if not options.mip_mapped:
        return
    if FILE_FORMATS[output.format].container != "exr":
        raise CalibrationError(
            f"format: found {output.format} for a set with mip levels; allowed: exr-float, exr-half; others have none"
        )
    mipmapped.check_possible(output.compression)


def write_export(
    composition: Composition,
    folder: Path | str,
    options: ExportOptions = ExportOptions(),
    *,
    stem: str | None = None,
    blocking: Blocking = TWO_THREADS,
    on_progress: OnProgress = quiet,
) -> Export:
    """Compose every UV tile and write a set for a renderer into a folder.

    Parameters
    ----------
    folder : made if missing
    options : what the set holds
    stem, blocking, on_progress : see `write_maps`

    Raises
    ------
    CalibrationError : heights that do not fit the asked scale
    MapFileError : a file that cannot be written or does not read back
    CalibrationError, MapFileError, RecipeError : see `check_export`
    """
    check_export(composition.recipe, options)
    folder, stem = opened(folder), stem or map_stem(composition)
    raster, n_sets = composition.raster(), 1 if options.split_edge_mm is None else 3
    with room_for(raster, folder, n_sets) as room:
        heights_mm = compose_tiles(composition, room, blocking, on_progress)
        if options.split_edge_mm is None:
            parts, coarse_mm, fine_mm = None, heights_mm, heights_mm
        else:
            parts = split(_of(composition, heights_mm), options.split_edge_mm, n_threads=blocking.n_threads)
            coarse_mm, fine_mm = _taken_apart(composition, parts, room, blocking.n_threads, on_progress)
        on_progress("write", 0, 1)
        displacement = _write_displacement(composition, coarse_mm, folder, stem, options)
        give_back()
        on_progress("write", 1, 1)
        derived = _write_all_derived(composition, heights_mm, fine_mm, folder, stem, options, blocking, on_progress)
        on_progress("documents", 0, 1)
        split_mm = None if parts is None else parts.cutoff_mm
        documents = _write_documents(composition, displacement, derived, folder, options, split_mm)
        if options.contact_sheet:
            documents.append(_write_contact_sheet(composition, coarse_mm, displacement, folder))
    maps = [*displacement, *(one for set_ in derived.values() for one in set_)]
    files = [path for one in maps for path in (one.path, one.sidecar)]
    left_over = _left_over(folder, {*files, *documents})
    documents.append(write_checksums(folder, [*files, *documents]))
    return Export(displacement, derived, documents, split_mm, left_over)


def _left_over(folder: Path, written: Collection[Path]) -> tuple[Path, ...]:
    """Maps with a sidecar and scene documents that were there before and are not of the set."""
    others = [path for path in sorted(folder.iterdir()) if path not in written and not path.name.startswith(".")]
    endings = materialx.ENDING, usd.ENDING
    is_map = {path for path in others if path.suffix.lower() in CONTAINERS and sidecar_path(path).is_file()}
    return tuple(path for path in others if path in is_map or path.suffix in endings)


def _of(composition: Composition, heights_mm: Mapping[int, np.ndarray]) -> MapHeights:
    return MapHeights(composition.raster(), heights_mm, composition.skin)


def _taken_apart(composition: Composition, parts: Split, room: Path | None, n_threads: int, on_progress: OnProgress):
    """Coarse and fine heights by tile."""
    raster = composition.raster()
    coarse = {tile: empty_map(raster, room, f"{tile}.{COARSE}") for tile in raster.tiles}
    fine = {tile: empty_map(raster, room, f"{tile}.{FINE}") for tile in raster.tiles}
    for number, tile in enumerate(raster.tiles):
        on_progress("split", number, len(raster.tiles))
        for window in row_blocks(raster.whole()):
            coarse[tile][window.slices] = parts.coarse(tile, window)
        if composition.recipe.output.fill_gaps:  # a low pass says nothing where there is no skin
            fill_far_gutter(raster, tile, coarse[tile], n_threads, room)
        for window in row_blocks(raster.whole()):
            fine[tile][window.slices] = parts.heights.block(tile, window) - coarse[tile][window.slices]
    return coarse, fine


def _write_displacement(
    composition: Composition, heights_mm: Mapping[int, np.ndarray], folder: Path, stem: str, options: ExportOptions
) -> list[WrittenMap]:
    format, part = composition.recipe.output.format, None if options.split_edge_mm is None else COARSE
    name = stem if part is None else f"{stem}.{part}"
    return write_set(
        composition,
        heights_mm,
        lambda tile: folder / tile_file_name(name, tile, format, several=True),
        part=part,
        mip_mapped=options.mip_mapped,
    )


def _write_all_derived(  # noqa: PLR0913  (of which heights, where to, and how)
    composition: Composition,
    heights_mm: Mapping[int, np.ndarray],
    fine_mm: Mapping[int, np.ndarray],
    folder: Path,
    stem: str,
    options: ExportOptions,
    blocking: Blocking,
    on_progress: OnProgress,
) -> dict[str, list[WrittenMap]]:
    shared = dict(
        options=options.derived,
        mip_mapped=options.mip_mapped,
        n_threads=blocking.n_threads,
        on_progress=on_progress,
    )
    derived = write_derived(composition, heights_mm, options.maps, folder, stem, **shared)
    if options.split_edge_mm is not None:
        made = write_derived(composition, fine_mm, ("normal",), folder, f"{stem}.{FINE}", part=FINE, **shared)
        derived[f"{FINE} normal"] = made["normal"]
    return derived


def _write_documents(  # noqa: PLR0913  (of what, where to, and how)
    composition: Composition,
    displacement: list[WrittenMap],
    derived: Mapping[str, list[WrittenMap]],
    folder: Path,
    options: ExportOptions,
    split_mm: float | None,
) -> list[Path]:
    unit, unit_mm = scene_unit(composition.recipe)
    shown = "normal" if split_mm is None else f"{FINE} normal"
    normal = _normal_map(derived[shown], options) if shown in derived else None
    about: HandOff = hand_off(
        [one.metadata for one in displacement],
        [one.path.name for one in displacement],
        scene_unit=unit,
        scene_unit_mm=unit_mm,
        normal=normal,
        split_mm=split_mm,
    )
    skin = composition.skin or composition.surface
    # the sheet counts from the mesh file: every step that the recipe takes first has halved its edges
    file_edge_mm = _median_edge_mm(skin) * 2**composition.recipe.mesh.subdivide
    sheet = write_sheet(
        folder,
        about,
        area_mm2=float(skin.area_mm2[skin.has_uv].sum()),
        median_edge_mm=file_edge_mm,
        smoothed=composition.recipe.mesh.subdivide,
        others=[_about_map(kind, written) for kind, written in derived.items() if kind != shown],
    )
    return [sheet, materialx.write_materialx(folder, about), usd.write_usd(folder, about)]


def _about_map(kind: str, written: list[WrittenMap]) -> str:
    """A line of the sheet about a map that follows from the heights."""
    m = written[0].metadata
    pattern = file_pattern([one.metadata.tile for one in written], [one.path.name for one in written])
    unit = "" if m.unit == "1" else f" {m.unit}"
    return f"{kind}: {pattern}; {m.formula}{unit}" + ("" if m.convention is None else f"; {m.convention}")


def _normal_map(written: list[WrittenMap], options: ExportOptions) -> NormalMap:
    first = written[0].metadata
    pattern = file_pattern([one.metadata.tile for one in written], [one.path.name for one in written])
    y_up = not options.derived.green_down
    return NormalMap(pattern, y_up=y_up, channels=first.channels, frame=first.convention)


def _median_edge_mm(skin: Surface) -> float:
    """Median length of the edges of the mesh, mm."""
    corner = skin.corner_mm
    return float(np.median(np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2)))


def _write_contact_sheet(
    composition: Composition, heights_mm: Mapping[int, np.ndarray], displacement: list[WrittenMap], folder: Path
) -> Path:
    about, raster = displacement[0].metadata, composition.raster()
    image = contact_sheet(
        heights_mm,
        median_texel_mm(composition.surface, raster.size_px),
        title=f"{about.recipe or 'Displacement map'}, {about.encoding}",
        formula=about.formula,
        skin_of=lambda tile, window: raster.skin_points(tile, window).triangle.reshape(window.shape) >= 0,
    )
    return write_contact_sheet(folder, image)
