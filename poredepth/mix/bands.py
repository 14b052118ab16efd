"""Layers by bands of wavelength: their low passes, made when they are first asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np

from poredepth.patch.bands import BANDS
from poredepth.placement.prints import Prints
from poredepth.raster.evaluate import Pictures, add_prints
from poredepth.surface.metric import Footprint
from poredepth.surface.points import SkinPoints

#: One value for each band, in the order of `BANDS`: coarse, middle, fine.
PerBand = tuple[float, float, float]

COARSE, MIDDLE, FINE = range(len(BANDS))


@dataclass(frozen=True)
class Relief:
    """What the kernel evaluates: prints and the pictures they show."""

    prints: Prints
    pictures: Pictures


@dataclass(frozen=True)
class LowPassed:
    """The low passes of a layer: what is left of it by the fine cutoff (middle and coarse), and by the coarse one.

    ``sq_mm``: root mean square of each band about its mean, mm; 0 for forms, whose heights mean one place.
    """

    fine: Relief
    coarse: Relief
    sq_mm: PerBand = (0.0, 0.0, 0.0)


class Once:
    """What is worked out once, by the first thread that asks for it."""

    def __init__(self, make: Callable[[], Any]):
        self._make, self._made, self._lock = make, None, Lock()

    @property
    def is_made(self) -> bool:
        return self._make is None

    @property
    def made(self) -> Any:
        with self._lock:
            if self._make is not None:
                self._made, self._make = self._make(), None
            return self._made


class LayerBands:
    """A layer whole, and by bands.

    Bands are differences: fine = whole - low pass by the fine cutoff, middle = that - low pass by the coarse cutoff,
    coarse = the rest.  So they add up to the whole exactly, and where all weights are equal only the whole is looked
    up.

    Attributes
    ----------
    whole : the layer as it is
    mean_mm : mean height of what it shows, mm
    fades : whether the layer fades by pictures of its own
    """

    def __init__(
        self,
        whole: Relief,
        make_low: Callable[[], LowPassed],
        mean_mm: float = 0.0,
        make_fade: Callable[[], Sequence[Pictures]] | None = None,
    ):
        self.whole, self.mean_mm = whole, mean_mm
        self._low, self._fade = Once(make_low), None if make_fade is None else Once(make_fade)

    @property
    def low(self) -> LowPassed:
        return self._low.made

    @property
    def fades(self) -> bool:
        return self._fade is not None

    @property
    def fade(self) -> Sequence[Pictures]:
        """For each band, pictures 0 to 1 that the heights in the others are multiplied by already."""
        return self._fade.made

    @property
    def is_split(self) -> bool:
        """Whether the low passes have been worked out."""
        return self._low.is_made

    def split(self) -> None:
        """Work out the low passes now, before blocks ask for them."""
        _ = self.low

    def with_prints(self, prints: Prints) -> LayerBands:
        """The same pictures on other prints (of a patch, whose low passes lie on the prints of the whole)."""

        def low() -> LowPassed:
            of = self.low
            return LowPassed(Relief(prints, of.fine.pictures), Relief(prints, of.coarse.pictures), of.sq_mm)

        make_fade = None if self._fade is None else lambda: self.fade
        return LayerBands(Relief(prints, self.whole.pictures), low, self.mean_mm, make_fade)

    @property
    def sq_mm(self) -> PerBand:
        return self.low.sq_mm

    def fade_at(self, band: int, points: SkinPoints, footprint: Footprint | np.ndarray) -> np.ndarray:
        """The layer's own fade for a band at skin points, float32 (n,), 0 to 1."""
        out = np.zeros(len(points), np.float32)
        add_prints(points, np.ones_like(out), 1.0, footprint, self.whole.prints, self.fade[band], out)
        return np.clip(out, 0, 1, out=out)

    def terms(self, weight: Sequence[np.ndarray | None]) -> Iterator[tuple[str, np.ndarray]]:
        """What is looked up, ``whole``, ``fine`` or ``coarse`` low pass, and with what weight, float32 (n,).

        Parameters
        ----------
        weight : for each band, in the order of `BANDS`, float32 (n,) or None for 0; equal arrays may be one object
        """
        for name, of, less in (("whole", FINE, None), ("fine", MIDDLE, FINE), ("coarse", COARSE, MIDDLE)):
            term = weight[of] if less is None else _difference(weight[of], weight[less])
            if term is not None and term.any():
                yield name, term

    def look_up(
        self,
        name: str,
        height_mm: np.ndarray,
        points: SkinPoints,
        weight: np.ndarray,
        footprint: Footprint | np.ndarray,
    ) -> None:
        """Add weight x the layer, or one of its low passes, to heights, float32 (n,), mm, in place.

        ``footprint`` is that of texels, in the measure of the layer, see `add_prints`.
        """
        relief = self.whole if name == "whole" else getattr(self.low, name)
        add_prints(points, weight, 1.0, footprint, relief.prints, relief.pictures, height_mm)


def _difference(a: np.ndarray | None, b: np.ndarray | None) -> np.ndarray | None:
    if a is b:
        return None
    if b is None:
        return a
    return -b if a is None else a - b
