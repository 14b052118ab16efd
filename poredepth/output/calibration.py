"""Calibration: heights in millimetres to the values of a file, and back.

One formula for every format, ``height_mm = (value - mid) * scale_mm``, where ``value`` is the stored float itself, or
``code / 65535`` of a 16-bit file.  The zero of a 16-bit file is always a real code: no code equals 0.5, so a mid of
0.5 becomes 32768/65535, and a texel of zero height decodes to exactly zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.errors import CalibrationError
from poredepth.output.formats import FILE_FORMATS, FORMATS, FileFormat, encoding_name
from poredepth.units import MM_PER_UNIT, UM_PER_MM, UNITS

CODE_MAX = 65535
#: Largest finite half (Imath, half.h).
HALF_MAX = 65504.0
#: The one below it; numpy gives no step above the last.
HALF_BELOW_MAX = 65472.0
#: A float map may not lose more than this when written and read back (or one float32 step of the height, if larger).
FLOAT_TOLERANCE_MM = 1e-6
#: A unit that is none of ``UNITS``: so many millimetres as the recipe's scene_unit says.
SCENE = "scene"


@dataclass(frozen=True)
class Calibration:
    """How values of one file mean millimetres: ``height_mm = (value - mid) * scale_mm``.

    Parameters
    ----------
    format : str, one of ``FORMATS``
    mid : float, the value of zero height; 16-bit: a real code divided by 65535, first and last code left out
    scale_mm : float, mm for one full unit of value, > 0
    unit : str, one of ``UNITS``, or ``scene``; what ``scale_in_unit`` is expressed in, the formula stays in mm
    fitted : bool, the scale was chosen from the heights
    unit_mm : float, mm in one unit; needed for ``scene`` only
    clips : bool, heights that do not fit are limited; otherwise they are an error

    Raises
    ------
    CalibrationError : a part is outside what is allowed.
    """

    format: str
    mid: float
    scale_mm: float
    unit: str
    fitted: bool
    unit_mm: float | None = None
    clips: bool = False

    def __post_init__(self):
        check_one_of("format", self.format, FORMATS)
        object.__setattr__(self, "unit_mm", mm_per_unit(self.unit, self.unit_mm))
        if not (math.isfinite(self.scale_mm) and self.scale_mm > 0):
            raise CalibrationError(f"scale_mm: got {self.scale_mm!r}, allowed is a finite number above 0")
        if not math.isfinite(self.mid):
            raise CalibrationError(f"mid: got {self.mid!r}, allowed is a finite number")
        if self.is_half and self.mid != 0.0:
            raise CalibrationError(
                f"mid: got {self.mid!r}, allowed is 0 for {self.format}: halves are finest about 0 and coarse about "
                f"0.5; leave mid out, or use a 16-bit or a float format"
            )
        if not self.is_float and self.mid != code_of(self.mid) / CODE_MAX:
            raise CalibrationError(
                f"mid: got {self.mid!r}, which no 16-bit code holds; the nearest is {code_of(self.mid)}/{CODE_MAX} "
                f"(fit_calibration chooses it)"
            )

    @property
    def file_format(self) -> FileFormat:
        return FILE_FORMATS[self.format]

    @property
    def is_float(self) -> bool:
        """True when the file holds floats (of 32 or 16 bits), False for 16-bit codes."""
        return self.file_format.is_float

    @property
    def is_half(self) -> bool:
        """True when the file holds floats of 16 bits."""
        return self.file_format.numbers == "half"

    @property
    def is_identity(self) -> bool:
        """True when the values written are the heights in millimetres themselves, as float32."""
        return self.is_float and not self.is_half and self.mid == 0.0 and self.scale_mm == 1.0

    @property
    def encoding(self) -> str:
        """Type of the values and what zero is: float-zero, half-zero, u16-mid, float-mid."""
        return encoding_name(self.format, self.mid)

    @property
    def dtype(self) -> np.dtype:
        """Type of the values in the file: float32, float16 or uint16."""
        return self.file_format.dtype

    @property
    def mid_code(self) -> int | None:
        """The 16-bit code of zero height; None for a float file."""
        return None if self.is_float else code_of(self.mid)

    @property
    def code_step_um(self) -> float | None:
        """Height of one code step in micrometres; None for a float file."""
        return None if self.is_float else self.scale_mm * UM_PER_MM / CODE_MAX

    def largest_step_um(self, low_mm: float, high_mm: float) -> float | None:
        """Largest step between two neighbouring values from ``low_mm`` to ``high_mm``; None for 32-bit floats."""
        if not self.is_half:
            return self.code_step_um
        reach = min(max(abs(low_mm), abs(high_mm)) / self.scale_mm, HALF_BELOW_MAX)
        return float(np.spacing(np.float16(reach))) * self.scale_mm * UM_PER_MM

    @property
    def quantity_unit(self) -> str:
        """mm: what heights are in."""
        return "mm"

    @property
    def scale_in_unit(self) -> float:
        """``scale_mm`` expressed in ``unit``: what a renderer working in that unit is told."""
        return self.scale_mm / self.unit_mm

    @property
    def formula(self) -> str:
        """The formula with its numbers, exact: ``value`` is the stored float, ``code`` the stored 16-bit number."""
        value = "value" if self.is_float else f"code / {CODE_MAX}"
        return f"height_mm = ({value} - {self.mid!r}) * {self.scale_mm!r}"

    @property
    def reach_mm(self) -> tuple[float, float]:
        """Lowest and highest height the file can hold, in mm (infinite for 32-bit floats)."""
        if self.is_half:
            return -HALF_MAX * self.scale_mm, HALF_MAX * self.scale_mm
        if self.is_float:
            return -math.inf, math.inf
        step_mm = self.scale_mm / CODE_MAX
        return -self.mid_code * step_mm, (CODE_MAX - self.mid_code) * step_mm

    @property
    def holds_mm(self) -> tuple[float, float]:
        """Lowest and highest height that is not clipped: half a code beyond what the file can hold."""
        low_mm, high_mm = self.reach_mm
        half_step_mm = 0.0 if self.is_float else 0.5 * self.scale_mm / CODE_MAX
        return low_mm - half_step_mm, high_mm + half_step_mm

    def encode(self, height_mm: np.ndarray, first_row: int = 0) -> np.ndarray:
        """See `encode`."""
        return encode(height_mm, self, first_row=first_row)

    def decode(self, values: np.ndarray) -> np.ndarray:
        """See `decode`."""
        return decode(values, self)

    def tolerance(self, height_mm: np.ndarray) -> np.ndarray:
        """See `tolerance_mm`."""
        return tolerance_mm(height_mm, self)

    def meant(self, height_mm: np.ndarray) -> np.ndarray:
        """The heights as the file is to hold them: limited to its reach if that is allowed."""
        return np.clip(height_mm, *self.reach_mm) if self.clips else height_mm


def encode(height_mm: np.ndarray, calibration: Calibration, *, first_row: int = 0) -> np.ndarray:
    """Turn a block of heights into the values of the file.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, + is outward; any block of rows of the map
    calibration : Calibration
    first_row : int, row of the map the block starts at; used in messages only

    Returns
    -------
    float32 or float16 (rows, cols), or uint16 (rows, cols), rounded to the nearest, ties to the even one.  The heights
    themselves, not a copy, when the calibration is an identity and they are float32.

    Raises
    ------
    CalibrationError : a height is not finite, or lies more than half a code outside what the file can hold (unless the
        calibration clips).

    Source: own derivation.
    """
    height_mm = np.asarray(height_mm)
    if height_mm.size == 0:
        return np.zeros(height_mm.shape, calibration.dtype)
    # a nan or an infinity always shows in the extremes, so the mask is built only when there is something to report
    low_mm, high_mm = height_mm.min(), height_mm.max()
    if not (math.isfinite(low_mm) and math.isfinite(high_mm)):
        _raise_at(
            ~np.isfinite(height_mm), height_mm, first_row, "is not finite; a height map holds finite numbers only"
        )
    if calibration.is_identity:
        return height_mm.astype(np.float32, copy=False)
    least_mm, most_mm = calibration.holds_mm
    if not calibration.clips and not (low_mm >= least_mm and high_mm <= most_mm):
        _raise_clipped(height_mm, calibration, first_row)
    if calibration.is_float:
        value = np.multiply(height_mm, 1.0 / calibration.scale_mm, dtype=np.float64)
        value += calibration.mid
        if calibration.is_half:
            np.clip(value, -HALF_MAX, HALF_MAX, out=value)
        return value.astype(calibration.dtype)
    code = np.multiply(height_mm, CODE_MAX / calibration.scale_mm, dtype=np.float64)
    code += calibration.mid_code
    np.rint(code, out=code)
    return np.clip(code, 0, CODE_MAX, out=code).astype(np.uint16)


def decode(values: np.ndarray, calibration: Calibration) -> np.ndarray:
    """Turn values of a file back into heights.

    Parameters
    ----------
    values : float32, float16 or uint16 (rows, cols), any block of rows
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
    """What writing and reading back may change each height by: half a step, or 1e-6 mm for a 32-bit float file.

    Never below one float32 step of the height itself, the precision heights travel with.  Same shape as
    ``height_mm``; mm.
    """
    step_mm = np.spacing(np.abs(np.asarray(height_mm, np.float32)))
    if calibration.is_half:
        value = np.minimum(np.abs(height_mm) / calibration.scale_mm, HALF_BELOW_MAX).astype(np.float16)
        return step_mm + 0.5 * np.spacing(value).astype(np.float64) * calibration.scale_mm
    if calibration.is_float:
        return np.maximum(step_mm, FLOAT_TOLERANCE_MM)
    return step_mm + np.float64(0.5 * calibration.scale_mm / CODE_MAX)


