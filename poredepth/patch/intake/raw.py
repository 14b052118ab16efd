"""A picture or a measured surface as it came out of its file, before anything is made of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.types import MIN_SIDE_PX


@dataclass(frozen=True, eq=False)
class RawPicture:
    """Raw heights and what their file says of them.

    Attributes
    ----------
    values : float32 (rows, cols), read-only, row 0 at the top; float64 for 32-bit codes, 64-bit floats and measured
        surfaces.  Codes of b bits are code / (2**b - 1), floats as stored, measured surfaces mm; NaN where no data is
    code_step : float, one code in units of the value; None for floats
    bits : int, of one code; None for floats
    pixel_mm : (x, y), mm, the real size of a pixel that the file itself states; None if it states none to be believed
    pixel_from : "pHYs", "TIFF resolution", "xDensity", "X3P", "SDF", or "" without a size
    in_mm : True if the values are heights in mm
    inside : float32 (rows, cols), 0 to 1, read-only, where the picture holds relief (its alpha); None: everywhere
    notes : what was done on the way in, one line each, each begun by its matter ("colour: ", "size tag: ")
    pixel_aspect : height of a pixel over its width, also where the size is not known
    """

    values: np.ndarray
    code_step: float | None
    bits: int | None
    pixel_mm: tuple[float, float] | None
    pixel_from: str
    in_mm: bool
    inside: np.ndarray | None
    notes: tuple[str, ...]
    pixel_aspect: float = 1.0

    def __post_init__(self):
        self.values.setflags(write=False)
        if self.inside is not None:
            self.inside.setflags(write=False)


def crop_px(raw: RawPicture, box_px: tuple[int, int, int, int], where: str) -> RawPicture:
    """Cut a piece out of a picture.

    Parameters
    ----------
    raw : RawPicture
    box_px : (x, y, width, height), whole pixels, x and y from the left and the top edge of the picture
    where : what errors begin with

    Returns
    -------
    RawPicture of a copy of the piece, with a note of it

    Raises
    ------
    PatchError : no four whole numbers, a piece beyond the picture or smaller than 4 x 4 pixels
    """
    rows, cols = raw.values.shape
    try:
        x, y, width, height = (int(number) for number in box_px)
        is_whole = all(float(number).is_integer() for number in box_px)
    except (TypeError, ValueError, OverflowError):
        is_whole = False
    if not is_whole:
        raise PatchError(
            f"{where}: crop is {box_px!r}; allowed are four whole numbers of pixels: x, y of its top-left corner, its "
            "width and height"
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PatchError(
            f"{where}: crop is {width} x {height} pixels; allowed is at least {MIN_SIDE_PX} x {MIN_SIDE_PX}; crop is "
            "x, y, width, height, not a second corner"
        )
    if x < 0 or y < 0 or x + width > cols or y + height > rows:
        raise PatchError(
            f"{where}: crop reaches from x {x} to {x + width} and from y {y} to {y + height}; the picture has "
            f"{cols} x {rows} pixels; allowed is a piece inside it; x and y count from its top-left corner"
        )
    piece = (slice(y, y + height), slice(x, x + width))
    return replace(
        raw,
        values=raw.values[piece].copy(),
        inside=None if raw.inside is None else raw.inside[piece].copy(),
        notes=(*raw.notes, f"crop: {width} x {height} pixels from x {x}, y {y} of {cols} x {rows}"),
    )
