"""PNG pictures of grey with alpha, 8 or 16 bits a channel: the imaging library brings 16 bits of these down to 8."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from poredepth.patch.kernels import unfilter_rows

_SIGNATURE_BYTES = 8


def read_grey_alpha(path: Path) -> np.ndarray:
    """Codes of a PNG of colour type 4, uint8 or uint16 (rows, cols, 2): grey and alpha.

    Raises
    ------
    ValueError : damaged, cut off or interlaced; the message says which
    """
    with open(path, "rb") as file:
        data = file.read()
    chunks = _chunks(data)
    kind, header = next(chunks, (b"", b""))
    if kind != b"IHDR":
        raise ValueError("no header")
    cols, n_rows, bits, _, _, _, interlaced = struct.unpack(">IIBBBBB", header)
    if interlaced:
        raise ValueError("interlaced; export it without interlace")
    pixel_bytes = 2 * bits // 8
    row_bytes = 1 + cols * pixel_bytes
    unpacker, raw = zlib.decompressobj(), bytearray()
    for kind, body in chunks:
        if kind == b"IDAT":
            raw += unpacker.decompress(body, max(n_rows * row_bytes - len(raw), 1))
    if len(raw) < n_rows * row_bytes:
        raise ValueError(f"picture data of {len(raw)} bytes where {n_rows * row_bytes} are needed")
    rows = np.frombuffer(raw, np.uint8, n_rows * row_bytes).reshape(n_rows, row_bytes)
    bad = unfilter_rows(rows, pixel_bytes)
    if bad >= 0:
        raise ValueError(f"unknown filter in row {bad}")
    codes = np.ascontiguousarray(rows[:, 1:]).view(">u2" if bits == 16 else np.uint8)
    return codes.reshape(n_rows, cols, 2).astype(np.uint16 if bits == 16 else np.uint8)


def _chunks(data: bytes) -> Iterator[tuple[bytes, memoryview]]:
    """(kind, body) of each chunk up to the end mark, checked against its checksum."""
    at = _SIGNATURE_BYTES
    while True:
        if at + 12 > len(data):
            raise ValueError("cut off before the end mark")
        n_bytes, kind = struct.unpack_from(">I4s", data, at)
        body = memoryview(data)[at + 8 : at + 8 + n_bytes]
        if at + 12 + n_bytes > len(data):
            raise ValueError("cut off inside a chunk")
        if struct.unpack_from(">I", data, at + 8 + n_bytes)[0] != zlib.crc32(body, zlib.crc32(kind)):
            raise ValueError(f"the chunk {kind.decode('latin-1')} is damaged")
        if kind == b"IEND":
            return
        yield kind, body
        at += 12 + n_bytes
