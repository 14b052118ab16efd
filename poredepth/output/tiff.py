"""TIFF maps of 16-bit codes or 32-bit floats: one channel, or three, in tiles, deflate-compressed or plain.

Metadata: ImageDescription (tag 270) holds the whole table as JSON under the key ``poredepth``; XResolution and
YResolution are texels per centimetre of skin (TIFF 6.0, ResolutionUnit 3).  There is no time stamp.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from poredepth.errors import MapFileError
from poredepth.files import pictures_of_any_size
from poredepth.output.calibration import Calibration
from poredepth.output.channels import ChannelCoding
from poredepth.output.metadata import NAMESPACE, MapMetadata, from_strings, to_json
from poredepth.output.rows import BLOCK_ROWS, RowSource

TILE_PX = BLOCK_ROWS
#: Relief hardly packs better at a higher level, and the default takes nearly twice the time.
COMPRESSION_LEVEL = 1
_UM_PER_CM = 10_000.0
#: Classic TIFF offsets are 32 bits; what is left out covers the header and incompressible data.
_CLASSIC_BYTES = 2**32 - 2**26


def write(path: Path | str, rows, coding: Calibration | ChannelCoding, metadata: MapMetadata) -> None:
    """Write a map; parameters and errors as in ``exr.write``.  Memory: one row of tiles."""
    source = RowSource.of(rows, metadata.size_px, len(metadata.channels))
    density = {}
    if metadata.texel_um is not None:
        density = {"resolution": (_UM_PER_CM / metadata.texel_um,) * 2, "resolutionunit": 3}
    if metadata.compression == "zip":
        density |= {"compression": "zlib", "compressionargs": {"level": COMPRESSION_LEVEL}}
    n_bytes = math.prod(source.shape) * coding.dtype.itemsize
    with tifffile.TiffWriter(path, bigtiff=n_bytes > _CLASSIC_BYTES) as writer:
        writer.write(
            _tiles(source, coding),
            shape=source.shape,
            dtype=coding.dtype,
            tile=(TILE_PX, TILE_PX),
            photometric="minisblack" if source.n_channels == 1 else "rgb",
            metadata=None,
            description=f'{{"{NAMESPACE}": {to_json(metadata.to_dict())}}}',
            software="poredepth",
            maxworkers=1,  # with more, the library reads the whole tile iterator ahead
            **density,
        )


def read(path: Path | str) -> tuple[np.ndarray, dict]:
    """(values uint16 or float32 (rows, cols), metadata dict); the dict is empty when the file carries no metadata."""
    with tifffile.TiffFile(path) as file:
        page = _only_page(path, file)
        if page.predictor == tifffile.PREDICTOR.FLOATINGPOINT:
            # other programs save floats so; tifffile needs a further package for it, Pillow does not
            with pictures_of_any_size(), Image.open(path) as picture:
                return np.asarray(picture, page.dtype), _metadata_of(page)
        return page.asarray(), _metadata_of(page)


def read_metadata(path: Path | str) -> dict:
    """The metadata dict alone, without the pixels."""
    with tifffile.TiffFile(path) as file:
        return _metadata_of(_only_page(path, file))


def read_blocks(path: Path | str, spans: list[tuple[int, int]]) -> Iterator[tuple[int, np.ndarray]]:
    """(first row, values) of each (first, end) span; spans begin on a row of tiles, as ``row_spans`` gives them."""
    with tifffile.TiffFile(path) as file:
        page = _only_page(path, file)
        across = -(-page.imagewidth // TILE_PX)
        for first, end in spans:
            values = np.empty((end - first, *page.shape[1:]), page.dtype)
            for index in range(first // TILE_PX * across, (first // TILE_PX + 1) * across):
                file.filehandle.seek(page.dataoffsets[index])
                tile, place, _ = page.decode(file.filehandle.read(page.databytecounts[index]), index)
                target = values[:, place[3] : place[3] + TILE_PX]
                target[:] = tile[0, : target.shape[0], : target.shape[1]].reshape(target.shape)
            yield first, values


def _tiles(source: RowSource, coding: Calibration | ChannelCoding) -> Iterator[np.ndarray]:
    for first, block in source.blocks():
        values = coding.encode(block, first)
        for left in range(0, source.shape[1], TILE_PX):
            yield np.ascontiguousarray(values[:, left : left + TILE_PX])


def _only_page(path: Path | str, file: tifffile.TiffFile) -> tifffile.TiffPage:
    page = file.pages[0]
    if page.ndim not in (2, 3) or page.dtype not in (np.uint16, np.float32):
        raise MapFileError(f"{path}: holds {page.dtype} of shape {page.shape}, expected uint16 or float32")
    return page


def _metadata_of(page: tifffile.TiffPage) -> dict:
    try:
        described = json.loads(page.description)
    except json.JSONDecodeError as error:
        if f'"{NAMESPACE}"' in page.description:
            raise MapFileError(f"metadata: the JSON in ImageDescription does not parse ({error})") from error
        return {}
    if not isinstance(described, dict) or NAMESPACE not in described:
        return {}
    return from_strings({NAMESPACE: json.dumps(described[NAMESPACE])})
