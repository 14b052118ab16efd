"""OpenEXR maps of 32-bit or 16-bit floats: one channel ``Y``, or several, in scanlines, packed without loss.

Metadata: the string attributes ``poredepth`` (the whole table as JSON) and ``poredepth:<name>``.  Numbers are decimal
strings because the attribute type for a Python float is float32.  Of the standard optional attributes, ``comments``
holds the formula and ``xDensity`` the texels per inch of skin (OpenEXR, Standard Optional Attributes).
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import Imath
import numpy as np
import OpenEXR

from poredepth.errors import MapFileError
from poredepth.output.calibration import Calibration
from poredepth.output.channels import ChannelCoding
from poredepth.output.metadata import NAMESPACE, MapMetadata, from_strings, to_json, to_strings
from poredepth.output.rows import RowSource
from poredepth.units import MM_PER_UNIT, UM_PER_MM

COMPRESSIONS = {
    "zip": OpenEXR.ZIP_COMPRESSION,
    "zips": OpenEXR.ZIPS_COMPRESSION,
    "piz": OpenEXR.PIZ_COMPRESSION,
    "rle": OpenEXR.RLE_COMPRESSION,
    "none": OpenEXR.NO_COMPRESSION,
}
_DTYPE = {Imath.PixelType.FLOAT: np.float32, Imath.PixelType.HALF: np.float16}
_UM_PER_INCH = MM_PER_UNIT["in"] * UM_PER_MM


def write(path: Path | str, rows, coding: Calibration | ChannelCoding, metadata: MapMetadata) -> None:
    """Write a float map.

    Parameters
    ----------
    path : file to write; it is overwritten in place, see ``write_map`` for the safe way
    rows : float32 (rows, cols) array, memory map, or function (first, end) -> rows; mm, or the quantity of the coding;
        (rows, cols, channels) if the metadata name several
    coding, metadata : see there

    Raises
    ------
    CalibrationError : a height is not finite.  OSError, RuntimeError : the disk refused.

    Notes
    -----
    Contiguous heights under an identity calibration are handed over as they are, without a copy.  Anything else goes
    through an unnamed scratch file beside the target, so memory stays at one block of rows either way.
    """
    source = RowSource.of(rows, metadata.size_px, len(metadata.channels))
    with _whole_values(source, coding, Path(path).parent) as planes:
        # the library writes a strided array as if it were contiguous, without an error
        values = {name: np.ascontiguousarray(plane) for name, plane in zip(metadata.channels, planes, strict=True)}
        OpenEXR.File(_header(metadata), values).write(str(path))


def read(path: Path | str) -> tuple[np.ndarray, dict]:
    """(values float32 or float16 (rows, cols), metadata dict); the dict is empty when the file carries no metadata.

    Several channels, in the order the metadata name them, are the last axis.  Raises MapFileError when the file holds
    no floats, or several channels that are not named; OSError, RuntimeError, ValueError when it is broken.
    """
    with OpenEXR.File(str(path), separate_channels=True) as file:
        channels = file.channels()
        metadata = _metadata_of(file.header())
        planes = [channels[name].pixels for name in _channels(path, list(channels), metadata)]
        if planes[0].dtype not in (np.float32, np.float16):
            raise MapFileError(
                f"{path}: the channel holds {planes[0].dtype}, expected float32 or float16; it was saved anew"
            )
        return planes[0] if len(planes) == 1 else np.stack(planes, axis=2), metadata


def read_metadata(path: Path | str) -> dict:
    """The metadata dict alone, without the pixels."""
    with OpenEXR.File(str(path), header_only=True) as file:
        return _metadata_of(file.header())


def read_blocks(path: Path | str, spans: list[tuple[int, int]]) -> Iterator[tuple[int, np.ndarray]]:
    """(first row, values) of each (first, end) span, with one block in memory."""
    metadata = read_metadata(path)
    file = OpenEXR.InputFile(str(path))
    try:
        header = file.header()
        names = _channels(path, list(header["channels"]), metadata)
        corner, far = header["dataWindow"].min, header["dataWindow"].max
        for first, end in spans:
            planes = []
            for name in names:
                kind = header["channels"][name].type
                raw = file.channel(name, kind, corner.y + first, corner.y + end - 1)
                planes.append(np.frombuffer(raw, _DTYPE[kind.v]).reshape(end - first, far.x - corner.x + 1))
            yield first, planes[0] if len(planes) == 1 else np.stack(planes, axis=2)
    finally:
        file.close()


def attributes(metadata: MapMetadata) -> dict[str, str | float]:
    """What the header says beside the picture: the metadata as strings, ``comments`` and ``xDensity``."""
    plain = metadata.to_dict()
    stated: dict[str, str | float] = {"comments": metadata.formula}
    if metadata.texel_um is not None:
        stated["xDensity"] = _UM_PER_INCH / metadata.texel_um
    return stated | to_strings(plain) | {NAMESPACE: to_json(plain)}


def _header(metadata: MapMetadata) -> dict:
    packed = {"compression": COMPRESSIONS[metadata.compression], "type": OpenEXR.scanlineimage}
    return packed | attributes(metadata)


def _metadata_of(header: dict) -> dict:
    return from_strings({key: text for key, text in header.items() if key.startswith(NAMESPACE)})


def _channels(path: Path | str, names: list[str], metadata: dict) -> list[str]:
    stated = metadata.get("channels")
    if isinstance(stated, list) and sorted(stated) == sorted(names):
        return stated
    if len(names) != 1:
        raise MapFileError(f"{path}: {len(names)} channels ({', '.join(names)}), a height map has one")
    return names


@contextmanager
def _whole_values(source: RowSource, coding: Calibration | ChannelCoding, folder: Path):
    """The whole map, one array for each channel: the heights themselves, or memory maps of an unnamed scratch file."""
    as_it_is = source.array is not None and source.array.dtype == np.float32 and source.array.flags.c_contiguous
    if coding.is_identity and as_it_is and source.n_channels == 1:
        for first, block in source.blocks():
            coding.encode(block, first)  # refuses what is not finite
        yield [source.array]
        return
    plane_bytes = source.shape[0] * source.shape[1] * coding.dtype.itemsize
    # plain writes and not a writable memory map: a full disk is then an OSError instead of a killed process
    with tempfile.TemporaryFile(dir=folder) as scratch:
        for first, block in source.blocks():
            values = coding.encode(block, first)
            for number in range(source.n_channels):
                scratch.seek(number * plane_bytes + first * source.shape[1] * coding.dtype.itemsize)
                plane = values if values.ndim == 2 else values[..., number]
                scratch.write(np.ascontiguousarray(plane).data)
        scratch.flush()
        yield [
            np.memmap(scratch, coding.dtype, mode="r", shape=source.shape[:2], offset=number * plane_bytes)
            for number in range(source.n_channels)
        ]
