"""Layers that thin out where another layer, or the mix so far, is deep or strongly curved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from poredepth.patch.bands import SIGMA_PER_CUTOFF, Cutoffs

#: A fade of less than this (mm, 1/mm) is one of this: float32 would make 0 of it.
LEAST_SOFTNESS = 1e-12


@dataclass(frozen=True)
class Thinning:
    """Where a layer thins out.

    Attributes
    ----------
    layer : name of the layer that is watched; None: the mix so far
    by : ``depth``, mm below 0, or ``curvature``, 1/mm: the sum of the principal curvatures
    threshold, softness : in that unit: half is left at the threshold; the fade is this wide
    form : which curvature counts
    cutoffs : of the bands that are watched
    """

    layer: str | None
    by: Literal["depth", "curvature"]
    threshold: float
    softness: float
    form: Literal["valleys", "ridges", "both"]
    cutoffs: Cutoffs

    def left(self, watched_mm: np.ndarray) -> np.ndarray:
        """What is left of the layer, float32 (n,), 0 to 1, by the watched height, or its middle band, float32 (n,)."""
        if self.by == "depth":
            beyond = -watched_mm
        else:
            curvature = curvature_per_mm(watched_mm, self.cutoffs)
            beyond = {"valleys": curvature, "ridges": -curvature, "both": np.abs(curvature)}[self.form]
        softness = np.float32(max(self.softness, LEAST_SOFTNESS))
        x = np.clip((beyond - np.float32(self.threshold)) / softness + np.float32(0.5), 0, 1)
        return 1 - x * x * (3 - 2 * x)


def curvature_per_mm(middle_mm: np.ndarray, cutoffs: Cutoffs) -> np.ndarray:
    """Sum of the two principal curvatures, 1/mm, positive in valleys, from the middle band, float32 (n,), mm.

    A Gaussian of variance s^2 solves the heat equation: its derivative by s^2 / 2 is the Laplacian.  So the middle
    band, low pass by the fine cutoff less that by the coarse one, is -(s_coarse^2 - s_fine^2) / 2 times the Laplacian,
    averaged over the widths between them; and the Laplacian is the sum of the curvatures where slopes are small (own
    derivation).  No neighbour is needed.
    """
    between_mm2 = SIGMA_PER_CUTOFF**2 * (cutoffs.coarse_mm**2 - cutoffs.fine_mm**2)
    return middle_mm * np.float32(-2.0 / between_mm2)
