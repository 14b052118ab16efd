"""The real size of a pixel, out of what PNG, TIFF and EXR files say of it.

PNG: pHYs, whole pixels per metre; with its unit unknown it says how high a pixel is for its width, no more (PNG
specification, third edition).  TIFF: XResolution, YResolution in pixels per inch or centimetre; without a unit likewise
(TIFF 6.0).  EXR: xDensity in pixels per inch, vertically xDensity * pixelAspectRatio (OpenEXR, standard optional
attributes).

Programs that know of no real size fill these in with the density of a screen or of a print.  Such a density is not
believed, and neither is one whose pixels no picture of skin has.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from pathlib import Path

from poredepth.patch.decode import EXR_SIGNATURE, PNG_SIGNATURE, TIFF_SIGNATURES
from poredepth.patch.png_channels import png_chunks
from poredepth.patch.read import PLAUSIBLE_TEXEL_UM
from poredepth.units import MM_PER_UNIT, UM_PER_MM

#: Densities of screens and prints, pixels per inch, that are filled in by habit: common practice, no source.  Those of
#: 1200 and above are believed, as nothing but a scanner sets them.
HABITUAL_DPI = (72, 75, 90, 96, 100, 120, 144, 150, 180, 192, 200, 240, 300, 350, 360, 400, 480, 600, 720)
#: How near to one of them counts as it, ratio: 72 is stored as 2835 per metre or 72.009, at most 0.02 % off.
HABITUAL_WITHIN_RATIO = 5e-4

#: TIFF resolution units (TIFF 6.0, tag 296): 2 is an inch, and so it is without the tag, 3 a centimetre.
_TIFF_UNIT_MM = {2: MM_PER_UNIT["in"], 3: MM_PER_UNIT["cm"]}


@dataclass(frozen=True)
class SizeTag:
    """What a file says of its pixels: ``pixel_mm`` (x, y), ``pixel_from`` and ``notes`` as in `RawPicture`;
    ``pixel_aspect`` height over width."""

    pixel_mm: tuple[float, float] | None = None
    pixel_from: str = ""
    pixel_aspect: float = 1.0
    notes: tuple[str, ...] = ()


def read_size_tag(path: Path, head: bytes) -> SizeTag:
    """The size a PNG, TIFF or EXR file states, or none."""
    if head.startswith(PNG_SIGNATURE):
        return _from_png(path)
    if head.startswith(TIFF_SIGNATURES):
        return _from_tiff(path)
    if head.startswith(EXR_SIGNATURE):
        return _from_exr(path)
    return SizeTag()


def _from_png(path: Path) -> SizeTag:
    for kind, body in png_chunks(path, b"IDAT"):
        if kind == b"pHYs":
            x, y, unit = struct.unpack(">IIB", body)
            return _tag("pHYs", x, y, UM_PER_MM if unit == 1 else None)
    return SizeTag()


def _from_tiff(path: Path) -> SizeTag:
    import tifffile

    with tifffile.TiffFile(path) as file:
        tags = file.pages[0].tags
        x, y = (_number(tags.get(name)) for name in ("XResolution", "YResolution"))
        unit = tags.get("ResolutionUnit")
        return _tag("TIFF resolution", x, y, _TIFF_UNIT_MM.get(2 if unit is None else int(unit.value)))


def _number(tag) -> float:
    """A rational of TIFF; 0 where there is none."""
    if tag is None:
        return 0.0
    above, below = tag.value if isinstance(tag.value, tuple) else (tag.value, 1)
    return above / below if below else 0.0


def _from_exr(path: Path) -> SizeTag:
    import OpenEXR

    with OpenEXR.File(str(path), separate_channels=True, header_only=True) as file:
        header = file.parts[0].header
        x, width_per_height = (float(header.get(name, or_else)) for name, or_else in _EXR_DEFAULTS)
    if x > 0:
        return _tag("xDensity", x, x * width_per_height, MM_PER_UNIT["in"])
    return _tag("xDensity", 1.0, width_per_height, None)


_EXR_DEFAULTS = (("xDensity", 0.0), ("pixelAspectRatio", 1.0))


def _tag(name: str, x_per_unit: float, y_per_unit: float, unit_mm: float | None) -> SizeTag:
    """Judge densities; without a unit they say how high a pixel is for its width."""
    if not all(math.isfinite(density) and density > 0 for density in (x_per_unit, y_per_unit)):
        return SizeTag()
    aspect = x_per_unit / y_per_unit
    if unit_mm is None:
        told = f"size tag: {name} has no unit; it only says that a pixel is {aspect:.5g} times as high as wide"
        return SizeTag(pixel_aspect=aspect, notes=() if aspect == 1 else (told,))
    pixel_mm = (unit_mm / x_per_unit, unit_mm / y_per_unit)
    doubt = _doubt(pixel_mm)
    if doubt:
        told = (
            f"size tag: {name} states {_um(pixel_mm)} a pixel; not believed, as that is {doubt}; if it is the real "
            f"size, give texel_um {pixel_mm[0] * UM_PER_MM:.6g}"
        )
        return SizeTag(pixel_aspect=aspect, notes=(told,))
    return SizeTag(pixel_mm, name, aspect, (f"size tag: {name} states {_um(pixel_mm)} a pixel",))


def _doubt(pixel_mm: tuple[float, float]) -> str:
    """Why a size is not believed, or nothing."""
    low, high = PLAUSIBLE_TEXEL_UM
    for side_mm in pixel_mm:
        dpi = MM_PER_UNIT["in"] / side_mm
        for habitual in HABITUAL_DPI:
            if abs(dpi / habitual - 1) <= HABITUAL_WITHIN_RATIO:
                return f"{habitual} pixels an inch, which programs fill in for screens and prints"
        if not low <= side_mm * UM_PER_MM <= high:
            return f"no size that pictures of skin have, {low:g} to {high:g} um"
    return ""


def _um(pixel_mm: tuple[float, float]) -> str:
    x_um, y_um = (UM_PER_MM * side for side in pixel_mm)
    return f"{x_um:.6g} um" if x_um == y_um else f"{x_um:.6g} x {y_um:.6g} um"
