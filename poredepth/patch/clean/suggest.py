"""Which form to take off: by how much of the relief lies in waves too long to tile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.bands import bounded_low_pass
from poredepth.patch.clean.form import checked, fit, less
from poredepth.patch.clean.long_waves import block_means
from poredepth.patch.types import check_positive

#: Waves longer than this share of the shorter side repeat visibly where the piece tiles: own choice.
LONG_RATIO = 1.0 / 3.0
#: So much of the variance may lie in them: own choice.
LONG_SHARE = 0.1
#: Nesting indices, mm: ISO 25178-3 (value from memory).
NESTING_INDEX_MM = (0.1, 0.2, 0.25, 0.5, 0.8, 1.0, 2.0, 2.5, 5.0, 8.0, 10.0)
_MOST_CELLS = 256


@dataclass(frozen=True)
class FormSuggestion:
    """``degree`` and ``cutoff_mm`` for `remove_form`; ``reason`` one sentence; ``long_ratio`` the share of the variance
    in waves longer than a third of the shorter side, once the tilt is off, and ``bowed_ratio`` once the bow is off
    too."""

    degree: int
    cutoff_mm: float | None
    reason: str
    long_ratio: float
    bowed_ratio: float


def suggest_form(height_mm: np.ndarray, texel_mm: float, inside: np.ndarray | None = None) -> FormSuggestion:
    """Choose between degree 1, degree 2, and degree 2 with a Gaussian cutoff.

    Parameters
    ----------
    height_mm, texel_mm, inside : as in `remove_form`

    Returns
    -------
    FormSuggestion

    Raises
    ------
    PatchError : as in `remove_form`

    Notes
    -----
    Waves longer than a third of the shorter side come less than three times; when the piece tiles they show as blotches
    in a row.  Tilt alone goes if at most 0.1 of the variance lies in them; else the bow too, if that is enough; else a
    Gaussian takes them, with the largest nesting index of ISO 25178-3 not above that third (that third itself if it is
    below 0.1 mm or above 10 mm).
    """
    heights = checked(height_mm, inside)
    check_positive("form", "texel_mm", texel_mm)
    third_mm = LONG_RATIO * min(heights.shape) * texel_mm
    shares = [
        _long_share(less(heights, fit(heights, degree, inside)), third_mm / texel_mm, inside) for degree in (1, 2)
    ]
    third = f"waves longer than a third of the shorter side ({third_mm:.3g} mm)"
    if shares[0] <= LONG_SHARE:
        reason = f"once the tilt is off, {shares[0]:.0%} of the variance lies in {third}: nothing else need go"
        return FormSuggestion(1, None, reason, *shares)
    if shares[1] <= LONG_SHARE:
        reason = f"with the tilt off, {shares[0]:.0%} of the variance lies in {third}, with the bow off {shares[1]:.0%}"
        return FormSuggestion(2, None, reason, *shares)
    smaller = [index for index in NESTING_INDEX_MM if index <= third_mm * (1 + 1e-9)]
    cutoff_mm = smaller[-1] if smaller and third_mm < 2 * NESTING_INDEX_MM[-1] else third_mm
    reason = (
        f"with tilt and bow off, {shares[1]:.0%} of the variance lies in {third}: they cannot tile and would show as "
        f"blotches; a cutoff of {cutoff_mm:.3g} mm takes them"
    )
    return FormSuggestion(2, cutoff_mm, reason, *shares)


def _long_share(relief: np.ndarray, cutoff_px: float, inside: np.ndarray | None) -> float:
    """Share of the variance in what a low pass lets through."""
    side = max(1, -(-min(relief.shape) // _MOST_CELLS))
    means, share = block_means(relief, side, inside)
    smooth = bounded_low_pass(means, 1.0, cutoff_px / side, np.minimum(share, 1.0))
    of_long = np.average(smooth.astype(float) ** 2, weights=share)
    if inside is None:
        of_all = float(np.mean(np.square(relief, dtype=np.float64)))
    else:
        of_all = float(np.average(np.square(relief, dtype=np.float64), weights=np.asarray(inside, float)))
    return float(of_long / of_all) if of_all > 0 else 0.0
