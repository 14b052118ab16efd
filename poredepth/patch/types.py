"""A height patch: relief in millimetres together with its real size, its lay and where it came from."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from poredepth.errors import PatchError, PoredepthWarning

#: Fewest texels a side: the cubic sampler takes 4 x 4 of them.
MIN_SIDE_PX = 4


class CoarseHeightWarning(PoredepthWarning):
    """The picture's codes are so few that one step shows as a terrace on the skin."""


class PatchScaleWarning(PoredepthWarning):
    """The patch is of a size that skin does not have, as by a number in another unit."""


class PatchChangedWarning(PoredepthWarning):
    """The picture is not the one its patch file was written for."""


class PatchOffsetWarning(PoredepthWarning):
    """The patch has a mean height of its own, which would lift or sink the whole skin."""


@dataclass(frozen=True)
class Provenance:
    """Where a patch came from; every field may be unknown (None).

    ``source`` who or what made it, ``licence`` under which terms, ``consent`` of the person shown, ``file`` the path it
    was read from, ``sha256`` of that file's bytes (hexadecimal), ``history`` what was done to the picture, in order.
    """

    source: str | None = None
    licence: str | None = None
    consent: str | None = None
    file: str | None = None
    sha256: str | None = None
    history: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class HeightPatch:
    """A calibrated piece of relief.

    Parameters
    ----------
    name : what the recipe calls it
    height_mm : float32 (rows, cols), mm, + is outward, row 0 at the top; kept as a read-only contiguous copy
    texel_mm : float, mm, side of one square texel; texel i is centred at (i + 0.5) * texel_mm
    periodic : True if the relief continues over its borders
    lay_deg : float, degrees anticlockwise from +u, unsigned direction (a half turn changes nothing)
    provenance : where it came from
    inside : float32 (rows, cols), 0 to 1, where the picture holds relief (its alpha channel or mask); None: everywhere

    Raises
    ------
    PatchError : not a 2-D array, fewer than 4 x 4 texels, a height or the lay not finite, texel_mm not positive; an
        inside of another size, or not from 0 to 1; relief that tiles and has an inside
    """

    name: str
    height_mm: np.ndarray
    texel_mm: float
    periodic: bool = True
    lay_deg: float = 0.0
    provenance: Provenance = field(default_factory=Provenance)
    inside: np.ndarray | None = None

    def __post_init__(self):
        where = f"patch '{self.name}'"
        check_positive(where, "texel_mm", self.texel_mm)
        check_finite_number(where, "lay_deg", self.lay_deg)
        object.__setattr__(self, "height_mm", checked_heights(where, self.height_mm))
        object.__setattr__(self, "texel_mm", float(self.texel_mm))
        object.__setattr__(self, "lay_deg", float(self.lay_deg))
        if self.inside is not None:
            object.__setattr__(self, "inside", _checked_inside(where, self.inside, self.height_mm.shape))
            if self.periodic:
                raise PatchError(f"{where}: has an inside and is periodic; allowed: one of them; set periodic=False")

    @property
    def width_mm(self) -> float:
        """Real size along a row, mm."""
        return self.height_mm.shape[1] * self.texel_mm

    @property
    def height_extent_mm(self) -> float:
        """Real size along a column, mm (the other extent; not a relief height)."""
        return self.height_mm.shape[0] * self.texel_mm

    @property
    def sq_mm(self) -> float:
        """Root mean square height about the mean, mm (Sq of ISO 25178-2)."""
        return float(np.std(self.height_mm, dtype=np.float64))


def _checked_inside(where: str, inside, shape: tuple[int, int]) -> np.ndarray:
    """Copy an inside to a read-only float32 array of the heights' shape, 0 to 1, or raise PatchError."""
    try:
        out = np.array(inside, dtype=np.float32, order="C", copy=True)
    except (TypeError, ValueError) as error:
        raise PatchError(f"{where}: inside is no array of numbers ({error}); give a 2-D array from 0 to 1") from error
    if out.shape != shape:
        raise PatchError(f"{where}: inside has shape {out.shape}; allowed is that of height_mm, {shape}")
    if not (out.min() >= 0 and out.max() <= 1):
        raise PatchError(
            f"{where}: inside runs from {out.min():g} to {out.max():g}; allowed: 0 (outside) to 1 (inside)"
        )
    out.setflags(write=False)
    return out


def checked_heights(where: str, height_mm) -> np.ndarray:
    """Copy heights to a read-only contiguous float32 array, or raise PatchError beginning with ``where``."""
    try:
        heights = np.array(height_mm, dtype=np.float32, order="C", copy=True)
    except (TypeError, ValueError) as error:
        raise PatchError(f"{where}: height_mm is no array of numbers ({error}); give a 2-D array in mm") from error
    if heights.ndim != 2:
        raise PatchError(
            f"{where}: height_mm has {heights.ndim} dimension(s), shape {heights.shape}; "
            "allowed is (rows, cols); take one channel of a picture"
        )
    if min(heights.shape) < MIN_SIDE_PX:
        raise PatchError(
            f"{where}: height_mm has {heights.shape[0]} x {heights.shape[1]} texels (rows x cols); "
            f"allowed is at least {MIN_SIDE_PX} x {MIN_SIDE_PX}; give a larger piece"
        )
    check_all_finite(where, heights)
    heights.setflags(write=False)
    return heights


def float_picture(where: str, height_mm) -> np.ndarray:
    """Heights as a float32 or float64 (rows, cols) array, not copied where they are one; PatchError otherwise.

    Whether they are finite is not looked at.
    """
    try:
        heights = np.asarray(height_mm)
        heights = heights if heights.dtype in (np.float32, np.float64) else heights.astype(np.float64)
    except (TypeError, ValueError) as error:
        raise PatchError(f"{where}: height_mm is no array of numbers ({error}); give a 2-D array in mm") from error
    if heights.ndim != 2 or min(heights.shape) < MIN_SIDE_PX:
        raise PatchError(
            f"{where}: height_mm has shape {heights.shape}; allowed is (rows, cols) of at least {MIN_SIDE_PX} texels "
            "each; give a larger piece"
        )
    return heights


def check_all_finite(where: str, values: np.ndarray) -> None:
    """Raise PatchError naming how many values are NaN or infinite, and the first of them (row, col)."""
    finite = np.isfinite(values)
    if finite.all():
        return
    row, col = np.unravel_index(int(np.argmin(finite)), values.shape)
    raise PatchError(
        f"{where}: {np.count_nonzero(~finite)} value(s) are NaN or infinite, the first at row {row}, col {col}; "
        "allowed are finite heights; fill the holes or cut the piece smaller"
    )


def check_finite_number(where: str, key: str, value) -> None:
    """Raise PatchError unless ``value`` is a finite number."""
    try:
        is_finite = math.isfinite(value)
    except TypeError:
        is_finite = False
    if not is_finite:
        raise PatchError(f"{where}: {key} is {value!r}; allowed is a finite number")


def check_positive(where: str, key: str, value, hint: str = "") -> None:
    """Raise PatchError unless ``value`` is a finite number above zero; ``hint`` is added to the message."""
    check_finite_number(where, key, value)
    if not value > 0:
        raise PatchError(f"{where}: {key} is {value!r}; allowed is a number above 0{hint}")
