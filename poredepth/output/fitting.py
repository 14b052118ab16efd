"""The calibration that suits some heights: mid, and a scale a person can type without a mistake."""

from __future__ import annotations

import math

import numpy as np

from poredepth.errors import CalibrationError
from poredepth.output.calibration import (
    CODE_MAX,
    FLOAT_TOLERANCE_MM,
    HALF_MAX,
    Calibration,
    check_one_of,
    code_of,
    mm_per_unit,
)
from poredepth.output.formats import FILE_FORMATS, FORMATS
from poredepth.units import UNITS

#: Leading digits of a fitted scale: numbers a person can type into a renderer without a mistake.
FRIENDLY_DIGITS = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8)
#: Halves keep 11 digits down to 2^-14 of the scale; up to this scale that is a height of less than 1 um.
HALF_SCALE_UP_TO_MM = 16.0


def fit_calibration(  # noqa: PLR0913  (what is stated, and the heights it is fitted to)
    format: str,
    unit: str,
    low_mm: float,
    high_mm: float,
    *,
    mid: float | None = None,
    scale_mm: float | None = None,
    headroom: float = 0.05,
    unit_mm: float | None = None,
    clips: bool = False,
) -> Calibration:
    """Choose the calibration for heights from ``low_mm`` to ``high_mm``.

    Parameters
    ----------
    format, unit, unit_mm, clips : see ``Calibration``
    low_mm, high_mm : float, mm, lowest and highest height of the map
    mid : float, value of zero height; default 0.0 (float) or 0.5 (16-bit).  Snapped to the nearest number the file can
        hold: a float32, or a code (half up: 0.5 becomes 32768/65535)
    scale_mm : float, mm, taken as it is; default: one unit (float; 1 mm for halves of a unit above 16 mm, which would
        lose digits), or the smallest friendly number that holds the range (16-bit; 1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8
        times a power of ten, in mm, or in inches or scene units if that is the unit; one of them for a flat map)
    headroom : float, >= 0, share by which a fitted scale must exceed the range on each side of mid

    Raises
    ------
    CalibrationError : an argument is outside what is allowed, or a given scale would clip or round the heights away.

    Source: own derivation.
    """
    check_one_of("format", format, FORMATS)
    unit_mm = mm_per_unit(unit, unit_mm)
    _check_range(low_mm, high_mm, headroom)
    if FILE_FORMATS[format].is_float:
        mid = float(np.float32(0.0 if mid is None else mid))
        if scale_mm is None:
            is_half = FILE_FORMATS[format].numbers == "half"
            scale_mm = 1.0 if is_half and unit_mm > HALF_SCALE_UP_TO_MM else unit_mm
        calibration = Calibration(format, mid, float(scale_mm), unit, fitted=False, unit_mm=unit_mm, clips=clips)
        if calibration.is_half:
            _check_reach(calibration, low_mm, high_mm)
        else:
            _check_float_precision(calibration, low_mm, high_mm)
        return calibration
    mid_code = _inner_code(0.5 if mid is None else mid)
    fitted = scale_mm is None
    if fitted:
        # a tenth, hundredth, ... of a millimetre is as friendly in one metric unit as in the other
        friendly_in_mm = 1.0 if unit in UNITS and unit != "in" else unit_mm
        scale_mm = _fitted_scale_mm(mid_code, low_mm * (1.0 + headroom), high_mm * (1.0 + headroom), friendly_in_mm)
    calibration = Calibration(format, mid_code / CODE_MAX, float(scale_mm), unit, fitted, unit_mm, clips)
    _check_reach(calibration, low_mm, high_mm)
    return calibration


def _inner_code(mid: float) -> int:
    code = code_of(mid) if math.isfinite(mid) else -1
    if not 0 < code < CODE_MAX:
        raise CalibrationError(
            f"mid: got {mid!r} (code {code}), allowed is 1/{CODE_MAX} to {CODE_MAX - 1}/{CODE_MAX}, "
            f"so that heights fit on both sides; 0.5 is usual"
        )
    return code


def friendly_at_least(needed: float) -> float:
    exponent = math.floor(math.log10(needed)) - 1
    while True:
        for digits in FRIENDLY_DIGITS:
            # from its decimal text, so that the number prints as it is meant
            scale = float(f"{digits}e{exponent}")
            if scale >= needed:
                return scale
        exponent += 1


def _needed_scale_mm(mid_code: int, low_mm: float, high_mm: float) -> float:
    below = -low_mm * CODE_MAX / mid_code
    above = high_mm * CODE_MAX / (CODE_MAX - mid_code)
    return max(below, above, 0.0)


def _fitted_scale_mm(mid_code: int, low_mm: float, high_mm: float, friendly_in_mm: float) -> float:
    needed = _needed_scale_mm(mid_code, low_mm, high_mm) / friendly_in_mm
    return (friendly_at_least(needed) if needed > 0.0 else 1.0) * friendly_in_mm


def _check_range(low_mm: float, high_mm: float, headroom: float) -> None:
    if not (math.isfinite(low_mm) and math.isfinite(high_mm) and low_mm <= high_mm):
        raise CalibrationError(f"range: got {low_mm!r} to {high_mm!r} mm, allowed is a finite low <= a finite high")
    if not (math.isfinite(headroom) and headroom >= 0):
        raise CalibrationError(f"headroom: got {headroom!r}, allowed is a finite number >= 0")


def _check_reach(calibration: Calibration, low_mm: float, high_mm: float) -> None:
    least_mm, most_mm = calibration.holds_mm
    if calibration.clips or (low_mm >= least_mm and high_mm <= most_mm):
        return
    reach_low_mm, reach_high_mm = calibration.reach_mm
    if calibration.is_half:
        about, needed_mm = "0", max(-low_mm, high_mm) / HALF_MAX
    else:
        about = f"code {calibration.mid_code}"
        needed_mm = _needed_scale_mm(calibration.mid_code, low_mm, high_mm)
    raise CalibrationError(
        f"scale_mm: heights from {low_mm:.6g} to {high_mm:.6g} mm do not fit a scale of {calibration.scale_mm:g} mm "
        f"about {about}, which holds {reach_low_mm:.6g} to {reach_high_mm:.6g} mm; needs at least "
        f"{needed_mm:.6g} mm ({friendly_at_least(needed_mm):g} is the next round number); or allow clipping"
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
