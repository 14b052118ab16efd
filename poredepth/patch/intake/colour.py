"""Heights out of pictures that are stored as colour, or said to be.

A height is a number, and a file that calls it an sRGB colour bends it: 0.5 read through the sRGB curve is 0.214.  But
many programs put an sRGB tag on grey that was never bent.  What was meant cannot be seen in the file, so such pictures
are refused until someone says which it is: ``linear``, the stored numbers are the heights, or ``srgb``, the curve of
IEC 61966-2-1 lies on them and is taken off.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.decode import EXR_SIGNATURE, PNG_SIGNATURE, TIFF_SIGNATURES
from poredepth.patch.intake.curves import curve_of_profile, without_srgb_curve
from poredepth.patch.png_channels import png_chunks
from poredepth.patch.read import as_shares

Colour = Literal["refuse", "linear", "srgb"]

#: Luminance of linear red, green and blue, ITU-R BT.709.
LUMINANCE = (0.2126, 0.7152, 0.0722)
#: Gamma tags of PNG (gAMA, times 100000) that mean no curve, and those that stand for sRGB (PNG specification: 45455).
_LINEAR_GAMA, _SRGB_GAMA = (99_000, 101_000), (44_000, 47_000)
#: Transfer functions of PNG cICP (ITU-T H.273): 8 is linear.
_LINEAR_TRANSFER = 8
#: TIFF tag of the ICC profile.
_TIFF_ICC = 34675

#: A larger profile is cut: curves of those that are in use lie far below it.
_MOST_PROFILE_BYTES = 2**24
#: Rows that are worked on at once.
_ROWS_AT_ONCE = 256

_CHOICES = (
    "allowed are two choices: colour 'linear' (--colour linear), the stored numbers are heights as they are (right for "
    "height maps: many programs put an sRGB tag on grey that is linear), or colour 'srgb' (--colour srgb), the sRGB "
    "curve lies on them and is taken off (a mid-grey of 0.5 becomes 0.214)"
)


@dataclass(frozen=True)
class ColourTag:
    """What a file says of the curve on its numbers: ``said`` in words, "" if it says nothing; ``is_linear``;
    ``is_srgb``, or near enough to it."""

    said: str = ""
    is_linear: bool = True
    is_srgb: bool = False


def check_choice(where: str, colour: str) -> None:
    """Raise PatchError unless ``colour`` is one of the choices there are."""
    if colour not in get_args(Colour):
        raise PatchError(f"{where}: colour is {colour!r}; allowed: {', '.join(get_args(Colour))}")


def read_colour_tag(path: Path, head: bytes) -> ColourTag:
    """What a PNG, TIFF or EXR file says of the curve on its numbers; EXR is linear by its definition."""
    if head.startswith(PNG_SIGNATURE):
        return _from_png(path)
    if head.startswith(TIFF_SIGNATURES):
        return _from_tiff(path)
    return ColourTag("the EXR format, which is linear") if head.startswith(EXR_SIGNATURE) else ColourTag()


def to_heights(
    path: Path, stored: np.ndarray, tag: ColourTag, colour: Colour
) -> tuple[np.ndarray, float | None, tuple[str, ...]]:
    """One number a pixel out of what a file stores.

    Parameters
    ----------
    path : for messages
    stored : (rows, cols), or (rows, cols, 3) for colour, codes or floats
    tag : what the file says of them
    colour : "refuse", "linear" or "srgb"

    Returns
    -------
    values : (rows, cols), as `as_shares` makes them
    code_step : float, one code in units of the value; with the sRGB curve taken off, at the median value; None for
        floats
    notes : what was done

    Raises
    ------
    PatchError : with "refuse", a tag that is not linear, channels that differ, 8-bit colour; with "srgb", a tag that
        says something else, floats beyond 0..1

    Notes
    -----
    8-bit colour without a tag counts as sRGB, as it does elsewhere (OpenUSD, UsdPreviewSurface, sourceColorSpace auto).
    """
    is_colour = stored.ndim == 3
    is_grey = not is_colour or _are_equal(stored)
    if colour == "refuse":
        _refuse_what_is_unclear(path, stored, tag, is_grey)
    if colour == "srgb":
        _refuse_what_is_not_srgb(path, stored, tag)
    notes = []
    if colour == "srgb":
        notes.append("colour: sRGB curve taken off")
    elif tag.said and not tag.is_linear:
        notes.append(f"colour: {tag.said} not applied, stored numbers taken as heights")
    if is_colour and is_grey:
        notes.append("colour: three equal channels taken as one grey")
    elif is_colour:
        red, green, blue = LUMINANCE
        of = "" if colour == "srgb" else " of the stored numbers"
        notes.append(f"colour: luminance{of} taken, {red} red + {green} green + {blue} blue")
    planes = stored[..., 0] if is_colour and is_grey else stored
    values = _one_number(planes, colour == "srgb")
    return values, _code_step(values, stored.dtype, colour == "srgb"), tuple(notes)


def _one_number(stored: np.ndarray, is_srgb: bool) -> np.ndarray:
    """Values of one channel, or the luminance of three, a few rows at a time."""
    if stored.ndim == 2 and not is_srgb:
        return as_shares(stored)
    table = None
    if is_srgb and stored.dtype.kind == "u" and stored.dtype.itemsize <= 2:
        table = without_srgb_curve(np.linspace(0, 1, 2 ** (8 * stored.dtype.itemsize))).astype(np.float32)
    values = np.empty(stored.shape[:2], as_shares(stored[:1, :1]).dtype)
    for top in range(0, len(stored), _ROWS_AT_ONCE):
        part = stored[top : top + _ROWS_AT_ONCE]
        shares = as_shares(part) if table is None else table[part]
        if is_srgb and table is None:
            shares = without_srgb_curve(shares)
        values[top : top + _ROWS_AT_ONCE] = shares if shares.ndim == 2 else shares @ np.asarray(LUMINANCE, shares.dtype)
    return values


def _code_step(values: np.ndarray, dtype: np.dtype, is_srgb: bool) -> float | None:
    if dtype.kind == "f":
        return None
    step = 1.0 / (2 ** (8 * dtype.itemsize) - 1)
    if not is_srgb:
        return step
    linear = float(np.median(values[:: max(1, len(values) // 256)]))
    # slope of the curve that was taken off, by the value it gave
    return step * (1 / 12.92 if linear <= 0.0031308 else 2.4 / 1.055 * linear ** (1.4 / 2.4))


def _are_equal(stored: np.ndarray) -> bool:
    return all(
        np.array_equal(stored[top : top + _ROWS_AT_ONCE, :, 0], stored[top : top + _ROWS_AT_ONCE, :, k], equal_nan=True)
        for top in range(0, len(stored), _ROWS_AT_ONCE)
        for k in (1, 2)
    )


def _refuse_what_is_unclear(path: Path, stored: np.ndarray, tag: ColourTag, is_grey: bool) -> None:
    if not tag.is_linear:
        raise PatchError(f"{path}: found {tag.said}: its numbers may not be heights as they are; {_CHOICES}")
    if stored.ndim == 2:
        return
    if not is_grey:
        raise PatchError(
            f"{path}: found a colour picture, with channels that differ; {_CHOICES}; of both the luminance is taken. "
            "A photograph is no height map: brightness is not height; export the heights as grey if you can"
        )
    if stored.dtype.itemsize == 1 and not tag.said:
        raise PatchError(
            f"{path}: found grey stored as 8-bit colour, which without a tag counts as sRGB; {_CHOICES}; better export "
            "the heights with 16 bits as grey"
        )


def _refuse_what_is_not_srgb(path: Path, stored: np.ndarray, tag: ColourTag) -> None:
    if tag.said and not tag.is_srgb:
        raise PatchError(
            f"{path}: colour is 'srgb', but the file has {tag.said}; allowed there: colour 'linear', or export it "
            "anew, linear or with an sRGB tag"
        )
    if stored.dtype.kind == "f" and not (np.nanmin(stored) >= 0 and np.nanmax(stored) <= 1):
        raise PatchError(
            f"{path}: colour is 'srgb', but values run from {np.nanmin(stored):g} to {np.nanmax(stored):g}; the sRGB "
            "curve is one of 0 to 1; allowed there: colour 'linear'"
        )


def _from_png(path: Path) -> ColourTag:
    """The tag that counts most: cICP, iCCP, sRGB, gAMA (PNG specification, third edition, section 4.3)."""
    chunks = dict(png_chunks(path, b"IDAT"))
    if b"cICP" in chunks:
        transfer = chunks[b"cICP"][1]
        return ColourTag(f"a cICP tag of transfer function {transfer}", transfer == _LINEAR_TRANSFER, transfer == 13)
    if b"iCCP" in chunks:
        name, _, packed = chunks[b"iCCP"].partition(b"\0")
        return _from_profile(
            zlib.decompressobj().decompress(packed[1:], _MOST_PROFILE_BYTES), f" '{name.decode('latin-1')}'"
        )
    if b"sRGB" in chunks:
        return ColourTag("an sRGB tag", False, True)
    if b"gAMA" in chunks:
        (gama,) = struct.unpack(">I", chunks[b"gAMA"])
        is_linear, is_srgb = (low <= gama <= high for low, high in (_LINEAR_GAMA, _SRGB_GAMA))
        return ColourTag(f"a gamma tag of 1/{100_000 / max(gama, 1):.3g}", is_linear, is_srgb)
    return ColourTag()


def _from_tiff(path: Path) -> ColourTag:
    import tifffile

    with tifffile.TiffFile(path) as file:
        tag = file.pages[0].tags.get(_TIFF_ICC)
        return ColourTag() if tag is None else _from_profile(bytes(tag.value), "")


def _from_profile(profile: bytes, name: str) -> ColourTag:
    curve = curve_of_profile(profile)
    return ColourTag(f"an ICC colour profile{name}", curve == "linear", curve == "srgb")
