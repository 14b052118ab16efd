"""Curves that colour puts on numbers: that of sRGB, and whether an ICC colour profile has one.

Source: IEC 61966-2-1 (sRGB); ICC.1:2022 (profile version 4.4), section 7 (header, tag table), 10.6 (curveType), 10.18
(parametricCurveType).
"""

from __future__ import annotations

import struct
from typing import Literal

import numpy as np

_HEADER_BYTES = 128
#: Curves of grey and, in colour profiles, of red, which stands for all three.
_CURVES = (b"kTRC", b"rTRC")
#: How far a curve may be off, as linear or as sRGB, share of full: own choice; gamma 2.2 is within 0.01 of sRGB.
_WITHIN = 0.012


def without_srgb_curve(share: np.ndarray) -> np.ndarray:
    """Linear values of sRGB ones, both 0..1, of the same type."""
    bent = np.maximum(share, 0.04045)
    return np.where(share <= 0.04045, share / 12.92, ((bent + 0.055) / 1.055) ** 2.4).astype(share.dtype)


def curve_of_profile(profile: bytes) -> Literal["linear", "srgb", "other"]:
    """Kind of the tone curve: none, that of sRGB or nearly so, another or one that cannot be read."""
    try:
        body = _curve(profile)
        at = np.linspace(0.0, 1.0, 257)
        linear = _applied(body, at)
    except (struct.error, ValueError, IndexError, KeyError):
        return "other"
    if np.abs(linear - at).max() <= _WITHIN:
        return "linear"
    return "srgb" if np.abs(linear - without_srgb_curve(at)).max() <= _WITHIN else "other"


def _curve(profile: bytes) -> bytes:
    """Body of the first tone curve in the tag table."""
    (count,) = struct.unpack_from(">I", profile, _HEADER_BYTES)
    for k in range(min(count, 100)):
        name, offset, size = struct.unpack_from(">4sII", profile, _HEADER_BYTES + 4 + 12 * k)
        if name in _CURVES:
            return profile[offset : offset + size]
    raise KeyError("no tone curve")


def _applied(body: bytes, at: np.ndarray) -> np.ndarray:
    """Linear values of the encoded ones ``at``, by a curve's body."""
    if body[:4] == b"curv":
        (count,) = struct.unpack_from(">I", body, 8)
        if count == 0:
            return at
        entries = np.frombuffer(body, ">u2", count, 12).astype(float)
        if count == 1:
            return at ** (entries[0] / 256)
        return np.interp(at, np.linspace(0, 1, count), entries / 65535)
    if body[:4] != b"para":
        raise ValueError("no curve")
    (kind,) = struct.unpack_from(">H", body, 8)
    numbers = np.frombuffer(body, ">i4", (1, 3, 4, 5, 7)[kind], 12) / 65536
    g, a, b, c, d, e, f = np.concatenate([numbers, (0, 1, 0, 0, 0, 0, 0)[len(numbers) :]])
    if kind in (1, 2):  # the power begins where its base does; below it, the constant c
        return np.where(a * at + b >= 0, np.maximum(a * at + b, 0) ** g, 0) + (c if kind == 2 else 0)
    return np.where(at >= d, np.maximum(a * at + b, 0) ** g + e, c * at + f)
