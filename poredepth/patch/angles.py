"""Painted directions: pictures whose grey value is an angle, and whose alpha, where there is one, a strength."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.files import pictures_of_any_size
from poredepth.patch.decode import PNG_SIGNATURE, decode_picture
from poredepth.patch.read import head_of

#: PNG colour type 0: plain grey (PNG specification, third edition, IHDR, byte 25 of the file).
_PNG_GREY, _PNG_COLOUR_TYPE_BYTE = 0, 25
#: Grey painted in a colour picture may differ by this much between its channels: rounding of painting programs.
_GREY_TOLERANCE_CODES = 2
#: Rows of a large picture that are looked at together.
_ROWS_AT_ONCE = 256


@dataclass(frozen=True, eq=False)
class AnglePicture:
    """A painted map of directions.

    Attributes
    ----------
    code : (rows, cols), whole numbers or floats as stored: 0 is along +u, ``full`` is half a turn, anticlockwise
    full : value of a full unit: 255, 65535, ..., 1 for floats
    alpha : uint8 (rows, cols), strength from 0 to 255; None: 1 everywhere
    """

    code: np.ndarray
    full: float
    alpha: np.ndarray | None = None

    def doubled(self, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """exp(2 i angle) x strength, complex128 (n,), and strength, float64 (n,), of pixels."""
        turn = np.exp(2j * np.pi * (self.code[row, col] / self.full))
        strength = np.ones(len(row)) if self.alpha is None else self.alpha[row, col] / 255.0
        return turn * strength, strength


def read_angle_picture(path: Path) -> AnglePicture:
    """Read a painted map of directions.

    Grey pictures as in `read_picture`; PNG may also have alpha, and colour channels that agree.  A step of 8-bit grey
    is 0.7 degrees, so 8 bits are enough; of PNG with alpha or colour no more than 8 are used.

    Raises
    ------
    PatchError : what `read_picture` raises; colour; a picture that is not square, as UV tiles are; floats beyond 0..1
    """
    head = head_of(path)
    is_png = head.startswith(PNG_SIGNATURE) and len(head) > _PNG_COLOUR_TYPE_BYTE
    if is_png and head[_PNG_COLOUR_TYPE_BYTE] != _PNG_GREY:
        picture = _read_png_with_channels(path)
    else:
        code, _ = decode_picture(path, head)
        picture = AnglePicture(code, 1.0 if code.dtype.kind == "f" else float(2 ** (8 * code.dtype.itemsize) - 1))
    code = picture.code
    if code.shape[0] != code.shape[1]:
        raise PatchError(
            f"{path}: a map of directions of {code.shape[1]} x {code.shape[0]} pixels; allowed: a square picture, as "
            "UV tiles are, so that its angles are those in UV"
        )
    low, high = float(code.min()), float(code.max())
    if not (low >= 0 and high <= picture.full):
        raise PatchError(
            f"{path}: values of a map of directions run from {low:g} to {high:g}; allowed: 0 (along +u) to 1 (half a "
            "turn); is this a height map?"
        )
    return picture


def _read_png_with_channels(path: Path) -> AnglePicture:
    from PIL import Image

    try:
        with pictures_of_any_size(), Image.open(path, formats=["PNG"]) as picture:
            return _from_channels(path, picture if picture.mode in ("LA", "RGB", "RGBA") else picture.convert("RGBA"))
    except (OSError, ValueError, SyntaxError) as error:
        raise PatchError(
            f"{path}: the file is truncated or corrupt ({error}); allowed is a whole PNG file; export it anew"
        ) from error


def _from_channels(path: Path, picture) -> AnglePicture:
    width, height = picture.size
    code = np.empty((height, width), np.uint8)
    alpha = np.empty((height, width), np.uint8) if picture.mode[-1] == "A" else None
    n_colours = len(picture.mode) - (alpha is not None)
    for top in range(0, height, _ROWS_AT_ONCE):
        rows = slice(top, min(top + _ROWS_AT_ONCE, height))
        part = np.asarray(picture.crop((0, rows.start, width, rows.stop)))
        colours = [part[..., k] for k in range(n_colours)]
        code[rows] = colours[0]
        off = reduce(np.maximum, colours) - reduce(np.minimum, colours)
        if alpha is not None:
            alpha[rows] = part[..., -1]
            off[alpha[rows] == 0] = 0  # what is not there may have any colour
        if off.max() > _GREY_TOLERANCE_CODES:
            row, col = np.unravel_index(int(off.argmax()), off.shape)
            raise PatchError(
                f"{path}: found colour in a map of directions (row {top + row}, column {col}: channels differ by "
                f"{off.max()} codes); allowed: grey, as the angle is one number; paint it in grey"
            )
    return AnglePicture(code, 255.0, alpha)
