"""Values of maps that are no heights: ``quantity = (value - mid) * scale``, channel by channel alike."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.errors import CalibrationError
from poredepth.output.calibration import CODE_MAX, HALF_MAX
from poredepth.output.formats import FILE_FORMATS, encoding_name
from poredepth.output.rows import FEW_ROWS, row_spans


@dataclass(frozen=True)
class ChannelCoding:
    """How values of one file mean a quantity: ``quantity = (value - mid) * scale``.

    Parameters
    ----------
    format : str, one of ``FORMATS``; value is the stored float, or ``code / 65535``
    mid : float, value of zero; need not be a code: a normal map is read as ``2 value - 1`` everywhere
    scale : float, quantity of one full unit of value, > 0
    unit : str, unit of the quantity: 1, 1/mm, mm

    Notes
    -----
    It has the attributes of a ``Calibration`` that writers and metadata ask for; those of a length are None, unless
    ``unit`` is mm.
    """

    format: str
    mid: float
    scale: float
    unit: str

    def __post_init__(self):
        if not (math.isfinite(self.scale) and self.scale > 0 and math.isfinite(self.mid)):
            raise CalibrationError(
                f"scale, mid: got {self.scale!r}, {self.mid!r}, allowed are finite numbers, scale > 0"
            )

    @property
    def is_identity(self) -> bool:
        """True when the values written are the quantities themselves, as float32."""
        return self.dtype == np.float32 and self.mid == 0.0 and self.scale == 1.0

    @property
    def dtype(self) -> np.dtype:
        return FILE_FORMATS[self.format].dtype

    @property
    def encoding(self) -> str:
        return encoding_name(self.format, self.mid)

    @property
    def mid_code(self) -> int | None:
        """None: the mid of such a map is no code."""
        return None

    @property
    def scale_mm(self) -> float | None:
        return self.scale if self.unit == "mm" else None

    @property
    def unit_mm(self) -> float | None:
        return 1.0 if self.unit == "mm" else None

    @property
    def scale_in_unit(self) -> float:
        return self.scale

    @property
    def quantity_unit(self) -> str:
        return self.unit

    def largest_step_um(self, low_mm: float, high_mm: float) -> float | None:
        """None: such maps are not judged by their step."""
        return None

    @property
    def formula(self) -> str:
        """The formula with its numbers."""
        value = "value" if FILE_FORMATS[self.format].is_float else f"code / {CODE_MAX}"
        return f"quantity = ({value} - {self.mid!r}) * {self.scale!r}"

    def encode(self, quantity: np.ndarray, first_row: int = 0) -> np.ndarray:
        """Values of the file; raises CalibrationError for what is not finite, or lies more than half a code outside."""
        if self.is_identity and np.isfinite(quantity).all():
            return quantity.astype(np.float32, copy=False)
        values = np.empty(quantity.shape, self.dtype)
        for first, end in row_spans(len(quantity), FEW_ROWS):
            values[first:end] = self._encode_few(quantity[first:end], first_row + first)
        return values

    def _encode_few(self, quantity: np.ndarray, first_row: int) -> np.ndarray:
        value = quantity.astype(np.float64) / self.scale + self.mid
        if FILE_FORMATS[self.format].is_float:
            largest = HALF_MAX if self.dtype == np.float16 else np.finfo(np.float32).max
        else:
            value *= CODE_MAX
            np.rint(value, out=value)
            largest = CODE_MAX
        least = -largest if FILE_FORMATS[self.format].is_float else 0
        wrong = ~((value >= least) & (value <= largest))
        if wrong.any():
            row, col = np.argwhere(wrong)[0][:2]
            raise CalibrationError(
                f"{self.format}: {np.count_nonzero(wrong)} value(s), first at row {first_row + row}, col {col}, are "
                f"not finite or do not fit a scale of {self.scale:g} about {self.mid:g}; use a float format"
            )
        return value.astype(self.dtype)

    def decode(self, values: np.ndarray) -> np.ndarray:
        """Quantities float32 of values of the file."""
        if self.is_identity:
            return values
        value = values.astype(np.float64)
        if not FILE_FORMATS[self.format].is_float:
            value /= CODE_MAX
        return ((value - self.mid) * self.scale).astype(np.float32)

    def tolerance(self, quantity: np.ndarray) -> np.ndarray:
        """What writing and reading back may change each value by."""
        own = np.spacing(np.abs(np.asarray(quantity, np.float32))).astype(np.float64)
        if self.dtype == np.uint16:
            return own + 0.5 * self.scale / CODE_MAX * (1 + 1e-6)
        value = np.abs(quantity.astype(np.float64) / self.scale) + abs(self.mid)
        return own + np.spacing(value.astype(self.dtype)).astype(np.float64) * self.scale

    def meant(self, quantity: np.ndarray) -> np.ndarray:
        return quantity
