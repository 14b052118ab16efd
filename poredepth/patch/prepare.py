"""A height picture of skin made into a calibrated, level patch that tiles: every step in order, each with its line.

Read, cut out, give it its real size and height, fill what is missing, take spikes and terraces out, make pixels square,
take tilt and form off, turn the lay to +u, make it tile, put the mean at zero.  Steps that find nothing to do leave the
heights as they are, bit for bit, and no line.
"""

from __future__ import annotations

import math
import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError, PoredepthWarning
from poredepth.patch.clean.form import remove_form, zero_mean
from poredepth.patch.clean.holes import fill_holes, without_inner_holes
from poredepth.patch.clean.spikes import remove_spikes
from poredepth.patch.clean.suggest import suggest_form
from poredepth.patch.clean.terraces import Terraces, find_terraces
from poredepth.patch.clean.unterrace import smooth_terraces
from poredepth.patch.intake.blocks import find_compression_blocks
from poredepth.patch.intake.polarity import check_polarity
from poredepth.patch.intake.raw import RawPicture, crop_px
from poredepth.patch.intake.read import read_raw
from poredepth.patch.intake.real_size import real_size
from poredepth.patch.intake.square import are_square, resample_square
from poredepth.patch.prepare_options import DEGREES, PrepareOptions, check_options, with_patch_file
from poredepth.patch.read import doubts_of_scale, sha256_of
from poredepth.patch.rectangle import largest_full_rectangle
from poredepth.patch.texture.direction import LEAST_STRENGTH, middle_lay
from poredepth.patch.texture.parameters import TextureParameters, texture_parameters
from poredepth.patch.tiling import TileBorder, blotch_ratio, make_tileable, tile_border, turn_lay
from poredepth.patch.types import MIN_SIDE_PX, HeightPatch, Provenance
from poredepth.units import UM_PER_MM

OnProgress = Callable[[str, int, int], None]

#: Steps, as progress counts them.
STEPS = ("read", "clean", "form", "turn", "tile", "measure")
#: Pictures with ragged borders are cut to the largest whole rectangle if it keeps this share: own choice.
LEAST_KEPT_RATIO = 0.25
#: Terraces are smoothed where one code is this much of the range (9 bits or fewer), or this share of neighbours equal:
#: own choice.
LEAST_CODE_STEP, LEAST_PLATEAU_RATIO = 1 / 512, 0.5
#: Pixels of no picture at all: an order of magnitude and more beyond what is warned about.  Own choice.
POSSIBLE_TEXEL_UM = (0.001, 1e6)
#: A tilt below this says nothing: own choice.
LEAST_TOLD_DEG = 0.01
#: Relief below this share of the largest height is what rounding left: own choice, as in tiling's measures.
ROUNDING_RATIO = 1e-6
#: Skin without any wrinkle is rougher than this, um: own choice, far below grain alone.
LEAST_SQ_UM = 0.3
#: A lay that is turned to 0 is so within this, after at most so many turns: own choice.
ALIGNED_WITHIN_DEG, MOST_TURNS = 1.0, 3


class PatchAdviceWarning(PoredepthWarning):
    """The picture can be prepared, but something about it should be looked at."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A finished patch and what it is worth: its history is in ``patch.provenance``."""

    patch: HeightPatch
    texture: TextureParameters
    border: TileBorder | None
    blotch_ratio: float
    advice: tuple[str, ...]


@dataclass
class _Work:
    """Heights on their way, and what was done to them."""

    where: str
    height: np.ndarray
    options: PrepareOptions
    history: list[str] = field(default_factory=list)
    advice: list[str] = field(default_factory=list)
    texel_mm: float = 0.0

    def did(self, line: str) -> None:
        self.history.append(line)

    def advise(self, line: str) -> None:
        self.advice.append(line)
        warnings.warn(f"{self.where}: {line}", PatchAdviceWarning, stacklevel=5)


def prepare_patch(
    path: str | os.PathLike,
    options: PrepareOptions | None = None,
    *,
    name: str | None = None,
    on_progress: OnProgress = lambda stage, done, total: None,
) -> Prepared:
    """Make a patch out of a height picture.

    Parameters
    ----------
    path : PNG, TIFF, EXR, X3P or SDF; of one with a patch file, what that says of size, height, terms and history holds
        where the options say nothing
    options : PrepareOptions
    name : of the patch; default: the file's name without its ending
    on_progress : called with a step of ``STEPS``, how much of it is done, and of how much

    Returns
    -------
    Prepared

    Raises
    ------
    PatchError : the picture cannot be read or calibrated, or holds no relief; what is missing is said

    Warns
    -----
    PatchAdviceWarning : white seems to be inward, traces of lossy compression, a border that shows, blotches that would
        show as repeats, a hole that is a smooth spot now, a size or height that skin does not have
    """
    path, options = Path(path), options or PrepareOptions()
    try:
        return _prepared(path, options, name, on_progress)
    except PatchError as error:
        if str(path) in str(error):
            raise
        raise PatchError(f"{path}: {error}") from error


