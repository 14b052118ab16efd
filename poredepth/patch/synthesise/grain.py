"""Fine grain: noise of a band of short wavelengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.synthesise.parameters import OWN, Relief, parameter
from poredepth.patch.synthesise.periodic import FieldRows, Progress, Tile, band_noise, by_rows, make_tile
from poredepth.patch.synthesise.result import Pits, take_mean_off


@dataclass(frozen=True)
class GrainRelief(Relief):
    """Parameters of ``grain``, by default those of bare skin."""

    kind = "grain"

    sq_um: float = parameter(3.0, "um", OWN, least=0.0, most=100.0, help="Sq, the root mean square height")
    finest_um: float = parameter(
        80.0, "um", "above corneocytes, 20 to 40 um across (Yuan & Verma 2006); number own choice",
        least=10.0, most=5000.0, help="shortest wavelength",
    )  # fmt: skip
    coarsest_um: float = parameter(250.0, "um", OWN, least=10.0, most=10000.0, help="longest wavelength")
    stretch_ratio: float = parameter(
        1.0, "ratio", OWN, least=0.2, most=10.0, help="how much longer the grain is along the lay than across"
    )

    def __post_init__(self):
        super().__post_init__()
        if not self.finest_um < self.coarsest_um:
            raise PatchError(
                f"synthesis of grain: finest_um is {self.finest_um:g} and coarsest_um {self.coarsest_um:g}; allowed is "
                "finest_um below coarsest_um; are the two exchanged?"
            )


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
    float32 (rows, cols), mm, mean 0, root mean square ``sq_mm`` (of texels that carry the whole band)

    Raises
    ------
    PatchError : size_mm is no whole number of texels; texels that carry nothing of the band
    """
    relief = GrainRelief(1000.0 * sq_mm, 1000.0 * finest_mm, 1000.0 * coarsest_mm)
    height_mm, _, _ = raw_grain(make_tile(size_mm, texel_mm), seed, relief)
    take_mean_off(height_mm)
    return height_mm


def raw_grain(
    tile: Tile, seed: int, relief: GrainRelief, on_progress: Progress | None = None
) -> tuple[np.ndarray, Pits, float]:
    """Noise about 0, no pits, no coverage."""
    finest, coarsest = relief.finest_um / 1000.0, relief.coarsest_um / 1000.0
    if coarsest < 2.0 * tile.texel_mm:
        raise PatchError(
            f"synthesis of grain: texels of {1000 * tile.texel_mm:g} um carry no wave of {relief.coarsest_um:g} um or "
            f"less; allowed: at most {0.5 * relief.coarsest_um:g} um; make texels smaller or coarsest_um larger"
        )
    noise = band_noise(tile, finest, coarsest, np.random.default_rng(seed), relief.stretch_ratio)
    return by_rows(tile, FieldRows(tile, relief.sq_um / 1000.0 * noise).rows, on_progress), Pits(), 0.0
