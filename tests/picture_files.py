"""Picture files of any kind that a test needs, written without the code under test."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np

_COLOUR_TYPE = {1: 0, 2: 4, 3: 2, 4: 6}


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def write_png(path: Path, codes: np.ndarray, *chunks: tuple[bytes, bytes]) -> Path:
    """A PNG of (rows, cols) or (rows, cols, channels), 8 or 16 bits, with more chunks before the picture data
    (PNG specification, third edition)."""
    codes = codes if codes.ndim == 3 else codes[..., None]
    rows, cols, n_channels = codes.shape
    size = codes.dtype.itemsize
    raw = np.ascontiguousarray(codes, f">u{size}").view(np.uint8).reshape(rows, -1)
    lines = np.concatenate([np.zeros((rows, 1), np.uint8), raw], axis=1).tobytes()
    header = struct.pack(">IIBBBBB", cols, rows, 8 * size, _COLOUR_TYPE[n_channels], 0, 0, 0)
    body = [(b"IHDR", header), *chunks, (b"IDAT", zlib.compress(lines, 1)), (b"IEND", b"")]
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*chunk) for chunk in body))
    return path


def phys(x_per_unit: int, y_per_unit: int, unit: int = 1) -> tuple[bytes, bytes]:
    """A pHYs chunk; unit 1 is a metre, 0 unknown."""
    return b"pHYs", struct.pack(">IIB", x_per_unit, y_per_unit, unit)


def icc_profile(curve: bytes, tag: bytes = b"kTRC") -> bytes:
    """The least profile that has a tone curve (ICC.1:2022, section 7): header, a table of one tag, the curve."""
    return bytes(128) + struct.pack(">I4sII", 1, tag, 144, len(curve)) + curve


def gamma_curve(gamma: float) -> bytes:
    """curveType of one entry: a gamma in u8Fixed8 (ICC.1:2022, section 10.6)."""
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


#: curveType without entries: none (ICC.1:2022, section 10.6).
NO_CURVE = b"curv" + bytes(4) + struct.pack(">I", 0)
#: The curve of sRGB as parametricCurveType 3 (ICC.1:2022, section 10.18; IEC 61966-2-1): g, a, b, c, d.
SRGB_CURVE = (
    b"para"
    + bytes(4)
    + struct.pack(">HH5i", 3, 0, *(round(65536 * p) for p in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
)


def iccp(curve: bytes, tag: bytes = b"kTRC") -> tuple[bytes, bytes]:
    return b"iCCP", b"profile\0\0" + zlib.compress(icc_profile(curve, tag))
