"""From a file to raw heights: pictures and measured surfaces, with what they say of their size."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.decode import EXR_SIGNATURE, decode_picture, is_picture, kind_of, whole_file
from poredepth.patch.intake.colour import Colour, check_choice, read_colour_tag, to_heights
from poredepth.patch.intake.measured import measured_kind, read_measured
from poredepth.patch.intake.raw import RawPicture
from poredepth.patch.intake.size_tags import read_size_tag
from poredepth.patch.read import are_spread, head_of, read_inside
from poredepth.patch.types import MIN_SIDE_PX

#: Share of an 8-bit code in codes that are 8-bit ones spread out over 16 bits.
_EIGHT_BIT_STEP = 1.0 / 255.0


def read_raw(path: str | os.PathLike, *, colour: Colour = "refuse") -> RawPicture:
    """Read a height picture or a measured surface as it is stored.

    Parameters
    ----------
    path : PNG, TIFF, EXR, X3P or SDF file; its kind is told by its first bytes, not by its name
    colour : what to do with colour, and with grey that is tagged as sRGB: "refuse" it, take the stored numbers as
        heights ("linear"), or take the sRGB curve off first ("srgb")

    Returns
    -------
    RawPicture; infinite values are NaN

    Raises
    ------
    PatchError : the file is missing, truncated, corrupt or of another kind; a palette, several pages or parts; colour
        that ``colour`` does not allow; no library for a measured surface; less than 4 x 4 pixels; no height in it

    Examples
    --------
    >>> import numpy as np, tempfile, tifffile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     codes = np.full((4, 5), 13107, np.uint16)
    ...     tifffile.imwrite(folder + "/a.tif", codes, resolution=(500, 500), resolutionunit=3)
    ...     raw = read_raw(folder + "/a.tif")
    >>> bool(raw.values[0, 0] == np.float32(0.2)), raw.bits, raw.pixel_mm, raw.pixel_from
    (True, 16, (0.02, 0.02), 'TIFF resolution')
    """
    path = Path(path)
    check_choice(str(path), colour)
    head = head_of(path)
    kind = measured_kind(head)
    if kind:
        return _from_surface(path, kind)
    if not is_picture(head):
        raise PatchError(
            f"{path}: found {kind_of(head)}; allowed are PNG, TIFF or EXR pictures and X3P or SDF surfaces; export the "
            "heights anew, from where they were made, in one of these"
        )
    return _from_picture(path, head, colour)


def _from_surface(path: Path, kind: str) -> RawPicture:
    heights_mm, pixel_mm, notes = read_measured(path, kind)
    _check_size(path, heights_mm.shape)
    heights_mm, gaps = _with_gaps(path, heights_mm)
    return RawPicture(
        heights_mm, None, None, pixel_mm, kind, True, None, notes + gaps, pixel_aspect=pixel_mm[1] / pixel_mm[0]
    )


def _from_picture(path: Path, head: bytes, colour: Colour) -> RawPicture:
    stored, alpha = decode_picture(path, head, with_alpha=True, with_colour=True)
    _check_size(path, stored.shape)
    with whole_file(path):
        size, tag = read_size_tag(path, head), read_colour_tag(path, head)
    values, code_step, notes = to_heights(path, stored, tag, colour)
    bits = None if code_step is None else 8 * stored.dtype.itemsize
    if stored.ndim == 2 and bits == 16 and colour != "srgb" and are_spread(stored):
        code_step = _EIGHT_BIT_STEP
        notes += ("codes: 16-bit codes are 8-bit ones spread out",)
    del stored
    values, gaps = _with_gaps(path, values)
    inside = read_inside(str(path), path, alpha, None, values.shape)
    if inside is not None and head.startswith(EXR_SIGNATURE):
        gaps += ("alpha: heights taken as not multiplied by it",)
    return RawPicture(
        values, code_step, bits, size.pixel_mm, size.pixel_from, False, inside, notes + size.notes + gaps,
        pixel_aspect=size.pixel_aspect,
    )  # fmt: skip


def _check_size(path: Path, shape: tuple[int, ...]) -> None:
    if min(shape[:2]) < MIN_SIDE_PX:
        raise PatchError(
            f"{path}: found {shape[0]} x {shape[1]} pixels (rows x cols); allowed is at least {MIN_SIDE_PX} x "
            f"{MIN_SIDE_PX}; give a larger piece"
        )


def _with_gaps(path: Path, values: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Infinite values as NaN, with a note of how much is missing."""
    finite = np.isfinite(values)
    n_missing = values.size - np.count_nonzero(finite)
    if n_missing == 0:
        return values, ()
    if n_missing == values.size:
        raise PatchError(
            f"{path}: no value in it is a finite number; allowed is a picture with heights; export it anew"
        )
    n_infinite = np.count_nonzero(np.isinf(values))
    if n_infinite:
        values = np.where(finite, values, values.dtype.type(np.nan))
    of_these = f", {n_infinite} of them infinite" if n_infinite else ""
    return values, (f"no data: {n_missing} of {values.size} pixels{of_these}",)
