"""What a patch is, as rows of (name, value) to print: size, terms, history, texture, bands, pits, border."""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.read import load_patch
from poredepth.patch.store import WrittenPatch, read_patch
from poredepth.patch.texture import TextureParameters, band_table, pit_statistics, texture_parameters
from poredepth.patch.tiling import blotch_ratio, tile_border
from poredepth.patch.tiling.measure import MOST_BLOTCH_RATIO, MOST_BORDER_RATIO
from poredepth.patch.types import HeightPatch, PatchOffsetWarning
from poredepth.recipe.patchfile import SUFFIX, own_patch_file
from poredepth.units import UM_PER_MM

Row = tuple[str, str]

#: Pits are counted in no more texels a side: enough of them, and no waiting.
MOST_COUNTED_PX = 3072


def opened_patch(path: Path, texel_um: float | None = None, height_um: float | None = None) -> HeightPatch:
    """A patch with its patch file, or a picture with a stated size and height, whose mean is taken for its zero.

    Raises
    ------
    PatchError : neither; or a size or height beside a patch file
    """
    stated = {"texel_um": texel_um, "height_um": height_um}
    given = [key for key, value in stated.items() if value is not None]
    if path.name.endswith(SUFFIX) or own_patch_file(path) is not None:
        if given:
            raise PatchError(f"{path}: has a patch file, which says {given[0]}; allowed without one; leave it out")
        return read_patch(path)
    if len(given) < len(stated):
        lacking = next(key for key in stated if key not in given)
        raise PatchError(
            f"{path}: {lacking} is not known; allowed: a patch file beside it, or both texel_um, the width of a pixel "
            "on the skin, and height_um, the height from black to white"
        )
    with warnings.catch_warnings():  # about the mean, which is taken off
        warnings.simplefilter("ignore", PatchOffsetWarning)
        patch = load_patch(path.name.split(".")[0], path, texel_um=texel_um, height_um=height_um, zero=0.0)
    if patch.inside is None:
        level = patch.height_mm - np.float32(patch.height_mm.mean(dtype=np.float64))
        border = tile_border(level)
        tiles = max(*border.jump_ratio, *border.gradient_ratio) <= MOST_BORDER_RATIO
        patch = replace(patch, height_mm=level, periodic=tiles)
    return patch


def patch_texture(patch: HeightPatch, found: TextureParameters | None = None) -> dict[str, float]:
    """Texture parameters by name, as a patch file keeps them; those that are not defined are left out."""
    return _named(found or measured_texture(patch))


def measured_texture(patch: HeightPatch) -> TextureParameters:
    """Texture parameters of a patch."""
    return texture_parameters(patch.height_mm, patch.texel_mm, periodic=patch.periodic, inside=patch.inside)


def _named(found: TextureParameters) -> dict[str, float]:
    names = ("sa_um", "sq_um", "ssk", "sku", "sz_um", "sdq", "sdr", "sal_mm", "str_ratio", "std_deg")
    return {name: value for name in names if math.isfinite(value := getattr(found, name))}


def patch_facts(patch: HeightPatch, found: TextureParameters | None = None) -> list[Row]:
    """Everything there is to say of a patch; ``found`` its texture parameters where they are known."""
    found = found or measured_texture(patch)
    rows, cols = patch.height_mm.shape
    origin = patch.provenance
    told = [
        ("size", f"{patch.width_mm:.6g} x {patch.height_extent_mm:.6g} mm, {cols} x {rows} texels of "
         f"{UM_PER_MM * patch.texel_mm:.6g} um"),
        ("lay", f"{patch.lay_deg:g} degrees"),
        ("tiles", "yes" if patch.periodic else "no: for place: registered only"),
    ]  # fmt: skip
    told += [(key, text) for key in ("source", "licence", "consent") if (text := getattr(origin, key)) is not None]
    missing = [key for key in ("source", "licence", "consent") if getattr(origin, key) is None]
    if missing:
        told.append(("not stated", ", ".join(missing)))
    told += [("history" if number == 0 else "", step) for number, step in enumerate(origin.history)]
    return told + _texture_rows(found) + _band_rows(patch) + _pit_rows(patch) + _border_rows(patch)