def code_of(value: float) -> int:
    # half up, not half to even: 0.5 is 32767.5 codes and must become 32768
    return math.floor(value * CODE_MAX + 0.5)


def check_one_of(name: str, found: str, allowed: tuple[str, ...]) -> None:
    if found not in allowed:
        raise CalibrationError(f"{name}: got {found!r}, allowed is one of {', '.join(allowed)}")


def mm_per_unit(unit: str, unit_mm: float | None) -> float:
    if unit != SCENE:
        check_one_of("unit", unit, (*UNITS, SCENE))
        return MM_PER_UNIT[unit]
    if unit_mm is None or not (math.isfinite(unit_mm) and unit_mm > 0):
        raise CalibrationError(f"unit: scene needs the millimetres in one scene unit, above 0; got {unit_mm!r}")
    return float(unit_mm)


def _raise_clipped(height_mm: np.ndarray, calibration: Calibration, first_row: int) -> None:
    low_mm, high_mm = calibration.reach_mm
    least_mm, most_mm = calibration.holds_mm
    about = "0" if calibration.is_half else f"code {calibration.mid_code}"
    _raise_at(
        (height_mm < least_mm) | (height_mm > most_mm),
        height_mm,
        first_row,
        f"would clip: a scale of {calibration.scale_mm:g} mm about {about} holds {low_mm:.6g} to {high_mm:.6g} mm; "
        f"use a larger scale_mm, leave it out to have it fitted, or allow clipping",
    )


def _raise_at(bad: np.ndarray, height_mm: np.ndarray, first_row: int, why: str) -> None:
    place = np.unravel_index(int(np.argmax(bad)), bad.shape)
    found = float(height_mm[place])
    where = f"row {first_row + int(place[0])}" + (f", col {int(place[1])}" if len(place) > 1 else "")
    raise CalibrationError(f"height_mm: {np.count_nonzero(bad)} texel(s), first at {where} ({found:.6g} mm): {why}")
