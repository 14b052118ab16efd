"""The kinds of derived maps: channels, unit, how stored values are decoded, and the function that makes them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from poredepth.derived.context import Deriving
from poredepth.derived.curvature import mean_curvature
from poredepth.derived.moments import added_roughness, moments, reduction
from poredepth.derived.normals import object_normals, tangent_normals
from poredepth.raster.window import Window

#: Gives the quantity of a window, float32 (rows, cols, channels).
Quantity = Callable[[Deriving, int, Window], np.ndarray]


@dataclass(frozen=True)
class Kind:
    """A kind of map.

    Quantity = (stored value - mid) x scale, the formula of displacement maps.

    Attributes
    ----------
    name : as people ask for it
    channels : names, in order
    unit : of the quantity; "1" without one
    mid, scale : of the stored value; scale None: 1 in files of floats, in whole numbers fitted, as for heights
    meaning : one line
    quantity : see `Quantity`
    neutral : the quantity without skin
    is_signed : the quantity can be below 0
    is_low : the map has the size of the smaller map (`Deriving.low_px`), and windows are of that
    needs : names of what `Deriving.prepare` is to make
    settings : names of the numbers of `Deriving` it depends on
    convention : how directions in it are meant; ``{way}`` stands for the way of y; None: it has none
    """

    name: str
    channels: tuple[str, ...]
    unit: str
    mid: float
    scale: float | None
    meaning: str
    quantity: Quantity
    neutral: tuple[float, ...]
    is_signed: bool = True
    is_low: bool = False
    needs: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    convention: str | None = None

    def size_px(self, context: Deriving) -> int:
        """Rows and columns of a tile's map.

        Raises
        ------
        RecipeError : a smaller map whose size does not divide that of the heights
        """
        if not self.is_low:
            return context.size_px
        reduction(context.size_px, context.low_px)
        return context.low_px

    def stored(self, quantity: np.ndarray) -> np.ndarray:
        """Stored values of quantities, before they are rounded to whole codes."""
        return self.mid + quantity / (1.0 if self.scale is None else self.scale)


def _normal(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return tangent_normals(context.heights, tile, window, green_down=context.green_down)


def _object_normal(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return object_normals(context.heights, tile, window)


def _curvature(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return mean_curvature(context.heights, tile, window)[..., None]


def _moments(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return moments(context.heights, tile, window)


def _added_roughness(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return added_roughness(context.heights, tile, context.low_px, window)[..., None]


def _cavity(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return context.cavity.block(tile, window)[..., None]


def _occlusion(context: Deriving, tile: int, window: Window) -> np.ndarray:
    return context.occlusion.block(tile, window)[..., None]


_ALL = (
    Kind(
        "normal", ("R", "G", "B"), "1", 0.5, 2.0,
        "normal in the tangent frame (MikkTSpace): x along +u, y along +v, z outward", _normal, (0.0, 0.0, 1.0),
        convention="MikkTSpace tangent frame: x along +u, y along {way}, z along the smooth normal",
    ),
    Kind(
        "normal-object", ("R", "G", "B"), "1", 0.5, 2.0,
        "normal in the axes of the mesh file", _object_normal, (0.0, 0.0, 0.0), convention="axes of the mesh file",
    ),
    Kind(
        "curvature", ("Y",), "1/mm", 0.0, None,
        "mean curvature of the relief: above 0 on ridges and bumps, below 0 in pits", _curvature, (0.0,),
    ),
    Kind(
        "slopes", ("bx", "by", "bxx", "byy", "bxy"), "1", 0.0, 1.0,
        "slopes of the normal, nx / nz and ny / nz, and their products, to be averaged (LEAN)", _moments, (0.0,) * 5,
        convention="MikkTSpace tangent frame: x along +u, y along +v",
    ),
    Kind(
        "added-roughness", ("Y",), "1", 0.0, None,
        "to be added to alpha squared where a smaller map is used: variance of slopes within its texels",
        _added_roughness, (0.0,), is_signed=False, is_low=True, settings=("low_px",),
    ),
    Kind(
        "cavity", ("Y",), "mm", 0.0, None,
        "how deep the skin lies below its surroundings, which are waves longer than cavity_mm", _cavity, (0.0,),
        is_signed=False, needs=("cavity",), settings=("cavity_mm",),
    ),
    Kind(
        "occlusion", ("Y",), "1", 0.0, 1.0,
        "share of the sky the relief within occlusion_mm leaves open, by the cosine: 1 is open", _occlusion, (1.0,),
        is_signed=False, needs=("occlusion",), settings=("occlusion_mm",),
    ),
)  # fmt: skip

#: By name; further modules add theirs to ``_ALL``.
KINDS: dict[str, Kind] = {kind.name: kind for kind in _ALL}