def _prepared(path: Path, options: PrepareOptions, name: str | None, on_progress: OnProgress) -> Prepared:
    check_options(path, options)
    options, before = with_patch_file(path, options)
    on_progress("read", 0, 1)
    raw = read_raw(path, colour=options.colour)
    work = _Work(str(path), raw.values, options, list(before))
    pixel_mm, inside = _sized(raw, work)
    per_unit_mm = _height_scale(raw, work)
    on_progress("clean", 0, 1)
    _clean(raw, work, inside, min(pixel_mm))
    work.height = np.ascontiguousarray(work.height, np.float32)
    work.height *= np.float32(per_unit_mm)
    _make_square(work, pixel_mm)
    on_progress("form", 0, 1)
    rounding_mm = ROUNDING_RATIO * float(np.abs(work.height).max())
    _take_form_off(work)
    _check_relief(work, rounding_mm)
    told = check_polarity(work.height)
    if told is not None:
        work.advise(told)
    lay_deg, tiles, border = _turn_and_tile(work, on_progress)
    on_progress("measure", 0, 1)
    _level(work)
    for doubt in doubts_of_scale(UM_PER_MM * work.texel_mm, work.height):
        work.advise(doubt)
    _doubt_if_flat(work)
    blotches = blotch_ratio(work.height, work.texel_mm) if tiles else math.nan
    texture = texture_parameters(work.height, work.texel_mm, periodic=tiles)
    provenance = Provenance(
        options.source, options.licence, options.consent, str(path), sha256_of(path), tuple(work.history)
    )
    patch = HeightPatch(name or path.name.split(".")[0], work.height, work.texel_mm, tiles, lay_deg, provenance)
    return Prepared(patch, texture, border, blotches, tuple(work.advice))


def _sized(raw: RawPicture, work: _Work) -> tuple[tuple[float, float], np.ndarray | None]:
    """Real size of a pixel, mm; the picture cut out."""
    options = work.options
    pixel_mm = real_size(raw, work.where, texel_um=options.texel_um, width_mm=options.width_mm)
    low, high = POSSIBLE_TEXEL_UM
    if not low <= UM_PER_MM * min(pixel_mm) <= UM_PER_MM * max(pixel_mm) <= high:
        raise PatchError(
            f"{work.where}: a pixel is {UM_PER_MM * pixel_mm[0]:.3g} x {UM_PER_MM * pixel_mm[1]:.3g} um; allowed: "
            f"{low:g} to {high:g}; texel_um is in micrometres, width_mm in mm"
        )
    work.history += [
        f"read: {Path(work.where).name}, {raw.values.shape[1]} x {raw.values.shape[0]} pixels of "
        f"{UM_PER_MM * pixel_mm[0]:.6g} x {UM_PER_MM * pixel_mm[1]:.6g} um",
        *raw.notes,
    ]
    if options.crop_px is not None:
        raw = crop_px(raw, options.crop_px, work.where)
        work.did("cut out: " + "x {}, y {}, {} x {} pixels".format(*options.crop_px))
    work.height = raw.values
    return pixel_mm, raw.inside


def _height_scale(raw: RawPicture, work: _Work) -> float:
    """mm for one unit of the value, with its sign."""
    options = work.options
    given = [key for key in ("height_um", "sq_um") if getattr(options, key) is not None]
    if raw.in_mm and options.height_um is not None:
        raise PatchError(f"{work.where}: a measured surface has its heights in mm; allowed: no height_um; leave it out")
    if not raw.in_mm and len(given) != 1:
        found = "both height_um and sq_um" if given else "neither height_um nor sq_um"
        raise PatchError(
            f"{work.where}: found {found}; allowed is one of them: height_um, the height from black to white in "
            "micrometres (1 unit of a float picture), where it is known; else sq_um, the root mean square height the "
            "patch shall have (of skin without wrinkles 8 to 20, from memory)"
        )
    sign = -1.0 if options.invert else 1.0
    if options.invert:
        work.did("turned over: black was outward")
    if raw.in_mm or options.height_um is None:
        return sign
    work.did(f"height: {options.height_um:g} um for one full unit of the value")
    return sign * options.height_um / UM_PER_MM


