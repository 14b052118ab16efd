"""How a picture is prepared: the choices, checked, with what its own patch file says of those left open."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from poredepth.errors import PatchError, RecipeError
from poredepth.patch.clean.form import MOST_DEGREE
from poredepth.patch.types import check_positive
from poredepth.recipe.patchfile import own_patch_file, read_patch_file

FORMS = ("auto", "none", "tilt", "bend")
#: Degrees of polynomials, beside those with a name.
DEGREES = tuple(str(degree) for degree in range(3, MOST_DEGREE + 1))


@dataclass(frozen=True)
class PrepareOptions:
    """How a picture is prepared.

    Attributes
    ----------
    texel_um : width of a pixel on the skin, um; width_mm : width of the whole picture on the skin, mm.  One of them, or
        neither where the file says it
    height_um : um, height of one full unit of the value (black to white); not with measured surfaces, which are in mm
    sq_um : um, in place of height_um: the heights are scaled so that the finished patch has this Sq
    invert : black is outward
    colour : what to do with colour and with sRGB pictures: see `intake.read.read_raw`
    crop_px : (x, y, width, height), pixels from the top left corner
    form : "auto"; "none"; "tilt", a plane; "bend", a paraboloid; "3" to "8", a polynomial of that degree
    cutoff_mm : mm, wavelengths above are taken off too (areal Gaussian, ISO 16610-61)
    keep_spikes, keep_terraces : leave these as they are
    align : turn the lay to +u
    tiling : "best", "smooth", "cut" or "none": see `tiling.make_tileable`
    source, licence, consent : terms of the picture
    """

    texel_um: float | None = None
    width_mm: float | None = None
    height_um: float | None = None
    sq_um: float | None = None
    invert: bool = False
    colour: Literal["refuse", "linear", "srgb"] = "refuse"
    crop_px: tuple[int, int, int, int] | None = None
    form: str = "auto"
    cutoff_mm: float | None = None
    keep_spikes: bool = False
    keep_terraces: bool = False
    align: bool = False
    tiling: Literal["best", "smooth", "cut", "none"] = "best"
    source: str | None = None
    licence: str | None = None
    consent: str | None = None


def check_options(path: Path, options: PrepareOptions) -> None:
    for key in ("texel_um", "width_mm", "height_um", "sq_um", "cutoff_mm"):
        if getattr(options, key) is not None:
            check_positive(str(path), key, getattr(options, key))
    if options.form not in FORMS + DEGREES:
        degrees = f"{DEGREES[0]} to {DEGREES[-1]}, the degree of a polynomial"
        raise PatchError(f"{path}: form is {options.form!r}; allowed: {', '.join(FORMS)}, or {degrees}")


def with_patch_file(path: Path, options: PrepareOptions) -> tuple[PrepareOptions, list[str]]:
    """Options with what the picture's own patch file says of what they leave open, and the history there."""
    beside = own_patch_file(path)
    if beside is None:
        return options, []
    try:
        found = read_patch_file(beside)
    except RecipeError as error:
        raise PatchError(str(error)) from error
    keys = ["source", "licence", "consent"]
    keys += ["texel_um"] if options.width_mm is None else []
    keys += ["height_um"] if options.sq_um is None else []
    known = {key: getattr(found, key) for key in keys if getattr(options, key) is None}
    return replace(options, **known), found.history
