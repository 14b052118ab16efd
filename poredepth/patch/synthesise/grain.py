"""Fine grain: isotropic noise of a band of short wavelengths."""

from __future__ import annotations

import numpy as np

from poredepth.patch.synthesise.periodic import band_noise, finished, make_tile


def grain(
    size_mm: float,
    texel_mm: float,
    seed: int,
    *,
    sq_mm: float = 0.003,
    finest_mm: float = 0.08,
    coarsest_mm: float = 0.25,
) -> np.ndarray:
    """Periodic isotropic noise of wavelengths finest_mm to coarsest_mm.

    Returns
    -------
    float32 (rows, cols), mm, mean 0, root mean square ``sq_mm``

    Raises
    ------
    PatchError : size_mm is no whole number of texels
    """
    tile = make_tile(size_mm, texel_mm)
    return finished(sq_mm * band_noise(tile, finest_mm, coarsest_mm, np.random.default_rng(seed)))
