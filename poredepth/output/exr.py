"""Float OpenEXR maps: one float32 channel ``Y``, scanlines, lossless ZIP.

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
from poredepth.output.calibration import Calibration, encode
from poredepth.output.metadata import NAMESPACE, MapMetadata, from_strings, to_json, to_strings
from poredepth.output.rows import RowSource
from poredepth.units import MM_PER_UNIT, UM_PER_MM

CHANNEL = "Y"
_UM_PER_INCH = MM_PER_UNIT["in"] * UM_PER_MM


def write(path: Path | str, rows, calibration: Calibration, metadata: MapMetadata) -> None:
    """Write a float map.

    Parameters
    ----------
    path : file to write; it is overwritten in place, see ``write_map`` for the safe way
    rows : float32 (rows, cols) array, memory map, or function (first, end) -> rows; mm
    calibration, metadata : see there

    Raises
    ------
    CalibrationError : a height is not finite.  OSError, RuntimeError : the disk refused.

    Notes
    -----
    Contiguous heights under an identity calibration are handed over as they are, without a copy.  Anything else goes
    through an unnamed scratch file beside the target, so memory stays at one block of rows either way.
    """
    source = RowSource.of(rows, metadata.size_px)
    with _whole_values(source, calibration, Path(path).parent) as values:
        # the library writes a strided array as if it were contiguous, without an error
        values = np.ascontiguousarray(values)
        OpenEXR.File(_header(metadata), {CHANNEL: values}).write(str(path))


def read(path: Path | str) -> tuple[np.ndarray, dict]:
    """(values float32 (rows, cols), metadata dict); the dict is empty when the file carries no metadata.

    Raises MapFileError when the file has no single float channel; OSError, RuntimeError, ValueError when it is broken.
    """
    with OpenEXR.File(str(path)) as file:
        channels = file.channels()
        values = channels[_only_channel(path, list(channels))].pixels
        if values.dtype != np.float32:
            raise MapFileError(
                f"{path}: the channel holds {values.dtype}, expected float32; it was saved again elsewhere"
            )
        return values, _metadata_of(file.header())


def read_metadata(path: Path | str) -> dict:
    """The metadata dict alone, without the pixels."""
    with OpenEXR.File(str(path), header_only=True) as file:
        return _metadata_of(file.header())


def read_blocks(path: Path | str, spans: list[tuple[int, int]]) -> Iterator[tuple[int, np.ndarray]]:
    """(first row, values) of each (first, end) span, with one block in memory."""
    file = OpenEXR.InputFile(str(path))
    try:
        header = file.header()
        name = _only_channel(path, list(header["channels"]))
        corner, far = header["dataWindow"].min, header["dataWindow"].max
        for first, end in spans:
            kind = Imath.PixelType(Imath.PixelType.FLOAT)
            raw = file.channel(name, kind, corner.y + first, corner.y + end - 1)
            yield first, np.frombuffer(raw, np.float32).reshape(end - first, far.x - corner.x + 1)
    finally:
        file.close()


def attributes(metadata: MapMetadata) -> dict[str, str | float]:
    """What the header of an OpenEXR file says about the map, scanlines or tiles; see the top of this file."""
    plain = metadata.to_dict()
    density = {} if metadata.texel_um is None else {"xDensity": _UM_PER_INCH / metadata.texel_um}
    return {"comments": metadata.formula} | density | to_strings(plain) | {NAMESPACE: to_json(plain)}


def _header(metadata: MapMetadata) -> dict:
    return {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage} | attributes(metadata)


def _metadata_of(header: dict) -> dict:
    return from_strings({key: text for key, text in header.items() if key.startswith(NAMESPACE)})


def _only_channel(path: Path | str, names: list[str]) -> str:
    if len(names) != 1:
        raise MapFileError(f"{path}: {len(names)} channels ({', '.join(names)}), a height map has one")
    return names[0]


@contextmanager
def _whole_values(source: RowSource, calibration: Calibration, folder: Path):
    """The whole map as one array: the heights themselves, or a memory map of an unnamed scratch file."""
    as_it_is = source.array is not None and source.array.dtype == np.float32 and source.array.flags.c_contiguous
    if calibration.is_identity and as_it_is:
        for first, block in source.blocks():
            encode(block, calibration, first_row=first)  # refuses what is not finite
        yield source.array
        return
    # plain writes and not a writable memory map: a full disk is then an OSError instead of a killed process
    with tempfile.TemporaryFile(dir=folder) as scratch:
        for first, block in source.blocks():
            scratch.write(np.ascontiguousarray(encode(block, calibration, first_row=first)).data)
        scratch.flush()
        yield np.memmap(scratch, np.float32, mode="r", shape=source.shape)
