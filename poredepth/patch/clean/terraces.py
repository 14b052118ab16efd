"""Terraces: heights that only take few values, as those that went through 8 bits.

Found by the values themselves: they lie on a comb of even teeth, whatever they were scaled by, in a file of any type.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.types import check_all_finite, check_positive

#: More teeth from the lowest to the highest value are no terraces: 12 bits, own choice.
MOST_CODES = 4096
#: Fewer values are a picture of few levels on purpose (a mask, a stair): own choice.
FEWEST_LEVELS = 5
#: With more teeth than 8 bits have, so many neighbours must be equal: own choice.
LEAST_PLATEAU_RATIO = 0.05
_EIGHT_BITS = 256

#: How far off its tooth a value may be, in steps.
_TOLERANCE = 0.02
#: Values looked at for the comb; all are checked on it then.
_SAMPLE = 2**20
_ROWS_AT_ONCE = 256


@dataclass(frozen=True)
class Terraces:
    """The comb that values lie on.

    ``step`` distance of two teeth and ``offset`` a tooth, in the unit of the values; ``n_levels`` values used,
    ``n_codes`` teeth from the lowest to the highest; ``plateau_ratio`` share of neighbours (right and below) that are
    equal: above 0.5 terraces are seen; ``exact`` whether all values lie on the comb (not so after resizing).
    """

    step: float
    offset: float
    n_levels: int
    n_codes: int
    plateau_ratio: float
    exact: bool

    @property
    def rms(self) -> float:
        """Root mean square of what rounding to steps took, in the unit of the values: step / sqrt(12)."""
        return self.step / math.sqrt(12.0)


def find_terraces(values: np.ndarray, code_step: float | None = None) -> Terraces | None:
    """Look whether values are those of few codes, and of which step.

    Parameters
    ----------
    values : float or int (rows, cols), finite, any unit
    code_step : float, the step, where it is known, as 1 / 255 for an 8-bit picture; it need not be met exactly then
        (as after resizing).  None: found from the values

    Returns
    -------
    Terraces, or None: no comb, or one of more than 4096 teeth, or of more than 256 with less than 0.05 of neighbours
    equal, or fewer than 5 values

    Raises
    ------
    PatchError : values that are not finite or no (rows, cols); a code_step not above 0

    Notes
    -----
    The sorted values of some rows, those nearer than float32 can tell joined; the step is that of which all their
    distances are multiples within 0.02 of it; then all values are checked.

    Source: own derivation.
    """
    values = _checked(values)
    if code_step is not None:
        check_positive("terraces", "code_step", code_step)
        comb = float(code_step), float(values.min())
    else:
        every = max(1, values.size // _SAMPLE)
        comb = _comb(np.unique(values[::every]).astype(float))
    if comb is None:
        return None
    step, offset = comb
    used = _used_teeth(values, step, offset, must=code_step is None)
    if used is None:
        return None
    n_levels, n_codes, exact = used
    plateau = _plateau_ratio(values)
    if code_step is None and not _seen(n_levels, n_codes, plateau):
        return None
    return Terraces(step, offset, n_levels, n_codes, plateau, exact)


def _seen(n_levels: int, n_codes: int, plateau: float) -> bool:
    if n_levels < FEWEST_LEVELS or n_codes > MOST_CODES:
        return False
    return n_codes <= _EIGHT_BITS or plateau >= LEAST_PLATEAU_RATIO


def _checked(values) -> np.ndarray:
    values = np.asarray(values)
    if values.ndim != 2 or min(values.shape) < 2:
        raise PatchError(f"terraces: values have shape {values.shape}; allowed is (rows, cols), at least 2 x 2")
    check_all_finite("terraces", values)
    return values


def _comb(sorted_values: np.ndarray) -> tuple[float, float] | None:
    """(step, lowest tooth) of sorted distinct values, or None."""
    span = sorted_values[-1] - sorted_values[0]
    rounding = max(4.0 * float(np.finfo(np.float32).eps) * np.abs(sorted_values).max(), 2e-6 * span)
    gap = np.diff(sorted_values)
    first = np.flatnonzero(np.concatenate([[True], gap > rounding]))
    if not FEWEST_LEVELS <= len(first) <= MOST_CODES:
        return None
    tooth = np.add.reduceat(sorted_values, first) / np.diff(np.append(first, len(sorted_values)))
    distance = np.diff(tooth)
    smallest = float(np.median(distance[distance < 1.5 * distance.min()]))
    for divisor in range(1, 7):  # codes 0, 2, 5: the smallest distance need not be the step
        step = smallest / divisor
        number = np.concatenate([[0.0], np.cumsum(np.rint(distance / step))])
        if number[-1] > MOST_CODES:
            return None
        step, offset = np.polyfit(number, tooth, 1)
        if np.abs(offset + number * step - tooth).max() <= _TOLERANCE * step:
            return float(step), float(offset)
    return None


def _used_teeth(values: np.ndarray, step: float, offset: float, *, must: bool) -> tuple[int, int, bool] | None:
    """(n_levels, n_codes, exact), or None where values that must lie on the comb do not."""
    lowest, highest = (round((float(end) - offset) / step) for end in (values.min(), values.max()))
    n_codes = highest - lowest + 1
    if must and n_codes > MOST_CODES:
        return None
    used, exact = np.zeros(n_codes, bool), True
    for top in range(0, len(values), _ROWS_AT_ONCE):
        number = (values[top : top + _ROWS_AT_ONCE].astype(float) - offset) / step
        code = np.rint(number)
        exact = exact and bool(np.abs(number - code).max() <= _TOLERANCE)
        if must and not exact:
            return None
        used[code.astype(np.int64).ravel() - lowest] = True
    return int(np.count_nonzero(used)), n_codes, exact


def _plateau_ratio(values: np.ndarray) -> float:
    equal = np.count_nonzero(values[:, 1:] == values[:, :-1]) + np.count_nonzero(values[1:] == values[:-1])
    return float(equal) / (values.size * 2 - sum(values.shape))
