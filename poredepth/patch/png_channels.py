"""PNG pictures of several channels, 8 or 16 bits each: the imaging library brings 16 bits of these down to 8."""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from poredepth.patch.kernels import unfilter_rows

_SIGNATURE_BYTES = 8
#: Channels of each PNG colour type that is read here: colour, grey with alpha, colour with alpha.
_CHANNELS = {2: 3, 4: 2, 6: 4}
#: Rows whose bytes are put in order at once, so that a large picture is not held three times over.
_ROWS_AT_ONCE = 256


def read_channels(path: Path) -> np.ndarray:
    """Codes of a PNG of colour type 2, 4 or 6, uint8 or uint16 (rows, cols, channels), alpha last.

    Raises
    ------
    ValueError : damaged, cut off or interlaced; the message says which
    """
    chunks = png_chunks(path)
    kind, header = next(chunks, (b"", b""))
    if kind != b"IHDR":
        raise ValueError("no header")
    cols, n_rows, bits, colour, _, _, interlaced = struct.unpack(">IIBBBBB", header)
    if interlaced:
        raise ValueError("interlaced; export it without interlace")
    n_channels = _CHANNELS[colour]
    pixel_bytes = n_channels * bits // 8
    row_bytes = 1 + cols * pixel_bytes
    unpacker, raw = zlib.decompressobj(), bytearray()
    for kind, body in chunks:
        if kind == b"tRNS":
            raise ValueError("a colour counts as transparent; export it without transparency, or with an alpha channel")
        if kind == b"IDAT":
            raw += unpacker.decompress(body, max(n_rows * row_bytes - len(raw), 1))
    if len(raw) < n_rows * row_bytes:
        raise ValueError(f"picture data of {len(raw)} bytes where {n_rows * row_bytes} are needed")
    rows = np.frombuffer(raw, np.uint8, n_rows * row_bytes).reshape(n_rows, row_bytes)
    bad = unfilter_rows(rows, pixel_bytes)
    if bad >= 0:
        raise ValueError(f"unknown filter in row {bad}")
    codes = np.empty((n_rows, cols, n_channels), np.uint16 if bits == 16 else np.uint8)
    for top in range(0, n_rows, _ROWS_AT_ONCE):
        part = np.ascontiguousarray(rows[top : top + _ROWS_AT_ONCE, 1:]).view(">u2" if bits == 16 else np.uint8)
        codes[top : top + _ROWS_AT_ONCE] = part.reshape(-1, cols, n_channels)
    return codes


def png_chunks(path: Path, end: bytes = b"IEND") -> Iterator[tuple[bytes, bytes]]:
    """(kind, body) of each chunk up to the first of kind ``end``, checked against its checksum.

    Raises
    ------
    ValueError : cut off, or damaged
    """
    with open(path, "rb") as file:
        left = os.fstat(file.fileno()).st_size - file.seek(_SIGNATURE_BYTES)
        while left >= 12:
            n_bytes, kind = struct.unpack(">I4s", file.read(8))
            left -= 12 + n_bytes
            if left < 0:
                raise ValueError("cut off inside a chunk")
            if kind in (end, b"IEND"):
                return
            body = file.read(n_bytes)
            if struct.unpack(">I", file.read(4))[0] != zlib.crc32(body, zlib.crc32(kind)):
                raise ValueError(f"the chunk {kind.decode('latin-1')} is damaged")
            yield kind, body
        raise ValueError("cut off before the end mark")
