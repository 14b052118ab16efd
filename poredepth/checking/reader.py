"""Map files opened by a library other than the one that wrote them.

OpenImageIO reads all formats where it is installed.  Without it PNG and TIFF are read by Pillow.  EXR, and TIFF of
several channels, are then read by the library that wrote them, as there is no other, and the report says so.  Several
channels of 16 bits in a PNG, which Pillow brings down to 8, are unpacked by the reader of patches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType

import numpy as np

from poredepth.errors import MapFileError, PoredepthError
from poredepth.files import pictures_of_any_size
from poredepth.output.metadata import NAMESPACE
from poredepth.patch.png_channels import png_chunks, read_channels

#: Endings of files that may be maps.
ENDINGS = (".exr", ".tif", ".tiff", ".png")
#: Rows read at once from files without tiles.
BLOCK_ROWS = 256
#: The channel that holds heights in a file of several.
CHANNEL = "Y"
#: How EXR headers say that rows are stored.
_ROW_ORDERS = {
    "increasingY": "rows from the top",
    "decreasingY": "rows from the bottom",
    "randomY": "tiles as they come",
}


class UnreadableMapError(MapFileError):
    """Raised when a file that is to be checked cannot be opened or is broken."""

    exit_code = 3


@dataclass(frozen=True)
class OpenedMap:
    """A map as a reader sees it.

    Attributes
    ----------
    reader : library and version; pixel_type : numpy's name of the type in the file
    compression, row_order : as a person reads them; empty compression: the reader does not say
    shape : (rows, cols); channels : names of all of them
    strings : text of the file by key, as far as it is of this project
    colour : what the reader takes the values for, empty if it does not say
    upright : False if a tag says that rows or columns are to be turned
    fills_frame : whether the picture is as large as the frame its header states
    n_levels : mip levels, 1 for a file without any; None if the reader does not say
    level : gives (first row, values) of one of them, as `blocks` does of level 0; None if the reader cannot
    read : gives (first row, values) from the top
    """

    path: Path
    reader: str
    pixel_type: str
    compression: str
    row_order: str
    shape: tuple[int, int]
    channels: tuple[str, ...]
    strings: Mapping[str, str]
    colour: str
    upright: bool
    fills_frame: bool
    read: Callable[[], Iterator[tuple[int, np.ndarray]]]
    n_levels: int | None = 1
    level: Callable[[int], Iterator[tuple[int, np.ndarray]]] | None = None

    @property
    def n_read(self) -> int:
        """Channels that are read: that of the heights, or all if there is none."""
        return _span(self.channels)[1] - _span(self.channels)[0]

    def blocks(self) -> Iterator[tuple[int, np.ndarray]]:
        """(first row, values float16, float32 or whole numbers (rows, cols, n_read)), from the top.

        Raises UnreadableMapError where the file is broken.
        """
        with _trouble(self.path):
            yield from self.read()


def open_map(path: Path | str, *, oiio: bool | None = None) -> OpenedMap:
    """Open a map without reading its pixels.

    Parameters
    ----------
    path : an EXR, TIFF or PNG file
    oiio : whether OpenImageIO reads it; default: where it is installed

    Raises
    ------
    UnreadableMapError : no such file, another ending, or a broken one
    """
    path = Path(path)
    if not path.is_file():
        raise UnreadableMapError(f"{path}: no such file; check the path")
    if path.suffix.lower() not in ENDINGS:
        raise UnreadableMapError(f"{path}: ends in {path.suffix!r}; allowed: {', '.join(ENDINGS)}")
    library = _openimageio() if oiio is None or oiio else None
    with _trouble(path):
        if library is not None:
            return _by_openimageio(path, library)
        if path.suffix.lower() == ".exr":
            return _by_openexr(path)
        if path.suffix.lower() == ".png":
            return _whole_bits(_by_pillow(path))
        return _by_tifffile(path) or _by_pillow(path)


def _openimageio() -> ModuleType | None:
    try:
        import OpenImageIO
    except ImportError:
        return None
    return OpenImageIO


def _by_openimageio(path: Path, oiio: ModuleType) -> OpenedMap:
    image = oiio.ImageInput.open(str(path))
    if image is None:
        raise UnreadableMapError(f"{path}: cannot be read ({_first_line(oiio.geterror())}); write it again")
    spec, n_levels = image.spec(), 1
    while image.seek_subimage(0, n_levels):
        n_levels += 1
    image.close()
    texts = {one.name: one.value for one in spec.extra_attribs if isinstance(one.value, str)}
    packing = texts.get("compression", "") or ("deflate" if path.suffix.lower() == ".png" else "")
    numbers = {one.name: one.value for one in spec.extra_attribs if isinstance(one.value, int)}
    return OpenedMap(
        path,
        f"OpenImageIO {oiio.VERSION_STRING}",
        {"half": "float16", "float": "float32", "double": "float64"}.get(str(spec.format), str(spec.format)),
        packing,
        _ROW_ORDERS.get(texts.get("openexr:lineOrder", "increasingY"), texts.get("openexr:lineOrder", "")),
        (spec.height, spec.width),
        tuple(spec.channelnames),
        _own_strings(texts),
        texts.get("oiio:ColorSpace", ""),
        numbers.get("Orientation", 1) == 1,
        (spec.x, spec.y, spec.width, spec.height) == (spec.full_x, spec.full_y, spec.full_width, spec.full_height),
        lambda: _oiio_blocks(path, oiio),
        n_levels,
        lambda level: _oiio_one_level(path, oiio, level),
    )


def _oiio_one_level(path: Path, oiio: ModuleType, level: int) -> Iterator[tuple[int, np.ndarray]]:
    image = oiio.ImageInput.open(str(path))
    if image is None or not image.seek_subimage(0, level):
        raise UnreadableMapError(
            f"{path}: level {level} cannot be read ({_first_line(oiio.geterror())}); write it again"
        )
    try:
        yield from _oiio_level(path, oiio, image, level)
    finally:
        image.close()


def _oiio_blocks(path: Path, oiio: ModuleType) -> Iterator[tuple[int, np.ndarray]]:
    image = oiio.ImageInput.open(str(path))
    if image is None:
        raise UnreadableMapError(f"{path}: cannot be read ({_first_line(oiio.geterror())}); write it again")
    try:
        yield from _oiio_level(path, oiio, image, 0)
        level = 1
        while image.seek_subimage(0, level):  # to find those that are broken
            for _ in _oiio_level(path, oiio, image, level):
                pass
            level += 1
    finally:
        image.close()


def _oiio_level(path: Path, oiio: ModuleType, image, level: int) -> Iterator[tuple[int, np.ndarray]]:
    spec = image.spec(0, level)
    kind = oiio.TypeDesc(str(spec.format))
    span = _span(tuple(spec.channelnames))
    of_level = f"level {level}, " if level else ""
    for first in range(0, spec.height, rows := spec.tile_height or BLOCK_ROWS):
        end = min(first + rows, spec.height)
        y = spec.y + first, spec.y + end
        if spec.tile_height:
            found = image.read_tiles(0, level, spec.x, spec.x + spec.width, *y, 0, 1, *span, kind)
        else:
            found = image.read_scanlines(0, level, *y, 0, *span, kind)
        if found is None:
            raise UnreadableMapError(
                f"{path}: {of_level}rows {first} to {end - 1} cannot be read ({_first_line(image.geterror())})"
            )
        yield first, found.reshape(end - first, spec.width, -1)


def _by_pillow(path: Path) -> OpenedMap:
    from PIL import Image, __version__

    with pictures_of_any_size(), Image.open(path) as image:
        mode, (width, height) = image.mode, image.size
        is_png = image.format == "PNG"
        if is_png:
            strings, packing, upright = dict(image.text), "deflate", True
        else:
            strings, packing = {"ImageDescription": str(image.tag_v2.get(270, ""))}, image.info.get("compression", "")
            upright = image.tag_v2.get(274, 1) == 1
        colour = "sRGB" if is_png and ("srgb" in image.info or image.info.get("gamma", 1.0) < 0.9) else ""
    pixel_type = {"I;16": "uint16", "I;16B": "uint16", "I": "uint16" if is_png else "int32", "F": "float32"}

    def read() -> Iterator[tuple[int, np.ndarray]]:
        with pictures_of_any_size(), Image.open(path) as whole:
            for first in range(0, height, BLOCK_ROWS):
                values = np.asarray(whole.crop((0, first, width, min(first + BLOCK_ROWS, height))))
                values = values.reshape(*values.shape[:2], -1)
                yield first, values.astype(np.uint16) if values.dtype == np.int32 and is_png else values

    return OpenedMap(
        path,
        f"Pillow {__version__}",
        pixel_type.get(mode, "uint8"),
        {"tiff_adobe_deflate": "zip", "raw": "none"}.get(packing, packing),
        _ROW_ORDERS["increasingY"],
        (height, width),
        (CHANNEL,) if mode in pixel_type or mode == "L" else tuple(mode),
        _own_strings(strings),
        colour,
        upright,
        True,
        read,
    )


def _whole_bits(opened: OpenedMap) -> OpenedMap:
    """A PNG with all the bits of its channels, where Pillow drops some."""
    kind, header = next(png_chunks(opened.path), (b"", b""))
    if kind != b"IHDR" or header[8] != 16 or len(opened.channels) == 1:
        return opened

    def read() -> Iterator[tuple[int, np.ndarray]]:
        values = read_channels(opened.path)
        for first in range(0, len(values), BLOCK_ROWS):
            yield first, values[first : first + BLOCK_ROWS]

    return replace(opened, reader="poredepth's reader of patches", pixel_type="uint16", read=read)


def _by_tifffile(path: Path) -> OpenedMap | None:
    """A TIFF of several channels; None if it has one."""
    import tifffile

    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        if page.samplesperpixel == 1:
            return None
        description, shape = page.description, (page.imagelength, page.imagewidth, page.samplesperpixel)
        packing, upright = page.compression.name.lower(), int(page.tags.valueof(274, 1)) == 1
        pixel_type, is_planar = str(page.dtype), page.planarconfig == tifffile.PLANARCONFIG.SEPARATE

    def read() -> Iterator[tuple[int, np.ndarray]]:
        values = tifffile.imread(path, key=0, out="memmap")
        values = np.moveaxis(values, 0, 2) if is_planar else values
        for first in range(0, shape[0], BLOCK_ROWS):
            yield first, np.array(values[first : first + BLOCK_ROWS])

    return OpenedMap(
        path,
        f"tifffile {tifffile.__version__} (it also wrote the file: no other reader is installed)",
        pixel_type,
        {"adobe_deflate": "zip"}.get(packing, packing),
        _ROW_ORDERS["increasingY"],
        shape[:2],
        tuple("RGBA") if shape[2] == 4 else tuple("RGB") if shape[2] == 3 else tuple(map(str, range(shape[2]))),
        _own_strings({"ImageDescription": description}),
        "",
        upright,
        True,
        read,
    )


def _by_openexr(path: Path) -> OpenedMap:
    import OpenEXR

    file = OpenEXR.InputFile(str(path))
    header = file.header()
    file.close()
    corner, far = header["dataWindow"].min, header["dataWindow"].max
    frame = header["displayWindow"]
    names = tuple(header["channels"])
    used = names[slice(*_span(names))]
    kind = header["channels"][used[0]].type
    dtype = {0: "uint32", 1: "float16", 2: "float32"}[kind.v]
    n_rows, n_cols = far.y - corner.y + 1, far.x - corner.x + 1

    def read() -> Iterator[tuple[int, np.ndarray]]:
        whole = OpenEXR.InputFile(str(path))
        try:
            for first in range(0, n_rows, BLOCK_ROWS):
                end = min(first + BLOCK_ROWS, n_rows)
                planes = [whole.channel(name, kind, corner.y + first, corner.y + end - 1) for name in used]
                values = [np.frombuffer(plane, dtype).reshape(end - first, n_cols) for plane in planes]
                yield first, np.stack(values, axis=2)
        finally:
            whole.close()

    texts = {key: text.decode("utf-8") for key, text in header.items() if isinstance(text, bytes)}
    return OpenedMap(
        path,
        f"OpenEXR {OpenEXR.__version__} (it also wrote the file: no other reader is installed)",
        dtype,
        str(header["compression"]).removesuffix("_COMPRESSION").lower(),
        list(_ROW_ORDERS.values())[header["lineOrder"].v],
        (n_rows, n_cols),
        names,
        _own_strings(texts),
        "",
        True,
        (corner.x, corner.y, far.x, far.y) == (frame.min.x, frame.min.y, frame.max.x, frame.max.y),
        read,
        None if "tiles" in header else 1,
    )


def _span(names: tuple[str, ...]) -> tuple[int, int]:
    """First and end of the channels that are read."""
    at = names.index(CHANNEL) if CHANNEL in names else 0
    return (at, at + 1) if CHANNEL in names or len(names) == 1 else (0, len(names))


def _own_strings(texts: Mapping[str, str]) -> dict[str, str]:
    return {key: text for key, text in texts.items() if key.startswith(NAMESPACE) or key == "ImageDescription"}


@contextmanager
def _trouble(path: Path):
    """Whatever the libraries raise names the file; our own errors pass."""
    try:
        yield
    except PoredepthError:
        raise
    except Exception as error:  # each library has its own; among them SyntaxError for a broken picture
        reason = _first_line(str(error)) or type(error).__name__
        fix = "write it again" if _openimageio() else "write it again, or install OpenImageIO, which reads more"
        raise UnreadableMapError(f"{path}: cannot be read ({reason}); {fix}") from error


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0].rstrip(".") if text.strip() else ""
