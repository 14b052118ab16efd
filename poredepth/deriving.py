"""Maps that follow from composed heights, written as files: normals, cavity, curvature, slopes, roughness."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from poredepth.derived.cavity import CUTOFF_MM
from poredepth.derived.context import RADIUS_MM, Deriving, low_size_px
from poredepth.derived.heights import MapHeights
from poredepth.derived.kinds import KINDS, Kind
from poredepth.derived.moments import reduction
from poredepth.errors import CalibrationError
from poredepth.maps import empty_map, map_metadata, room_for
from poredepth.memory import give_back
from poredepth.output import FILE_FORMATS, ChannelCoding, WrittenMap, tile_file_name, write_channels
from poredepth.output.calibration import CODE_MAX
from poredepth.output.fitting import friendly_at_least
from poredepth.output.rows import row_spans
from poredepth.pipeline import Composition, OnProgress, quiet
from poredepth.raster.far_gutter import fill_far_gutter
from poredepth.raster.window import Window, row_blocks

#: Gives rows (first, end) of a map, float32 (rows, cols) or (rows, cols, channels).
Rows = Callable[[int, int], np.ndarray]

#: Texels worked on at once by a thread: about 200 bytes each.
WINDOW_TEXELS = 1 << 18
#: Share left free when the scale of a 16-bit map is fitted.
HEADROOM = 0.05


@dataclass(frozen=True)
class DerivedOptions:
    """How derived maps are made.

    Attributes
    ----------
    green_down : tangent-space normals with y along -v (default: along +v, as glTF has it)
    cavity_mm, occlusion_mm : see `Deriving`
    low_px : size of the map that ``added-roughness`` is for; None: a quarter
    """

    green_down: bool = False
    cavity_mm: float = CUTOFF_MM
    occlusion_mm: float = RADIUS_MM
    low_px: int | None = None


def check_kinds(names: tuple[str, ...]) -> None:
    """Raise CalibrationError for a name that is no kind of derived map."""
    for name in names:
        if name not in KINDS:
            raise CalibrationError(f"map: got {name!r}, allowed is one of {', '.join(KINDS)}")


def check_sizes(names: tuple[str, ...], size_px: int, options: DerivedOptions) -> None:
    """Raise RecipeError if a smaller map is asked for whose size does not divide that of the heights."""
    if any(KINDS[name].is_low for name in names):
        reduction(size_px, low_size_px(size_px, options.low_px))


def write_derived(  # noqa: PLR0913  (what, of which heights, where to, and how)
    composition: Composition,
    heights_mm: Mapping[int, np.ndarray],
    kinds: tuple[str, ...],
    folder: Path,
    stem: str,
    *,
    options: DerivedOptions = DerivedOptions(),
    mip_mapped: bool = False,
    part: str | None = None,
    n_threads: int = 2,
    on_progress: OnProgress = quiet,
) -> dict[str, list[WrittenMap]]:
    """Write maps that follow from composed heights, ``stem.kind.tile``, in the recipe's format if that can hold them.

    Parameters
    ----------
    heights_mm : by tile, float32 (size_px, size_px), mm: arrays or memory maps
    kinds : names of `KINDS`
    mip_mapped : OpenEXR files with all levels
    part : what of the heights they are of, for the metadata
    n_threads : changes no bit

    Returns
    -------
    WrittenMap per tile, by kind

    Raises
    ------
    CalibrationError, MapFileError : see `write_channels`
    """
    check_kinds(kinds)
    context = Deriving(
        MapHeights(composition.raster(), heights_mm, composition.skin),
        options.green_down,
        options.low_px,
        options.cavity_mm,
        options.occlusion_mm,
        n_threads,
    )
    written: dict[str, list[WrittenMap]] = {}
    n_files = len(kinds) * len(heights_mm)
    for name in kinds:
        kind = KINDS[name]
        on_progress(f"derive {name}", sum(map(len, written.values())), n_files)
        context.prepare(*kind.needs)
        give_back()
        format = _format_for(kind, composition.recipe.output.format)
        with room_for(composition.raster(), folder, len(kind.channels)) as room:
            rows = {tile: _rows(context, kind, tile, n_threads) for tile in heights_mm}
            if composition.recipe.output.fill_gaps and not kind.is_low:
                rows = {tile: _filled(context, kind, tile, rows_of, room) for tile, rows_of in rows.items()}
            coding = _coding(kind, format, rows, kind.size_px(context))
            written[name] = []
            for tile, rows_of in rows.items():
                path = folder / tile_file_name(f"{stem}.{name}", tile, format, several=True)
                metadata = _described(composition, context, kind, tile, part)
                written[name].append(write_channels(path, rows_of, coding, metadata, mip_mapped=mip_mapped))
                give_back()
                on_progress(f"derive {name}", sum(map(len, written.values())), n_files)
    return written


def _filled(context: Deriving, kind: Kind, tile: int, rows: Rows, room: Path | None) -> Rows:
    """The same rows with the gaps between charts filled as those of the heights are."""
    made = empty_map(context.heights.raster, room, f"{kind.name}.{tile}", len(kind.channels))
    for first, end in row_spans(len(made)):
        made[first:end] = rows(first, end)
    fill_far_gutter(context.heights.raster, tile, made, context.n_threads, room)
    return lambda first, end: made[first:end]


def _format_for(kind: Kind, format: str) -> str:
    """The format itself, or float EXR where it cannot hold so many channels."""
    return format if len(kind.channels) in (1, 3) or FILE_FORMATS[format].container == "exr" else "exr-float"


def _described(composition: Composition, context: Deriving, kind: Kind, tile: int, part: str | None):
    of_map = map_metadata(composition, composition.raster(), tile)
    size_px = kind.size_px(context)
    texel_um = of_map.texel_um
    if texel_um is not None and kind.is_low:
        texel_um *= context.size_px / size_px
    return replace(
        of_map,
        kind=kind.name,
        channels=kind.channels,
        size_px=(size_px, size_px),
        texel_um=texel_um,
        gutter_px=of_map.gutter_px * size_px // context.size_px,
        part=part,
        convention=kind.convention and kind.convention.format(way="-v" if context.green_down else "+v"),
        settings={name: getattr(context, name) for name in kind.settings},
    )


def _rows(context: Deriving, kind: Kind, tile: int, n_threads: int) -> Rows:
    """Function (first, end) -> rows of a map, worked out by several threads, each some rows at a time."""
    size_px, several = kind.size_px(context), len(kind.channels) > 1

    def rows(first: int, end: int) -> np.ndarray:
        windows = list(row_blocks(Window(first, 0, end - first, size_px), WINDOW_TEXELS))
        with ThreadPoolExecutor(n_threads) as pool:
            found = np.concatenate(list(pool.map(lambda one: kind.quantity(context, tile, one), windows)))
        return found if several else found[..., 0]

    return rows


def _coding(kind: Kind, format: str, rows: Mapping[int, Rows], size_px: int) -> ChannelCoding:
    """What values mean: as the kind has it, or in whole numbers a scale that all tiles of the set share."""
    if kind.scale is not None or FILE_FORMATS[format].is_float:
        return ChannelCoding(format, kind.mid, kind.scale or 1.0, kind.unit)
    largest = 0.0
    for rows_of in rows.values():
        for first, end in row_spans(size_px):
            largest = max(largest, float(np.abs(rows_of(first, end)).max()))
    # a signed quantity takes both sides of a real code, as heights do
    mid, reach = (32768 / CODE_MAX, 32767 / CODE_MAX) if kind.is_signed else (0.0, 1.0)
    scale = friendly_at_least(largest * (1.0 + HEADROOM) / reach) if largest > 0.0 else 1.0
    return ChannelCoding(format, mid, scale, kind.unit)
