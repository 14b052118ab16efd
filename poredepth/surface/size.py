"""Is a mesh as large as a head?  Advice on the declared unit, never an error."""

from __future__ import annotations

import numpy as np

from poredepth.errors import MeshError
from poredepth.units import MM_PER_UNIT, UNITS, mm_from

#: Length of an adult head, smallest and largest of 6068 men and women, mm.
#: Source: ANSUR II, Gordon et al. 2014, NATICK/TR-15/007, "head length" (computed from its public raw data).
ADULT_HEAD_LENGTH_MM = (168.0, 225.0)

#: Longest side of anything from a piece of a face to a bust with shoulders, mm.  Own choice: a mouth with its chin
#: still passes, and so does a head with the whole chest; a tenth or ten times of a head does not.
PLAUSIBLE_LONGEST_SIDE_MM = (80.0, 600.0)


def size_advice(position_file_units: np.ndarray, unit: str) -> list[str]:
    """Say which unit was likely meant when a mesh cannot be a head, a face piece or a bust in the declared one.

    Parameters
    ----------
    position_file_units : float (nV, 3), numbers as the file holds them
    unit : declared unit of those numbers: um mm cm m in

    Returns
    -------
    list of str : one sentence of advice, or empty when the size is plausible

    Raises
    ------
    MeshError : unknown unit

    Notes
    -----
    Judges the longest side of the box along the axes, so no up axis is needed.  A wrong unit that is off by little
    can pass: a head in inches declared as centimetres is as long as a real piece of a face.  Source: own derivation
    from ``ADULT_HEAD_LENGTH_MM``.
    """
    if unit not in MM_PER_UNIT:
        raise MeshError(f"mesh unit {unit!r}; allowed: {' '.join(UNITS)}; write the unit of the file's numbers")
    position = np.asarray(position_file_units, np.float64).reshape(-1, 3)
    longest = float(np.ptp(position, axis=0).max()) if len(position) else 0.0
    if not longest > 0.0:
        return ["the mesh has no extent: all of its positions are in one place; is this the right file?"]
    if _is_plausible(mm_from(longest, unit)):
        return []
    low, high = ADULT_HEAD_LENGTH_MM
    found = f"the mesh is {_short(mm_from(longest, unit))} mm long; an adult head is {low:.0f} to {high:.0f} mm: "
    fitting = [other for other in UNITS if _is_plausible(mm_from(longest, other))]
    if not fitting:
        return [f"{found}no unit makes it a head (allowed: {' '.join(UNITS)}); is it scaled, or more than a head?"]
    typical = np.sqrt(low * high)
    fitting.sort(key=lambda other: abs(np.log(mm_from(longest, other) / typical)))
    asked = " or ".join(f"{other!r} meant (would be {_short(mm_from(longest, other))} mm)" for other in fitting)
    return [f"{found}is unit {asked}?"]


def _is_plausible(longest_mm: float) -> bool:
    low, high = PLAUSIBLE_LONGEST_SIDE_MM
    return low <= longest_mm <= high


def _short(value: float) -> str:
    """Three significant digits, without an exponent."""
    return np.format_float_positional(value, precision=3, fractional=False, trim="-")
