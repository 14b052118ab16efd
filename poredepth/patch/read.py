"""Height pictures from files: values of 0..1, and patches calibrated in millimetres."""

from __future__ import annotations

import hashlib
import math
import os
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.decode import decode_picture
from poredepth.patch.types import (
    MIN_SIDE_PX,
    CoarseHeightWarning,
    HeightPatch,
    PatchChangedWarning,
    PatchOffsetWarning,
    PatchScaleWarning,
    Provenance,
    check_all_finite,
    check_finite_number,
    check_positive,
)
from poredepth.units import UM_PER_MM, mm_from

#: Pixel sizes and roughness of anything from a microscope's picture of skin to a face scan's: own choice, wide.
PLAUSIBLE_TEXEL_UM = (0.5, 1000.0)
PLAUSIBLE_SQ_UM = 2000.0

#: A mean height above this share of Sq is reported: own choice, far above what a levelled patch keeps.
OFFSET_PER_SQ_RATIO = 0.25
#: A mean below 0.01 um moves nothing that a 16-bit map could show.
_LEAST_OFFSET_MM = 1e-5
#: A step picture of a few levels is coarse on purpose.
_MOST_LEVELS_ON_PURPOSE = 16


def read_picture(path: str | os.PathLike, *, height_um: float | None = None) -> np.ndarray:
    """Read one channel of heights from a PNG, TIFF or EXR file.

    Parameters
    ----------
    path : file; its kind is told by its first bytes, not by its name
    height_um : float, um, height of one full unit of the value; if given, 8-bit heights are warned about

    Returns
    -------
    float32 (rows, cols), row 0 at the top, float64 for files with 32-bit codes or 64-bit floats.  Codes of b bits
    become code / (2**b - 1), so 0..1; floats come as stored.

    Raises
    ------
    PatchError : the file is missing, truncated, corrupt or of another kind; it holds colour, a palette, alpha, several
        pages or parts; a value is NaN or infinite

    Warns
    -----
    CoarseHeightWarning : 8-bit codes, also inside a 16-bit file, when ``height_um`` is given

    Examples
    --------
    >>> import numpy as np, tempfile, tifffile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     tifffile.imwrite(folder + "/ramp.tif", np.array([[0, 65535], [13107, 26214]], np.uint16))
    ...     read_picture(folder + "/ramp.tif").tolist() == np.float32([[0, 1], [0.2, 0.4]]).tolist()
    True
    """
    path = Path(path)
    return _scaled(path, decode_picture(path, head_of(path))[0], height_um)


def _scaled(path: Path, values: np.ndarray, height_um: float | None) -> np.ndarray:
    """Codes as shares of the largest code, floats as stored; checked."""
    if values.dtype.kind == "f":
        check_all_finite(str(path), values)
    elif height_um is not None:
        _warn_if_coarse(path, values, height_um)
    return as_shares(values)


def as_shares(values: np.ndarray) -> np.ndarray:
    """Codes as shares of the largest code, floats as stored: float32, of 32-bit codes and 64-bit floats float64."""
    if values.dtype.kind == "f":
        return np.ascontiguousarray(values, dtype=np.float64 if values.dtype.itemsize == 8 else np.float32)
    scaled = values.astype(np.float64 if values.dtype.itemsize == 4 else np.float32, order="C")
    scaled /= 2 ** (8 * values.dtype.itemsize) - 1
    return scaled


def load_patch(  # noqa: PLR0913  (one parameter for each key of a recipe's patch)
    name: str,
    path: str | os.PathLike,
    *,
    texel_um: float,
    height_um: float,
    zero: float = 0.5,
    invert: bool = False,
    lay_deg: float = 0.0,
    periodic: bool = True,
    mask: str | os.PathLike | None = None,
    source: str | None = None,
    licence: str | None = None,
    consent: str | None = None,
    history: Sequence[str] = (),
    sha256: str | None = None,
) -> HeightPatch:
    """Read a height picture as a calibrated patch: height_mm = (value - zero) * height_um / 1000.

    Parameters
    ----------
    name : what the recipe calls the patch
    path : picture, see ``read_picture``; here it may have an alpha channel, not multiplied into the heights
    texel_um : float, um, side of a texel on the skin
    height_um : float, um, height of one full unit of the value (0..1 for codes, 1.0 for floats)
    zero : float, the value that means no displacement
    invert : True if white is inward
    lay_deg : float, degrees anticlockwise from +u, unsigned: the way the relief runs
    periodic : whether the picture continues over its borders; one with alpha or a mask does not
    mask : grey picture of the same size, white where the picture holds relief; with alpha, the lesser of both counts
    source, licence, consent, history : kept as provenance
    sha256 : of the picture these numbers were made for; another picture is warned about

    Returns
    -------
    HeightPatch; the mean is left as calibrated

    Raises
    ------
    PatchError : a number that is not finite or not above 0, fewer than 4 x 4 texels, a mask of another size or with
        values outside 0..1, or what ``read_picture`` raises

    Warns
    -----
    CoarseHeightWarning, PatchOffsetWarning : 8-bit heights; a mean beyond 0.25 Sq, which would move the whole skin
    PatchChangedWarning : a picture other than ``sha256`` says
    """
    path = Path(path)
    where = f"patch '{name}' ({path})"
    check_positive(where, "texel_um", texel_um, "; it is the size of one texel on the skin in micrometres")
    check_positive(where, "height_um", height_um, "; to turn the relief inside out set invert: true")
    check_finite_number(where, "zero", zero)
    check_finite_number(where, "lay_deg", lay_deg)
    stored, alpha = decode_picture(path, head_of(path), with_alpha=True)
    values = _scaled(path, stored, height_um)
    if min(values.shape) < MIN_SIDE_PX:
        raise PatchError(
            f"{where}: found {values.shape[0]} x {values.shape[1]} texels (rows x cols); "
            f"allowed is at least {MIN_SIDE_PX} x {MIN_SIDE_PX}; give a larger piece"
        )
    height_mm = (values.astype(np.float64) - zero) * (-height_um if invert else height_um) / UM_PER_MM
    with np.errstate(over="ignore"):
        check_all_finite(where, height_mm.astype(np.float32))
    for doubt in doubts_of_scale(texel_um, height_mm):
        warnings.warn(f"{where}: {doubt}", PatchScaleWarning, stacklevel=2)
    inside = read_inside(where, path, alpha, mask, values.shape)
    _warn_if_offset(where, height_mm if inside is None else height_mm[inside >= 0.5])
    found = sha256_of(path)
    if sha256 is not None and sha256.lower() != found:
        warnings.warn(
            f"{where}: the picture was changed since its numbers were written (its SHA-256 is {found[:12]}..., stated "
            f"is {sha256[:12]}...); check texel_um, height_um and zero, then state the new one or prepare it again",
            PatchChangedWarning,
            stacklevel=2,
        )
    provenance = Provenance(source, licence, consent, str(path), found, tuple(history))
    tiles = bool(periodic) and inside is None
    return HeightPatch(name, height_mm, mm_from(float(texel_um), "um"), tiles, lay_deg, provenance, inside)