def _clean(raw: RawPicture, work: _Work, inside: np.ndarray | None, texel_mm: float) -> None:
    """Gaps, spikes, terraces, traces of compression; heights still in units of the value."""
    _cut_to_data(work, inside)
    options = work.options
    blocks = find_compression_blocks(work.height)
    if blocks is not None:
        work.advise(
            f"found traces of lossy compression in blocks of 8 x 8 pixels ({blocks:.2f} times the roughness on their "
            "borders): they stay in the relief; use the picture before it was compressed"
        )
    work.height, holes = fill_holes(work.height)
    if holes is not None:
        work.did(f"holes filled: {holes.n_px} pixels ({holes.share:.2%}) in {holes.n_holes}")
        if holes.advice is not None:
            work.advise(holes.advice)
    # on heights as they are stored: what comes after moves some of them off their steps
    terraces = None if options.keep_terraces else find_terraces(work.height, raw.code_step)
    if not options.keep_spikes:
        work.height, spikes = remove_spikes(work.height, texel_mm)
        if spikes is not None:
            work.did(f"spikes taken out: {spikes.n_spikes}, {spikes.n_px} pixels")
    if terraces is not None and _are_seen(terraces, raw.code_step):
        stored = work.height
        work.height = smooth_terraces(stored, terraces)
        moved = float(np.abs(work.height - stored).max()) / terraces.step
        work.did(f"terraces smoothed: {terraces.n_levels} levels, each texel moved by at most {moved:.2f} of a step")


def _are_seen(terraces: Terraces, code_step: float | None) -> bool:
    """Whether heights are 8-bit ones, or so many neighbours equal that steps show; not what instruments round to."""
    return (code_step or 0.0) >= LEAST_CODE_STEP or terraces.plateau_ratio >= LEAST_PLATEAU_RATIO


def _cut_to_data(work: _Work, inside: np.ndarray | None) -> None:
    """Cut to the largest whole rectangle where a picture's border has no data."""
    valid = np.isfinite(work.height)
    if inside is not None:
        valid &= inside >= 0.5
        if not valid.all():
            work.height = np.where(valid, work.height, np.float32(np.nan))
    whole = without_inner_holes(valid)
    if whole.all():
        return
    rows, cols = largest_full_rectangle(whole)
    n_rows, n_cols = rows.stop - rows.start, cols.stop - cols.start
    if min(n_rows, n_cols) < MIN_SIDE_PX or n_rows * n_cols < LEAST_KEPT_RATIO * valid.size:
        return  # all over the place: they are filled, or are too many
    work.height = work.height[rows, cols]
    work.did(f"cut to where there is data: x {cols.start}, y {rows.start}, {n_cols} x {n_rows} pixels")


def _make_square(work: _Work, pixel_mm: tuple[float, float]) -> None:
    if are_square(pixel_mm):
        work.texel_mm = float(pixel_mm[0])
        return
    work.height, work.texel_mm = resample_square(work.height, pixel_mm)
    rows, cols = work.height.shape
    work.did(f"pixels made square: {cols} x {rows} texels of {UM_PER_MM * work.texel_mm:.6g} um")


def _take_form_off(work: _Work) -> None:
    options = work.options
    degrees = {"none": None, "tilt": 1, "bend": 2} | {text: int(text) for text in DEGREES}
    degree, cutoff_mm, why = degrees.get(options.form), options.cutoff_mm, ""
    if options.form == "auto":
        found = suggest_form(work.height, work.texel_mm)
        degree, why = found.degree, f" ({found.reason})"
        cutoff_mm = found.cutoff_mm if cutoff_mm is None else cutoff_mm
    if degree is None and cutoff_mm is None:
        return
    work.height, form = remove_form(work.height, work.texel_mm, degree=degree, cutoff_mm=cutoff_mm)
    named = {None: [], 1: ["the tilt"], 2: ["tilt and bow"]}
    what = list(named.get(degree, [f"a polynomial of degree {degree}"]))
    what += [] if cutoff_mm is None else [f"waves above {cutoff_mm:g} mm"]
    work.did(
        f"form taken off: {', '.join(what)}; tilt {form.tilt_deg:.3g} degrees, {form.peak_to_valley_um:.4g} um from "
        f"its lowest to its highest{why}"
    )


