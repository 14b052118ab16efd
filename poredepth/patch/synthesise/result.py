"""What a synthesis gives: heights about 0, what was taken off for that, and the pits that were asked for."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

import numpy as np

from poredepth.patch.synthesise.parameters import Relief
from poredepth.patch.types import HeightPatch, Provenance
from poredepth.units import UM_PER_MM


@dataclass(frozen=True, eq=False)
class Pits:
    """The pits of a relief, one row each.

    ``middle_mm`` float64 (n, 2), x along the rows and y downwards from the top left corner; ``diameter_um`` (n,), of
    the circle as large as the opening; ``depth_um`` (n,), below the skin around; ``least_distance_mm`` between two
    middles, over the borders (nan below two pits).
    """

    middle_mm: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    diameter_um: np.ndarray = field(default_factory=lambda: np.empty(0))
    depth_um: np.ndarray = field(default_factory=lambda: np.empty(0))
    least_distance_mm: float = float("nan")

    def __len__(self) -> int:
        return len(self.middle_mm)


@dataclass(frozen=True, eq=False)
class Synthesis:
    """Relief made by calculation; it continues over its borders, its lay runs along +u.

    ``height_mm`` float32 (rows, cols), mean 0; ``mean_offset_mm`` the mean height that was taken off: ``height_mm`` +
    ``mean_offset_mm`` has skin between furrows and pits at 0; ``coverage_ratio`` share of the area inside the openings
    of pits, as drawn; ``pits``; what it was made of: ``kind``, ``region`` (None: the first), ``relief``, ``seed``.
    """

    height_mm: np.ndarray
    texel_mm: float
    mean_offset_mm: float
    coverage_ratio: float
    pits: Pits
    kind: str
    region: str | None
    relief: Relief
    seed: int

    @property
    def size_mm(self) -> float:
        """Side of the tile, mm."""
        return len(self.height_mm) * self.texel_mm

    @property
    def sq_mm(self) -> float:
        """Root mean square height, mm (Sq of ISO 25178-2)."""
        return float(np.std(self.height_mm, dtype=np.float64))

    def patch(self, name: str, licence: str | None = None) -> HeightPatch:
        """The relief as a patch to lay, with how it was made as its history."""
        values = ", ".join(f"{key} {_text(value)}" for key, value in dataclasses.asdict(self.relief).items())
        history = (
            f"synthesised: {self.kind}{f' of the {self.region}' if self.region else ''}, seed {self.seed}",
            f"made from: {values}",
            f"mean taken off: {UM_PER_MM * self.mean_offset_mm:+.4g} um",
        )
        origin = Provenance("made by poredepth's own synthesis", licence, "synthetic, no person", history=history)
        return HeightPatch(name, self.height_mm, self.texel_mm, provenance=origin)


def _text(value) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{end:g}" for end in value)
    return value if isinstance(value, str) else f"{value:g}"


def take_mean_off(raw_mm: np.ndarray) -> float:
    """Take the mean off float32 heights, in place; returns it."""
    mean_mm = float(raw_mm.mean(dtype=np.float64))
    raw_mm -= np.float32(mean_mm)
    return mean_mm
