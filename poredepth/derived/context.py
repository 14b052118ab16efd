"""`Deriving`: what all derived maps of a set share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from poredepth.derived.cavity import CUTOFF_MM, Cavity, cavity
from poredepth.derived.frames import TangentFrames
from poredepth.derived.heights import MapHeights
from poredepth.derived.occlusion import MapOcclusion, occlusion
from poredepth.raster.window import Window

#: How far the relief around a texel may hide its sky, mm.
RADIUS_MM = 1.0


@dataclass(frozen=True)
class Deriving:
    """Heights and options; `KINDS` make maps of it, window by window.

    After `prepare`, windows may be asked for on several threads.

    Attributes
    ----------
    heights : of all tiles
    green_down : normals in the tangent frame have y along -v
    size_px_low : size of the smaller map that ``added-roughness`` is for; None: a quarter
    cavity_mm : what ``cavity`` takes for the surroundings of a texel: waves longer than that, mm
    occlusion_mm : how far relief may hide the sky of a texel, mm
    n_threads : for what is made before windows are asked for; changes no bit
    """

    heights: MapHeights
    green_down: bool = False
    size_px_low: int | None = None
    cavity_mm: float = CUTOFF_MM
    occlusion_mm: float = RADIUS_MM
    n_threads: int = 2

    @property
    def frames(self) -> TangentFrames:
        return self.heights.frames

    @property
    def size_px(self) -> int:
        return self.heights.raster.size_px

    @property
    def low_px(self) -> int:
        """Size of the smaller map."""
        return low_size_px(self.size_px, self.size_px_low)

    @cached_property
    def cavity(self) -> Cavity:
        return cavity(self.heights, self.cavity_mm, self.n_threads)

    @cached_property
    def occlusion(self) -> MapOcclusion:
        return occlusion(self.heights, self.occlusion_mm)

    def prepare(self, *parts: str) -> Deriving:
        """Make what all windows share, and what else kinds need (`Kind.needs`), so that threads only read it."""
        raster = self.heights.raster
        for tile in raster.tiles:
            raster.chart_places(tile, Window(0, 0, 1, 1))
        _ = self.heights.frames, self.heights.flattening, raster.has_texels
        for name in parts:
            getattr(self, name)
        return self


def low_size_px(size_px: int, asked_px: int | None) -> int:
    """Size of the smaller map beside maps of a size: as it was asked for, else a quarter."""
    return max(size_px // 4, 1) if asked_px is None else asked_px
