"""Regions with wider edges: coarse bands fade in over more skin than fine ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from poredepth.surface.regions import DiskField, PictureField, RampField, RegionField, SetField

#: What of an edge stays where it is when it is made wider: its middle, its outer end or its inner end.
Kept = Literal["middle", "outer", "inner"]
_OPPOSITE: dict[Kept, Kept] = {"middle": "middle", "outer": "inner", "inner": "outer"}


@dataclass(frozen=True)
class Widening:
    """How wide an edge becomes: ``ratio`` times its feather, at least ``least_mm``; and what of it stays in place."""

    ratio: float
    least_mm: float
    kept: Kept = "middle"

    def width_mm(self, feather_mm: float) -> float:
        return max(self.ratio * feather_mm, self.least_mm)


def widened(field: RegionField, how: Widening, of_picture: Callable[[PictureField], RegionField]) -> RegionField:
    """The same region with wider edges.

    With their middles kept, regions that share a border still add up to 1 across it; with their outer ends kept, they
    cover no more skin than before.

    Parameters
    ----------
    of_picture : makes the edges of a painted region wider, which is not done by distances
    """
    if isinstance(field, RampField):
        return _widened_ramp(field, how)
    if isinstance(field, DiskField):
        width_mm = how.width_mm(field.width_mm)
        grows_mm = {"middle": 0.0, "outer": -0.5, "inner": 0.5}[how.kept] * (width_mm - field.width_mm)
        return DiskField(field.distance_mm, field.radius_mm + grows_mm, width_mm)
    if isinstance(field, SetField):
        others = Widening(how.ratio, how.least_mm, _OPPOSITE[how.kept]) if field.kind == "subtract" else how
        first, *rest = field.parts
        return SetField(
            field.kind, (widened(first, how, of_picture), *(widened(part, others, of_picture) for part in rest))
        )
    return of_picture(field) if isinstance(field, PictureField) else field


def _widened_ramp(field: RampField, how: Widening) -> RampField:
    width_mm = how.width_mm(field.width_mm)
    share = np.float32(field.width_mm / width_mm)
    if how.kept == "middle":
        ramp = np.float32(0.5) + (field.ramp - np.float32(0.5)) * share
    elif how.kept == "outer":
        ramp = field.ramp * share
    else:
        ramp = np.float32(1) - (np.float32(1) - field.ramp) * share
    return RampField(ramp, width_mm)
