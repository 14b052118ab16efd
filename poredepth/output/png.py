"""16-bit PNG maps, grey or of three channels, written and read row by row.

Metadata: the text chunks ``poredepth`` (iTXt, the whole table as JSON) and ``poredepth:<name>`` (iTXt), and pHYs with
texels per metre of skin.  A gAMA of 1 says that values are linear: without it colour-managed readers take grey for
sRGB, which would bend every height.
Source: Portable Network Graphics specification, third edition, sections 5 (chunks), 9 (filters) and 11 (IHDR, gAMA,
pHYs, iTXt).

The general-purpose writers need the whole picture at once (2 bytes per texel: 134 MB at 8K, 537 MB at 16K), and the
readers refuse a 16K one as suspicious; streaming keeps memory at one block of rows whatever the size.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np

from poredepth.errors import MapFileError
from poredepth.output.calibration import Calibration
from poredepth.output.channels import ChannelCoding
from poredepth.output.metadata import NAMESPACE, MapMetadata, from_strings, to_json, to_strings
from poredepth.output.rows import BLOCK_ROWS, RowSource, row_spans

SIGNATURE = b"\x89PNG\r\n\x1a\n"
#: Relief hardly packs better at a higher level, and takes longer.
COMPRESSION_LEVEL = 1
_FILTER_SUB = 1
#: By number of channels.
_COLOUR_TYPE = {1: 0, 3: 2}
_UM_PER_M = 1e6


def write(path: Path | str, rows, coding: Calibration | ChannelCoding, metadata: MapMetadata) -> None:
    """Write a 16-bit map; parameters and errors as in ``exr.write``.  Memory: one block of rows."""
    source = RowSource.of(rows, metadata.size_px, len(metadata.channels))
    plain = metadata.to_dict()
    with open(path, "wb") as file:
        file.write(SIGNATURE)
        _write_chunk(
            file, b"IHDR", struct.pack(">IIBBBBB", *source.size_px, 16, _COLOUR_TYPE[source.n_channels], 0, 0, 0)
        )
        _write_chunk(file, b"gAMA", struct.pack(">I", 100_000))
        if metadata.texel_um is not None:
            per_metre = round(_UM_PER_M / metadata.texel_um)
            _write_chunk(file, b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))
        for key, text in (to_strings(plain) | {NAMESPACE: to_json(plain)}).items():
            _write_chunk(file, b"iTXt", key.encode("latin-1") + b"\0\0\0\0\0" + text.encode("utf-8"))
        packer = zlib.compressobj(COMPRESSION_LEVEL)
        for first, block in source.blocks():
            _write_chunk(file, b"IDAT", packer.compress(_filtered(coding.encode(block, first))))
        _write_chunk(file, b"IDAT", packer.flush())
        _write_chunk(file, b"IEND", b"")


def read(path: Path | str) -> tuple[np.ndarray, dict]:
    """(values uint16 (rows, cols) or (rows, cols, 3), metadata dict); the dict is empty if the file carries none.

    A grey file that another program saved with other row filters goes through imageio, at the cost of memory.
    """
    shape, metadata = _head(path)
    n_rows, values = shape[0], np.empty(shape, np.uint16)
    try:
        for first, block in read_blocks(path, row_spans(n_rows)):
            values[first : first + len(block)] = block
    except _OtherFilterError:
        if len(shape) == 3:
            raise MapFileError(f"{path}: was saved again by another program; write it anew") from None
        values = _read_with_imageio(path)
    return values, metadata


def read_metadata(path: Path | str) -> dict:
    """The metadata dict alone, without the pixels."""
    return _head(path)[1]


def read_blocks(path: Path | str, spans: list[tuple[int, int]]) -> Iterator[tuple[int, np.ndarray]]:
    """(first row, values) of each (first, end) span, in rising order; rows between them are unpacked and dropped."""
    (n_rows, *in_row), _ = _head(path)
    row_bytes = 1 + 2 * math.prod(in_row)
    with open(path, "rb") as file:
        stream = _PixelStream(path, _chunks(path, file))
        at_row = 0
        for first, end in spans:
            for skipped in range(at_row, first, BLOCK_ROWS):
                stream.take((min(skipped + BLOCK_ROWS, first) - skipped) * row_bytes)
            yield first, _unfiltered(stream.take((end - first) * row_bytes), in_row)
            at_row = end
        if at_row == n_rows:
            stream.finish()


def _read_with_imageio(path: Path | str) -> np.ndarray:
    import imageio.v3 as iio  # only here: its start-up time is not for every run

    try:
        return iio.imread(path).astype(np.uint16, copy=False)
    except Exception as error:  # its plugins raise anything, among it SyntaxError for a broken picture
        raise MapFileError(f"{path}: cannot be read as a picture ({error})") from error


class _OtherFilterError(Exception):
    """The rows are filtered in a way this reader leaves to imageio."""


class _PixelStream:
    """The unpacked picture data, as many bytes at a time as asked for."""

    def __init__(self, path: Path | str, chunks: Iterator[tuple[bytes, bytes]]):
        self._path = path
        self._packed = (body for kind, body in chunks if kind == b"IDAT")
        self._unpacker = zlib.decompressobj()
        self._ready = bytearray()

    def take(self, n_bytes: int) -> bytes:
        while len(self._ready) < n_bytes:
            body = self._unpacker.unconsumed_tail or next(self._packed, b"")
            unpacked = self._unpacker.decompress(body, n_bytes)  # an empty body still drains what is pending inside
            if not unpacked and not body:
                raise MapFileError(f"{self._path}: the picture data ends early; the file is cut off")
            self._ready += unpacked
        taken = bytes(self._ready[:n_bytes])
        del self._ready[:n_bytes]
        return taken

    def finish(self) -> None:
        """Follow the file to its end mark, so that a cut behind the last row is found too."""
        for _ in self._packed:
            pass


def _write_chunk(file: BinaryIO, kind: bytes, body: bytes) -> None:
    if body or kind == b"IEND":
        file.write(struct.pack(">I", len(body)) + kind)
        file.write(body)
        file.write(struct.pack(">I", zlib.crc32(body, zlib.crc32(kind))))


def _chunks(path: Path | str, file: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    """(kind, body) of each chunk, checked against its checksum."""
    if file.read(len(SIGNATURE)) != SIGNATURE:
        raise MapFileError(f"{path}: is not a PNG file")
    while True:
        head = file.read(8)
        if len(head) < 8:
            raise MapFileError(f"{path}: ends without an end mark; the file is cut off")
        n_bytes, kind = struct.unpack(">I4s", head)
        body, check = file.read(n_bytes), file.read(4)
        if check != struct.pack(">I", zlib.crc32(body, zlib.crc32(kind))):
            raise MapFileError(f"{path}: the chunk {kind.decode('latin-1')} is damaged (wrong checksum)")
        if kind == b"IEND":
            return
        yield kind, body


def _head(path: Path | str) -> tuple[tuple[int, ...], dict]:
    """(shape of the values, metadata dict); the text is looked for before the picture data, where ``write`` puts it."""
    strings = {}
    shape: tuple[int, ...] = (0, 0)
    with open(path, "rb") as file:
        for kind, body in _chunks(path, file):
            if kind == b"IHDR":
                cols, n_rows, *layout = struct.unpack(">IIBBBBB", body)
                if layout not in ([16, 0, 0, 0, 0], [16, 2, 0, 0, 0]):
                    raise MapFileError(
                        f"{path}: {layout[0]} bits, colour type {layout[1]}, interlace {layout[4]}; "
                        f"expected 16-bit grey, or three channels, without interlace"
                    )
                shape = (n_rows, cols) if layout[1] == 0 else (n_rows, cols, 3)
            elif kind == b"IDAT":
                break
            elif kind in (b"tEXt", b"iTXt"):
                strings.update(_text(kind, body))
    return shape, from_strings(strings)


def _text(kind: bytes, body: bytes) -> dict[str, str]:
    key, _, rest = body.partition(b"\0")
    if not key.startswith(NAMESPACE.encode("latin-1")):
        return {}
    if kind == b"tEXt":
        return {key.decode("latin-1"): _plain_text(rest)}
    packed, text = rest[:1] == b"\1", rest[2:].split(b"\0", 2)[-1]
    return {key.decode("latin-1"): (zlib.decompress(text) if packed else text).decode("utf-8")}


def _plain_text(raw: bytes) -> str:
    """Latin-1 by the standard; programs that save a file again put UTF-8 there, which Latin-1 text hardly ever is."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _filtered(codes: np.ndarray) -> bytes:
    """Rows as the file holds them: filter type, then each byte minus the byte one texel to the left."""
    n_bytes = 2 if codes.ndim == 2 else 2 * codes.shape[2]
    raw = np.ascontiguousarray(codes, ">u2").reshape(codes.shape[0], -1).view(np.uint8)
    rows = np.empty((raw.shape[0], 1 + raw.shape[1]), np.uint8)
    rows[:, 0] = _FILTER_SUB
    rows[:, 1 : 1 + n_bytes] = raw[:, :n_bytes]
    np.subtract(raw[:, n_bytes:], raw[:, :-n_bytes], out=rows[:, 1 + n_bytes :])
    return rows.tobytes()


def _unfiltered(raw: bytes, in_row: list[int]) -> np.ndarray:
    """Codes of some rows, (rows, cols) or (rows, cols, channels)."""
    n_channels = math.prod(in_row[1:])
    rows = np.frombuffer(raw, np.uint8).reshape(-1, 1 + 2 * in_row[0] * n_channels)
    if np.any(rows[:, 0] != _FILTER_SUB):
        raise _OtherFilterError
    # uint8 sums wrap at 256, which is what the filter asks for
    summed = np.cumsum(rows[:, 1:].reshape(-1, in_row[0], 2 * n_channels), axis=1, dtype=np.uint8)
    return summed.reshape(len(rows), -1).view(">u2").astype(np.uint16).reshape(-1, *in_row)