def _check_relief(work: _Work, rounding_mm: float) -> None:
    """Nothing but rounding must not be scaled to a wished Sq, nor be called a patch."""
    sq_mm = float(work.height.std(dtype=np.float64))
    if sq_mm <= rounding_mm:
        raise PatchError(
            f"{work.where}: holds no relief (Sq {UM_PER_MM * sq_mm:.3g} um, which is rounding); allowed: a picture "
            "whose heights differ, and a cutoff_mm longer than the waves to be kept; is it all of one grey?"
        )


def _turn_and_tile(work: _Work, on_progress: OnProgress) -> tuple[float, bool, TileBorder | None]:
    """Turn the lay to +u if asked to, and make it tile; the lay of what is left (degrees), whether it tiles, how well.

    Both cut something away, so that the lay of the rest may be another one: then it is turned by that as well.
    """
    on_progress("turn", 0, 1)
    level = work.height
    lay_deg, strength = middle_lay(level)
    has_lay = strength >= LEAST_STRENGTH
    aligns = work.options.align and has_lay
    if work.options.align and not has_lay:
        work.advise("found no direction that the relief runs in; it is not turned")
    by_deg, history, best = (-lay_deg if aligns else 0.0), list(work.history), None
    for _ in range(MOST_TURNS if aligns else 1):
        work.history = list(history)
        if aligns:
            on_progress("turn", 0, 1)
            work.height = turn_lay(level, work.texel_mm, by_deg)
            work.did(f"turned by {by_deg:.2f} degrees, so that its lay is 0 (strength {strength:.2f})")
        on_progress("tile", 0, 1)
        tiles, border, advice = _tile(work, lambda done, total: on_progress("tile", done, total))
        found_deg, found = middle_lay(work.height, periodic=tiles)
        off_deg = (found_deg + 90.0) % 180.0 - 90.0
        if best is None or abs(off_deg) < abs(best[0]):
            best = off_deg, found, found_deg, work.height, work.history, tiles, border, advice
        if not aligns or abs(off_deg) <= ALIGNED_WITHIN_DEG or found < LEAST_STRENGTH:
            break
        by_deg -= off_deg
    off_deg, found, found_deg, work.height, work.history, tiles, border, advice = best
    for line in advice:
        work.advise(line)
    if found < LEAST_STRENGTH:
        return 0.0, tiles, border
    lay_deg = round(found_deg, 2) % 180.0
    work.did(f"lay: {lay_deg:.2f} degrees, strength {found:.2f}")
    return (0.0 if aligns and abs(off_deg) <= ALIGNED_WITHIN_DEG else lay_deg), tiles, border


def _tile(work: _Work, on_progress: Callable[[int, int], None]) -> tuple[bool, TileBorder | None, tuple[str, ...]]:
    if work.options.tiling == "none":
        return False, None, ()
    made = make_tileable(work.height, work.texel_mm, work.options.tiling, on_progress=on_progress)
    if made.method != "none" and work.options.form == "none":
        _, plane = remove_form(work.height, work.texel_mm, degree=1)
        if plane.tilt_deg >= LEAST_TOLD_DEG:
            work.did(f"tilt of {plane.tilt_deg:.3g} degrees lost: relief that tiles has none")
    work.height = made.height_mm
    border = tile_border(work.height)
    work.did(
        f"made to tile: {made.method}, {work.height.shape[1]} x {work.height.shape[0]} texels, border "
        f"{max(border.jump_ratio):.2f} in step and {max(border.gradient_ratio):.2f} in slope of the inside"
    )
    work.history += [f"tiling: {note}" for note in made.notes]
    return True, border, made.advice


def _doubt_if_flat(work: _Work) -> None:
    sq_um = UM_PER_MM * float(work.height.std(dtype=np.float64))
    if sq_um < LEAST_SQ_UM:
        work.advise(
            f"its relief has Sq {sq_um:.3g} um; that of skin is above {LEAST_SQ_UM:g} um: is the height in mm? "
            "height_um is in micrometres, 1000 to a mm"
        )


def _level(work: _Work) -> None:
    """Mean to zero, and Sq as wished."""
    work.height, mean_mm = zero_mean(work.height)
    work.did(f"mean taken off: {UM_PER_MM * mean_mm:+.4g} um")
    if work.options.sq_um is None:
        return
    sq_um = UM_PER_MM * float(work.height.std(dtype=np.float64))
    work.height *= np.float32(work.options.sq_um / sq_um)
    work.did(f"height: scaled to Sq {work.options.sq_um:g} um, by wish, not by measure")