def _texture_rows(found: TextureParameters) -> list[Row]:
    bound = " or less" if found.str_is_bound else ""
    shape = "none" if math.isnan(found.sal_mm) else f"Sal {found.sal_mm:.4g} mm, Str {found.str_ratio:.3g}{bound}"
    lay = "none" if math.isnan(found.std_deg) else f"{found.std_deg:.1f} degrees"
    return [
        ("heights", f"Sa {found.sa_um:.4g} um, Sq {found.sq_um:.4g} um, Ssk {found.ssk:.3g}, Sku {found.sku:.3g}, Sz "
         f"{found.sz_um:.4g} um ({-found.sv_um:.4g} to {found.sp_um:+.4g})"),
        ("slopes", f"Sdq {found.sdq:.4g}, Sdr {100 * found.sdr:.3g} %"),
        ("texture", f"{shape}, lay Std {lay}"),
    ]  # fmt: skip


def _band_rows(patch: HeightPatch) -> list[Row]:
    if patch.inside is not None:
        return []
    rows = band_table(patch.height_mm, patch.texel_mm, patch.periodic)
    return [
        ("Sq by wavelength" if number == 0 else "", f"{_mm(row.low_mm)} to {_mm(row.high_mm)} mm: {row.sq_um:.4g} um")
        for number, row in enumerate(rows)
    ]


def _mm(value: float) -> str:
    return "all longer" if math.isinf(value) else f"{value:.3g}"


def _pit_rows(patch: HeightPatch) -> list[Row]:
    if patch.inside is not None:
        return []
    height_mm, periodic, where = patch.height_mm, patch.periodic, ""
    if max(height_mm.shape) > MOST_COUNTED_PX:
        rows, cols = ((n - min(n, MOST_COUNTED_PX)) // 2 for n in height_mm.shape)
        height_mm = height_mm[rows : rows + MOST_COUNTED_PX, cols : cols + MOST_COUNTED_PX]
        periodic, where = False, f" in the middle {height_mm.shape[1]} x {height_mm.shape[0]} texels"
    pits = pit_statistics(height_mm, patch.texel_mm, periodic=periodic)
    if pits.count == 0:
        return [("pits", f"none found{where}")]
    return [
        (
            "pits",
            f"{pits.count}{where}, {pits.density_per_cm2:.3g} per cm2; median diameter "
            f"{pits.median_diameter_um:.0f} um, depth {pits.median_depth_um:.0f} um",
        )
    ]


def _border_rows(patch: HeightPatch) -> list[Row]:
    if not patch.periodic:
        return []
    border, blotches = tile_border(patch.height_mm), blotch_ratio(patch.height_mm, patch.texel_mm)
    jump, gradient = max(border.jump_ratio), max(border.gradient_ratio)
    seen = ": it shows" if max(jump, gradient) > MOST_BORDER_RATIO else ""
    told = ": they show as repeats; prepare it with a shorter --cutoff-mm" if blotches > MOST_BLOTCH_RATIO else ""
    return [
        ("border", f"{jump:.2f} in step, {gradient:.2f} in slope of the inside (1 is none){seen}"),
        ("blotches", f"{100 * blotches:.0f} % of Sq in waves above a third of its side{told}"),
    ]


#: Plain words that YAML reads as something else, or has before 1.2.
_YAML_WORDS = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}


def recipe_lines(patch: HeightPatch, written: WrittenPatch) -> list[str]:
    """The lines that name a written patch in a recipe."""
    name = patch.name.replace(" ", "_")
    if not re.fullmatch(r"[^\W\d][\w-]*", name) or name.lower() in _YAML_WORDS:
        name = "'" + name.replace("'", "''") + "'"
    lines = ["patches:", f"  {name}: {{file: {_quoted(Path(written.path).as_posix())}}}"]
    if patch.periodic:
        # larger prints have fewer borders, and still differ from each other
        print_mm = max(1.0, min(10.0, round(0.75 * min(patch.width_mm, patch.height_extent_mm), 1)))
        lines += ["layers:", f"  - {{name: {name}, patch: {name}, place: scatter, print_mm: {print_mm:g}}}"]
    return lines


def _quoted(name: str) -> str:
    return name if all(c.isalnum() or c in "._-/" for c in name) else "'" + name.replace("'", "''") + "'"
