"""Calibration: heights in millimetres to the values of a file, and back.

One formula for every format, ``height_mm = (value - mid) * scale_mm``, where ``value`` is the stored float itself, or
``code / 65535`` of a 16-bit file.  The zero of a 16-bit file is always a real code: no code equals 0.5, so a mid of
0.5 becomes 32768/65535, and a texel of zero height decodes to exactly zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from poredepth.errors import CalibrationError
from poredepth.units import MM_PER_UNIT, UM_PER_MM, UNITS, mm_to

MapFormat = Literal["exr-float", "tiff-16", "png-16"]
FORMATS: tuple[str, ...] = get_args(MapFormat)

CODE_MAX = 65535
#: A float map may not lose more than this when written and read back (or one float32 step of the height, if larger).
FLOAT_TOLERANCE_MM = 1e-6
#: Leading digits of a fitted scale: numbers a person can type into a renderer without a mistake.
FRIENDLY_DIGITS = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8)


@dataclass(frozen=True)
class Calibration:
    """How values of one file mean millimetres: ``height_mm = (value - mid) * scale_mm``.

    Parameters
    ----------
    format : str, one of ``FORMATS``
    mid : float, the value of zero height; 16-bit: a real code divided by 65535, first and last code left out
    scale_mm : float, mm for one full unit of value, > 0
    unit : str, one of ``UNITS``; what ``scale_in_unit`` is expressed in, the formula stays in mm
    fitted : bool, the scale was chosen from the heights

    Raises
    ------
    CalibrationError : a part is outside what is allowed.
    """

    format: str
    mid: float
    scale_mm: float
    unit: str
    fitted: bool

    def __post_init__(self):
        _check_one_of("format", self.format, FORMATS)
        _check_one_of("unit", self.unit, UNITS)
        if not (math.isfinite(self.scale_mm) and self.scale_mm > 0):
            raise CalibrationError(f"scale_mm: got {self.scale_mm!r}, allowed is a finite number above 0")
        if not math.isfinite(self.mid):
            raise CalibrationError(f"mid: got {self.mid!r}, allowed is a finite number")
        if not self.is_float and self.mid != _code_of(self.mid) / CODE_MAX:
            raise CalibrationError(
                f"mid: got {self.mid!r}, which no 16-bit code holds; the nearest is {_code_of(self.mid)}/{CODE_MAX} "
                f"(fit_calibration chooses it)"
            )

    @property
    def is_float(self) -> bool:
        """True when the file holds floats, False for 16-bit codes."""
        return self.format == "exr-float"

    @property
    def is_identity(self) -> bool:
        """True when the values written are the heights in millimetres themselves."""
        return self.is_float and self.mid == 0.0 and self.scale_mm == 1.0

    @property
    def dtype(self) -> np.dtype:
        """Type of the values in the file: float32 or uint16."""
        return np.dtype(np.float32 if self.is_float else np.uint16)

    @property
    def mid_code(self) -> int | None:
        """The 16-bit code of zero height; None for a float file."""
        return None if self.is_float else _code_of(self.mid)

    @property
    def code_step_um(self) -> float | None:
        """Height of one code step in micrometres; None for a float file."""
        return None if self.is_float else self.scale_mm * UM_PER_MM / CODE_MAX

    @property
    def scale_in_unit(self) -> float:
        """``scale_mm`` expressed in ``unit``: what a renderer working in that unit is told."""
        return mm_to(self.scale_mm, self.unit)

    @property
    def formula(self) -> str:
        """The formula with its numbers, exact: ``value`` is the stored float, ``code`` the stored 16-bit number."""
        value = "value" if self.is_float else f"code / {CODE_MAX}"
        return f"height_mm = ({value} - {self.mid!r}) * {self.scale_mm!r}"

    @property
    def reach_mm(self) -> tuple[float, float]:
        """Lowest and highest height the file can hold, in mm (infinite for a float file)."""
        if self.is_float:
            return -math.inf, math.inf
        step_mm = self.scale_mm / CODE_MAX
        return -self.mid_code * step_mm, (CODE_MAX - self.mid_code) * step_mm


def fit_calibration(
    format: str,
    unit: str,
    low_mm: float,
    high_mm: float,
    *,
    mid: float | None = None,
    scale_mm: float | None = None,
    headroom: float = 0.05,
) -> Calibration:
    """Choose the calibration for heights from ``low_mm`` to ``high_mm``.

    Parameters
    ----------
    format, unit : see ``Calibration``
    low_mm, high_mm : float, mm, lowest and highest height of the map
    mid : float, value of zero height; default 0.0 (float) or 0.5 (16-bit).  Snapped to the nearest number the file can
        hold: a float32, or a code (half up: 0.5 becomes 32768/65535)
    scale_mm : float, mm, taken as it is; default: one unit (float), or the smallest friendly number that holds the
        range (16-bit; 1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8 times a power of ten; 1 mm for a flat map)
    headroom : float, >= 0, share by which a fitted scale must exceed the range on each side of mid

    Raises
    ------
    CalibrationError : an argument is outside what is allowed, or a given scale would clip or round the heights away.

    Source: own derivation.
    """
    _check_one_of("format", format, FORMATS)
    _check_one_of("unit", unit, UNITS)
    _check_range(low_mm, high_mm, headroom)
    if format == "exr-float":
        mid = float(np.float32(0.0 if mid is None else mid))
        scale_mm = MM_PER_UNIT[unit] if scale_mm is None else float(scale_mm)
        calibration = Calibration(format, mid, scale_mm, unit, fitted=False)
        _check_float_precision(calibration, low_mm, high_mm)
        return calibration
    mid_code = _inner_code(0.5 if mid is None else mid)
    fitted = scale_mm is None
    if fitted:
        scale_mm = _fitted_scale_mm(mid_code, low_mm * (1.0 + headroom), high_mm * (1.0 + headroom))
    calibration = Calibration(format, mid_code / CODE_MAX, float(scale_mm), unit, fitted)
    _check_reach(calibration, low_mm, high_mm)
    return calibration


def encode(height_mm: np.ndarray, calibration: Calibration, *, first_row: int = 0) -> np.ndarray:
    """Turn a block of heights into the values of the file.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, + is outward; any block of rows of the map
    calibration : Calibration
    first_row : int, row of the map the block starts at; used in messages only

    Returns
    -------
    float32 (rows, cols), or uint16 (rows, cols) rounded to the nearest code, ties to the even one.  The heights
    themselves, not a copy, when the calibration is an identity and they are float32.

    Raises
    ------
    CalibrationError : a height is not finite, or lies more than half a code outside what the file can hold.

    Source: own derivation.
    """
    height_mm = np.asarray(height_mm)
    if height_mm.size == 0:
        return np.zeros(height_mm.shape, calibration.dtype)
    # a nan or an infinity always shows in the extremes, so the mask is built only when there is something to report
    if not (math.isfinite(height_mm.min()) and math.isfinite(height_mm.max())):
        _raise_at(
            ~np.isfinite(height_mm), height_mm, first_row, "is not finite; a height map holds finite numbers only"
        )
    if calibration.is_identity:
        return height_mm.astype(np.float32, copy=False)
    if calibration.is_float:
        value = np.multiply(height_mm, 1.0 / calibration.scale_mm, dtype=np.float64)
        value += calibration.mid
        return value.astype(np.float32)
    code = np.multiply(height_mm, CODE_MAX / calibration.scale_mm, dtype=np.float64)
    code += calibration.mid_code
    if code.min() < -0.5 or code.max() > CODE_MAX + 0.5:
        low_mm, high_mm = calibration.reach_mm
        _raise_at(
            (code < -0.5) | (code > CODE_MAX + 0.5),
            height_mm,
            first_row,
            f"would clip: a scale of {calibration.scale_mm:g} mm about code {calibration.mid_code} holds "
            f"{low_mm:.6g} to {high_mm:.6g} mm; use a larger scale_mm, or leave it out to have it fitted",
        )
    np.rint(code, out=code)
    return np.clip(code, 0, CODE_MAX, out=code).astype(np.uint16)


def decode(values: np.ndarray, calibration: Calibration) -> np.ndarray:
    """Turn values of a file back into heights.

    Parameters
    ----------
    values : float32 or uint16 (rows, cols), any block of rows
    calibration : Calibration

    Returns
    -------
    float32 (rows, cols), mm; worked out in float64.  The values themselves when the calibration is an identity.

    Raises
    ------
    CalibrationError : the type of the values is not the type of the format.

    Source: own derivation.
    """
    values = np.asarray(values)
    if values.dtype != calibration.dtype:
        raise CalibrationError(
            f"values: got {values.dtype}, {calibration.format} holds {calibration.dtype}; "
            f"the file was changed, or the calibration belongs to another one"
        )
    if calibration.is_identity:
        return values
    if calibration.is_float:
        # mid as the file holds it, so that zero height is exactly zero even for a mid that float32 cannot hold
        height_mm = values.astype(np.float64) - float(np.float32(calibration.mid))
        height_mm *= calibration.scale_mm
    else:
        height_mm = values.astype(np.float64) - calibration.mid_code
        height_mm *= calibration.scale_mm / CODE_MAX
    return height_mm.astype(np.float32)


def tolerance_mm(height_mm: np.ndarray, calibration: Calibration) -> np.ndarray:
    """What writing and reading back may change each height by: half a step, or 1e-6 mm for a float file.

    Never below one float32 step of the height itself, the precision heights travel with.  Same shape as
    ``height_mm``; mm.
    """
    floor_mm = FLOAT_TOLERANCE_MM if calibration.is_float else 0.5 * calibration.scale_mm / CODE_MAX
    step_mm = np.spacing(np.abs(np.asarray(height_mm, np.float32)))
    return np.maximum(step_mm, floor_mm) if calibration.is_float else step_mm + np.float64(floor_mm)


def _code_of(value: float) -> int:
    # half up, not half to even: 0.5 is 32767.5 codes and must become 32768
    return math.floor(value * CODE_MAX + 0.5)


def _inner_code(mid: float) -> int:
    code = _code_of(mid) if math.isfinite(mid) else -1
    if not 0 < code < CODE_MAX:
        raise CalibrationError(
            f"mid: got {mid!r} (code {code}), allowed is 1/{CODE_MAX} to {CODE_MAX - 1}/{CODE_MAX}, "
            f"so that heights fit on both sides; 0.5 is usual"
        )
    return code


def _friendly_at_least(needed_mm: float) -> float:
    exponent = math.floor(math.log10(needed_mm)) - 1
    while True:
        for digits in FRIENDLY_DIGITS:
            # from its decimal text, so that the number prints as it is meant
            scale_mm = float(f"{digits}e{exponent}")
            if scale_mm >= needed_mm:
                return scale_mm
        exponent += 1


def _needed_scale_mm(mid_code: int, low_mm: float, high_mm: float) -> float:
    below = -low_mm * CODE_MAX / mid_code
    above = high_mm * CODE_MAX / (CODE_MAX - mid_code)
    return max(below, above, 0.0)


def _fitted_scale_mm(mid_code: int, low_mm: float, high_mm: float) -> float:
    needed_mm = _needed_scale_mm(mid_code, low_mm, high_mm)
    return _friendly_at_least(needed_mm) if needed_mm > 0.0 else 1.0


def _check_one_of(name: str, found: str, allowed: tuple[str, ...]) -> None:
    if found not in allowed:
        raise CalibrationError(f"{name}: got {found!r}, allowed is one of {', '.join(allowed)}")


def _check_range(low_mm: float, high_mm: float, headroom: float) -> None:
    if not (math.isfinite(low_mm) and math.isfinite(high_mm) and low_mm <= high_mm):
        raise CalibrationError(f"range: got {low_mm!r} to {high_mm!r} mm, allowed is a finite low <= a finite high")
    if not (math.isfinite(headroom) and headroom >= 0):
        raise CalibrationError(f"headroom: got {headroom!r}, allowed is a finite number >= 0")


def _check_reach(calibration: Calibration, low_mm: float, high_mm: float) -> None:
    reach_low_mm, reach_high_mm = calibration.reach_mm
    half_step_mm = 0.5 * calibration.scale_mm / CODE_MAX
    if low_mm >= reach_low_mm - half_step_mm and high_mm <= reach_high_mm + half_step_mm:
        return
    needed_mm = _needed_scale_mm(calibration.mid_code, low_mm, high_mm)
    raise CalibrationError(
        f"scale_mm: heights from {low_mm:.6g} to {high_mm:.6g} mm do not fit a scale of {calibration.scale_mm:g} mm "
        f"about code {calibration.mid_code}, which holds {reach_low_mm:.6g} to {reach_high_mm:.6g} mm; needs at least "
        f"{needed_mm:.6g} mm ({_friendly_at_least(needed_mm):g} is the next round number)"
    )


def _check_float_precision(calibration: Calibration, low_mm: float, high_mm: float) -> None:
    reach_mm = max(abs(low_mm), abs(high_mm))
    largest_value = np.float32(abs(calibration.mid) + reach_mm / calibration.scale_mm)
    error_mm = 0.5 * float(np.spacing(largest_value)) * calibration.scale_mm
    allowed_mm = max(FLOAT_TOLERANCE_MM, float(np.spacing(np.float32(reach_mm))))
    if not error_mm <= allowed_mm:
        raise CalibrationError(
            f"mid: {calibration.mid!r} with a scale of {calibration.scale_mm:g} mm rounds heights by up to "
            f"{error_mm:.3g} mm in float32, allowed is {allowed_mm:.3g} mm; use a mid near 0"
        )


def _raise_at(bad: np.ndarray, height_mm: np.ndarray, first_row: int, why: str) -> None:
    place = np.unravel_index(int(np.argmax(bad)), bad.shape)
    found = float(height_mm[place])
    where = f"row {first_row + int(place[0])}" + (f", col {int(place[1])}" if len(place) > 1 else "")
    raise CalibrationError(f"height_mm: {np.count_nonzero(bad)} texel(s), first at {where} ({found:.6g} mm): {why}")
