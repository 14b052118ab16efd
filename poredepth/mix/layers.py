"""A compiled layer: a layer of the recipe as a function on the skin, and the ground it is laid on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from poredepth.mix.bands import LayerBands, PerBand
from poredepth.mix.edges import Edges
from poredepth.mix.thinning import Thinning
from poredepth.mix.tracks import Rule
from poredepth.placement.prints import Prints
from poredepth.placement.registered import Registration
from poredepth.raster.evaluate import Pictures
from poredepth.surface.directions import DirectionField
from poredepth.surface.regions import RegionField
from poredepth.surface.scalars import Factor
from poredepth.surface.skin import Surface


@dataclass(frozen=True)
class CompiledLayer:
    """A layer as a function on the skin.

    Attributes
    ----------
    bands : its heights, whole and by bands
    in_uv : its pictures are measured in UV (a map), not in mm (a patch)
    gain : factor on each band
    used : numbers of the bands it is laid with
    regions : for each band, the region it covers, or None for the whole skin
    rule : how it joins the layers below
    thins : where it thins out
    gain_factor : factor on the gain that varies over the skin
    registration : what tie points say of a registered layer
    """

    name: str
    bands: LayerBands
    in_uv: bool
    gain: PerBand = (1.0, 1.0, 1.0)
    used: tuple[int, ...] = (0, 1, 2)
    regions: tuple[RegionField | None, ...] = (None, None, None)
    rule: Rule = Rule()
    thins: Thinning | None = None
    gain_factor: Factor | None = None
    registration: Registration | None = None

    @property
    def prints(self) -> Prints:
        return self.bands.whole.prints

    @property
    def pictures(self) -> Pictures:
        return self.bands.whole.pictures

    @property
    def is_even(self) -> bool:
        """Whether its bands are always laid alike, so that it need not be split."""
        return len(set(self.gain)) == 1 and all(region is self.regions[0] for region in self.regions)


@dataclass(frozen=True)
class Factors:
    """Factors of one layer that vary over the skin; None where nothing varies."""

    gain: Factor | None = None
    size: Factor | None = None


@dataclass(frozen=True)
class LayingGround:
    """What layers are laid on: the skin, its directions, its regions with edges for every band, the recipe's seed."""

    surface: Surface
    field: DirectionField
    edges: Edges
    seed: int

    @property
    def regions(self) -> Mapping[str, RegionField]:
        return self.edges.regions
