"""Lengths: millimetres inside, converted only here and at file edges."""

from __future__ import annotations

from typing import Literal, get_args

LengthUnit = Literal["um", "mm", "cm", "m", "in"]

#: Millimetres in one of each unit.  The inch is exactly 25.4 mm (international yard and pound agreement, 1959).
MM_PER_UNIT: dict[str, float] = {"um": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
UNITS: tuple[str, ...] = get_args(LengthUnit)

UM_PER_MM = 1000.0


def mm_from(value, unit: str):
    """Convert a length (number or array) from ``unit`` to millimetres."""
    return value * MM_PER_UNIT[unit]


def mm_to(value_mm, unit: str):
    """Convert a length (number or array) in millimetres to ``unit``."""
    return value_mm / MM_PER_UNIT[unit]
