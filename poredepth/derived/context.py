"""`Deriving`: what all derived maps of a set share."""

from __future__ import annotations

from dataclasses import dataclass

from poredepth.derived.frames import TangentFrames
from poredepth.derived.heights import MapHeights
from poredepth.raster.window import Window


@dataclass(frozen=True)
class Deriving:
    """Heights and options; `KINDS` make maps of it, window by window.

    After `prepare`, windows may be asked for on several threads.

    Attributes
    ----------
    heights : of all tiles
    green_down : normals in the tangent frame have y along -v
    size_px_low : size of the smaller map that ``added-roughness`` is for; None: a quarter
    """

    heights: MapHeights
    green_down: bool = False
    size_px_low: int | None = None

    @property
    def frames(self) -> TangentFrames:
        return self.heights.frames

    @property
    def size_px(self) -> int:
        return self.heights.raster.size_px

    @property
    def low_px(self) -> int:
        """Size of the smaller map."""
        return max(self.size_px // 4, 1) if self.size_px_low is None else self.size_px_low

    def prepare(self) -> Deriving:
        """Make what all windows share, so that threads only read it."""
        raster = self.heights.raster
        for tile in raster.tiles:
            raster.chart_places(tile, Window(0, 0, 1, 1))
        _ = self.heights.frames, self.heights.flattening, raster.has_texels
        return self