def read_inside(
    where: str, path: Path, alpha: np.ndarray | None, mask: str | os.PathLike | None, shape: tuple[int, int]
) -> np.ndarray | None:
    """Where a picture holds relief, float32, 0 to 1, by its alpha and its mask; None where that is everywhere."""
    parts = [] if alpha is None else [(f"{where}: alpha", _scaled(path, alpha, None))]
    if mask is not None:
        parts.append((f"{where}: mask {mask}", read_picture(mask)))
    for what, part in parts:
        if part.shape != shape:
            raise PatchError(
                f"{what} has {part.shape[1]} x {part.shape[0]} pixels; allowed: those of the picture, "
                f"{shape[1]} x {shape[0]}; export it at the same size"
            )
        if part.min() < -0.01 or part.max() > 1.01:
            raise PatchError(
                f"{what} runs from {part.min():g} to {part.max():g}; allowed: 0 (outside) to 1 (inside); is this a "
                "height map?"
            )
    parts = [np.clip(part, 0, 1).astype(np.float32) for _, part in parts if part.min() < 1]
    if not parts:
        return None
    inside = np.minimum.reduce(parts)
    if not (inside >= 0.5).any():
        raise PatchError(f"{where}: alpha or mask leave nothing inside (0.5 or more); allowed: white where relief is")
    return inside


def head_of(path: Path) -> bytes:
    """First bytes of a file, or PatchError saying why it cannot be opened."""
    try:
        with open(path, "rb") as file:
            return file.read(32)
    except (OSError, ValueError) as error:
        if not os.path.exists(path):
            raise PatchError(
                f"{path}: no such file; allowed is a PNG, TIFF or EXR picture; "
                "a path in a recipe is relative to the recipe's folder"
            ) from error
        raise PatchError(f"{path}: cannot be read ({error}); allowed is a readable file, not a folder") from error


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _warn_if_coarse(path: Path, codes: np.ndarray, height_um: float) -> None:
    """Warn about 8-bit codes, and about 16-bit files that only hold 8-bit codes spread out."""
    if codes.dtype.itemsize == 1:
        stored = "8-bit codes"
    elif are_spread(codes):
        stored = "16-bit codes that are 8-bit ones spread out"
    else:
        return
    warnings.warn(
        f"{path}: found {stored}: one height step is {height_um / 255:.3g} um, too coarse for skin and seen as "
        "terraces; wanted are 16-bit codes or floats; export the heights anew from their source",
        CoarseHeightWarning,
        stacklevel=3,
    )


def are_spread(codes: np.ndarray) -> bool:
    """Whether 16-bit codes are 8-bit ones spread out, more than a step picture has."""
    spread = codes.dtype.itemsize == 2 and any((codes % factor == 0).all() for factor in (257, 256))
    return spread and np.unique(codes).size > _MOST_LEVELS_ON_PURPOSE


def doubts_of_scale(texel_um: float, height_mm: np.ndarray) -> list[str]:
    """What no relief of skin has: most likely a number in another unit."""
    low, high = PLAUSIBLE_TEXEL_UM
    sq_um = UM_PER_MM * float(height_mm.std())
    told = []
    if not low <= texel_um <= high:
        told.append(f"texel_um is {texel_um:g}; pictures of skin have {low:g} to {high:g}")
    if sq_um > PLAUSIBLE_SQ_UM:
        told.append(f"its relief has Sq {sq_um:.4g} um; that of skin is below {PLAUSIBLE_SQ_UM:g} um: check height_um")
    return [f"{what}; both are in micrometres, 1000 to a mm" for what in told]


def _warn_if_offset(where: str, height_mm: np.ndarray) -> None:
    mean_mm, sq_mm = float(height_mm.mean()), float(height_mm.std())
    if abs(mean_mm) <= max(OFFSET_PER_SQ_RATIO * sq_mm, _LEAST_OFFSET_MM) or not math.isfinite(mean_mm):
        return
    warnings.warn(
        f"{where}: the mean height is {mean_mm * UM_PER_MM:+.3g} um with Sq {sq_mm * UM_PER_MM:.3g} um, so the "
        f"whole skin would move by it; wanted is a mean within {OFFSET_PER_SQ_RATIO:g} Sq; set zero to the picture's "
        "mean value",
        PatchOffsetWarning,
        stacklevel=3,
    )
