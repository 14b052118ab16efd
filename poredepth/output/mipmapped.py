"""Tiled, mip-mapped OpenEXR maps: float or half channels, square tiles, every level down to one texel, lossless ZIP.

Written through OpenImageIO (extra ``tiled``): the OpenEXR library's Python side writes such files without their levels,
and says nothing.  Attributes are those of ``exr.py``, and two more: ``textureformat``, which readers of textures go by,
and ``wrapmodes`` (OpenEXR, Standard Optional Attributes): beyond its border a tile's outermost texels are read again.
There is no time stamp.

Levels are means of heights (``levels.py``), encoded afterwards, so a level of a half map is not made of rounded texels.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import numpy as np

from poredepth.errors import MapFileError
from poredepth.files import part_files, put_in_place
from poredepth.output import exr
from poredepth.output.calibration import Calibration
from poredepth.output.channels import ChannelCoding
from poredepth.output.formats import FILE_FORMATS
from poredepth.output.levels import LevelBuilder
from poredepth.output.metadata import MapMetadata
from poredepth.output.rows import BLOCK_ROWS, FEW_ROWS, RowSource, row_spans

TILE_PX = 64
COMPRESSION = "zip"

#: A level of up to this many texels is read back whole; of a larger one, the first and the last block of rows.
READ_BACK_WHOLE_TEXELS = 1024**2


def write(  # noqa: PLR0913  (as the other writers, and how it is tiled)
    path: Path | str,
    rows,
    coding: Calibration | ChannelCoding,
    metadata: MapMetadata,
    tile_px: int = TILE_PX,
) -> None:
    """Write a map with all its mip levels.

    Parameters
    ----------
    path : file to write; it is written beside its place, read back, and only then put there
    rows : float32 (rows, cols) or (rows, cols, channels) array or memory map, mm; or a function (first, end) -> rows.
        Each row is asked for more than once
    coding : the file's values are its ``dtype``, float32 or float16
    metadata : its size is that of level 0; names the channels
    tile_px : rows and columns of a tile, 16 to 4096

    Raises
    ------
    CalibrationError : a height is not finite, or does not fit.
    MapFileError : OpenImageIO is missing, an argument is not allowed, the disk refused, or the file reads back wrong.
        What stood there before is then untouched, and nothing half-written is left.

    Notes
    -----
    Beside the library's own buffers there is a block of 256 rows with its sums in float64, and levels 1 and up in
    memory or, above ``levels.IN_MEMORY_BYTES``, in unnamed files beside the target.
    """
    oiio = _library()
    source = RowSource.of(rows, metadata.size_px, len(metadata.channels))
    _check_arguments(coding, metadata, tile_px)
    path = Path(path)
    with part_files(path) as (part,), LevelBuilder(source.shape, path.parent) as builder:
        spec = _spec(oiio, source.shape, coding, metadata, tile_px)
        _write_levels(oiio, part, spec, source, coding, builder)
        _check_read_back(path, part, source, coding, metadata, builder)
        put_in_place([(part, path)])


def check_possible(compression: str) -> None:
    """Raise MapFileError where OpenImageIO is missing, or files are to be packed otherwise than this module does."""
    _check_compression(compression)
    _library()


def read(path: Path | str) -> tuple[np.ndarray, dict]:
    """(values of level 0, float (rows, cols) or (rows, cols, channels); metadata dict, empty when there is none)."""
    return read_level(path, 0), read_metadata(path)


def read_metadata(path: Path | str) -> dict:
    """The metadata dict alone, without the pixels; needs no OpenImageIO."""
    return exr.read_metadata(path)


def level_sizes(path: Path | str) -> list[tuple[int, int]]:
    """(width, height) of each level, level 0 first; a file without levels has one."""
    with _opened(path) as (_, image):
        sizes = []
        while (spec := image.spec_dimensions(0, len(sizes))).width > 0:
            sizes.append((spec.width, spec.height))
        return sizes


def read_level(path: Path | str, level: int) -> np.ndarray:
    """Values of a level, float32 or float16, (rows, cols), or (rows, cols, channels) when there are several.

    Raises MapFileError when there is no such level, or it is broken.
    """
    [(_, values)] = _level_blocks(path, level, None)
    return values


def read_blocks(path: Path | str, spans: list[tuple[int, int]], level: int = 0) -> Iterator[tuple[int, np.ndarray]]:
    """(first row, values) of each (first, end) span of a level, values as in ``read_level``; one span in memory."""
    yield from _level_blocks(path, level, spans)


def _check_arguments(coding: Calibration | ChannelCoding, metadata: MapMetadata, tile_px: int) -> None:
    if FILE_FORMATS[coding.format].container != "exr":
        raise MapFileError(
            f"format: got {coding.format}; maps with mip levels are OpenEXR files, use exr-float or exr-half"
        )
    _check_compression(metadata.compression)
    if not 16 <= tile_px <= 4096:
        raise MapFileError(f"tile_px: got {tile_px!r}, allowed is 16 to 4096; 64 is usual")


def _check_compression(name: str) -> None:
    if name != COMPRESSION:
        raise MapFileError(f"compression: got {name!r}, allowed for maps with mip levels is {COMPRESSION}")


def _spec(oiio: ModuleType, shape, coding: Calibration | ChannelCoding, metadata: MapMetadata, tile_px: int):
    kind = oiio.HALF if coding.dtype == np.float16 else oiio.FLOAT
    spec = oiio.ImageSpec(shape[1], shape[0], len(metadata.channels), kind)
    spec.channelnames = metadata.channels
    spec.tile_width = spec.tile_height = tile_px
    spec.tile_depth = 1
    spec.attribute("textureformat", "Plain Texture")  # this is what makes the library write levels
    spec.attribute("openexr:roundingmode", 0)  # ROUND_DOWN
    spec.attribute("compression", COMPRESSION)
    spec.attribute("DateTime", "")  # else the library writes the time of day
    spec.attribute("wrapmodes", "clamp,clamp")
    for name, found in exr.attributes(metadata).items():
        spec.attribute(name, found)
    return spec


def _write_levels(  # noqa: PLR0913  (where to, how, what)
    oiio: ModuleType, part: Path, spec, source: RowSource, coding: Calibration | ChannelCoding, builder: LevelBuilder
) -> None:
    out = oiio.ImageOutput.create("exr")  # by the name of the format: the part's own name ends in something else
    if out is None:
        raise MapFileError(f"{part}: OpenImageIO writes no OpenEXR here: {oiio.geterror()}")
    try:
        _done(out.open(str(part), spec), out, part)
        for first, end in _tile_spans(spec):
            block = source.block(first, end)
            _write_rows(out, part, spec, first, coding.encode(block, first))
            for few in (slice(*span) for span in row_spans(len(block), FEW_ROWS)):
                builder.add(coding.meant(block[few]))
        for level_mm in builder.levels():
            spec = oiio.ImageSpec(spec)
            spec.height, spec.width = spec.full_height, spec.full_width = level_mm.shape[:2]
            _done(out.open(str(part), spec, "AppendMIPLevel"), out, part)
            for first, end in _tile_spans(spec):
                _write_rows(out, part, spec, first, coding.encode(level_mm[first:end], first))
    except BaseException:
        out.close()
        raise
    _done(out.close(), out, part)


def _tile_spans(spec) -> list[tuple[int, int]]:
    """(first, end) of blocks of whole rows of tiles."""
    step = max(BLOCK_ROWS // spec.tile_height, 1) * spec.tile_height
    return [(first, min(first + step, spec.height)) for first in range(0, spec.height, step)]


def _write_rows(out, part: Path, spec, first: int, values: np.ndarray) -> None:
    # (rows, cols, channels) and contiguous: an array (rows, cols) is written wrong, and the library says it went well
    values = np.ascontiguousarray(values).reshape(len(values), spec.width, spec.nchannels)
    _done(out.write_tiles(0, spec.width, first, first + len(values), 0, 1, values), out, part)


def _done(well: bool, file, path: Path | str) -> None:
    if not well:
        raise MapFileError(f"{path}: {file.geterror() or 'OpenImageIO gives no reason'}")


def _check_read_back(  # noqa: PLR0913  (what the disk holds, what was meant)
    path: Path,
    part: Path,
    source: RowSource,
    coding: Calibration | ChannelCoding,
    metadata: MapMetadata,
    builder: LevelBuilder,
) -> None:
    """Compare what the disk holds with what was meant, bit by bit; raises MapFileError on a difference."""
    sizes = [(shape[1], shape[0]) for shape in builder.shapes]
    with _opened(part) as (_, image):
        compression = image.spec().getattribute("compression")
    if level_sizes(part) != sizes or compression != COMPRESSION or read_metadata(part) != metadata.to_dict():
        raise MapFileError(f"{path}: its levels ({level_sizes(part)}) or its header read back differently")
    meant_mm = [source.block, *((lambda first, end, mm=mm: mm[first:end]) for mm in builder.levels())]
    for level, (shape, rows_mm) in enumerate(zip(builder.shapes, meant_mm, strict=True)):
        spans = row_spans(shape[0])
        if shape[0] * shape[1] > READ_BACK_WHOLE_TEXELS:
            spans = [spans[0], spans[-1]]
        for first, values in read_blocks(part, spans, level):
            meant = coding.encode(rows_mm(first, first + len(values)), first)
            if not np.array_equal(values, meant):
                raise MapFileError(
                    f"{path}: level {level} reads back differently in rows {first} to {first + len(values) - 1}"
                )


def _level_blocks(path: Path | str, level: int, spans: list[tuple[int, int]] | None):
    with _opened(path) as (oiio, image):
        spec = image.spec(0, level) if level >= 0 else oiio.ImageSpec()
        if spec.width == 0:
            raise MapFileError(f"{path}: has no level {level}, it has {len(level_sizes(path))}, from 0 on")
        order = _stated_order(path, spec.channelnames)
        for first, end in [(0, spec.height)] if spans is None else spans:
            values = _read_rows(image, spec, level, first, end)
            if values is None:
                raise MapFileError(f"{path}: level {level} cannot be read: {image.geterror()}")
            yield first, values[..., 0] if spec.nchannels == 1 else values[..., order]


def _stated_order(path: Path | str, names: tuple[str, ...]) -> list[int]:
    """Where the channels lie that the metadata name, in their order: files keep channels by the alphabet."""
    stated = read_metadata(path).get("channels")
    if not isinstance(stated, list) or sorted(stated) != sorted(names):
        return list(range(len(names)))
    return [names.index(name) for name in stated]


def _read_rows(image, spec, level: int, first: int, end: int) -> np.ndarray | None:
    """Rows of a level, (rows, cols, channels) in the type of the file; None if they are broken."""
    kind = spec.format if str(spec.format) in ("half", "float") else "float"
    if spec.tile_height == 0:
        return image.read_scanlines(0, level, first, end, 0, 0, spec.nchannels, kind)
    top = first // spec.tile_height * spec.tile_height
    bottom = min(-(-end // spec.tile_height) * spec.tile_height, spec.height)
    values = image.read_tiles(0, level, 0, spec.width, top, bottom, 0, 1, 0, spec.nchannels, kind)
    return None if values is None else values[first - top : end - top]


@contextmanager
def _opened(path: Path | str):
    oiio = _library()
    image = oiio.ImageInput.open(str(path))
    if image is None:
        raise MapFileError(f"{path}: cannot be read: {oiio.geterror()}")
    try:
        yield oiio, image
    finally:
        image.close()


def _library() -> ModuleType:
    try:
        import OpenImageIO
    except ImportError as error:
        raise MapFileError(
            f"maps with mip levels need OpenImageIO ({error}); install it with: pip install 'poredepth[tiled]'"
        ) from error
    return OpenImageIO
