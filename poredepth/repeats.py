"""Does an eye see a composed relief repeat?  The largest secondary peak of its autocorrelation along the skin."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.errors import PlacementError, RegionError
from poredepth.mix.combine import Sampling, contributions_mm, mixed_height_mm
from poredepth.mix.layers import CompiledLayer
from poredepth.patch.bands import SIGMA_PER_CUTOFF
from poredepth.patch.self_match import LEAST_WINDOWS, WINDOW_MM, Match, SelfMatch, Windows, self_match
from poredepth.pipeline import Composition, OnProgress, quiet
from poredepth.raster.flat_view import FlatView, flat_view, largest_piece
from poredepth.recipe.words import names_text, suggest
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import RegionField, region_weight

#: Step of the grid on the skin.  An eye half a metre away resolves 0.15 mm (one minute of arc).
GRID_MM = 0.2

#: What is longer is form: it is taken off before heights are compared.
FORM_MM = 5.0

#: Lags up to this are the texture's own order: pores and furrow fields stand 0.5 to 1.3 mm apart.
SHORTEST_MM = 3.0

#: A peak above this is seen as a repeat.  Own choice, by looking (docs/repeats.md).
SEEN_PEAK = 0.3

#: Weight of the region, and of a layer's own, from which skin belongs to the heart that is looked at.
HEART_WEIGHT = 0.99


@dataclass(frozen=True)
class Repeats:
    """How much the relief of a region repeats.

    Attributes
    ----------
    region, layer : what was looked at; ``layer`` None is the mix of all
    peak : largest correlation of the relief with itself moved by a lag, -1 to 1: about 0 for relief that does not
        repeat, 1 for plain tiling; above `SEEN_PEAK` an eye sees it
    rigid_peak : the same with one lag for all of the skin; ``peak`` also finds repeats that are bent and stretched
    lag_mm : of the peak, along the mean direction of the skin and across it, seen from outside: right (0 or more), up;
        of lags nearly as good, the shortest
    overlap_ratio : share of the skin that has skin at that lag
    at, again_at : a place that repeats so, and where, (x, y, z) in units of the mesh file
    chance_peak : what chance alone gives: the largest correlation of the other sign.  A ``peak`` of this size tells
        nothing, be it large as in small regions
    turned_peak : as ``peak``, with the relief turned by half in its plane
    skin_mm2 : skin that was looked at; stretch : how true to size it was laid flat, least and most
    grid_mm, shortest_mm : distance of the points that were compared, and the lag from which repeats count
    """

    region: str
    layer: str | None
    peak: float
    rigid_peak: float
    lag_mm: tuple[float, float]
    overlap_ratio: float
    at: tuple[float, float, float]
    again_at: tuple[float, float, float]
    chance_peak: float
    turned_peak: float
    skin_mm2: float
    stretch: tuple[float, float]
    grid_mm: float
    shortest_mm: float

    @property
    def distance_mm(self) -> float:
        return float(np.hypot(*self.lag_mm))

    @property
    def direction_deg(self) -> float:
        """Way of the lag off the region's mean direction, anticlockwise, 0 to below 180."""
        return float(np.rad2deg(np.arctan2(self.lag_mm[1], self.lag_mm[0])) % 180.0)

    @property
    def is_seen(self) -> bool:
        """Whether an eye sees the repeat; stripes, which are as alike as they are unlike from lag to lag, are none."""
        return self.peak > max(SEEN_PEAK, 2.0 * self.chance_peak)


def measure_repeats(
    composition: Composition,
    region: str,
    *,
    layer: str | None = None,
    size_px: int | None = None,
    shortest_mm: float = SHORTEST_MM,
    on_progress: OnProgress = quiet,
) -> Repeats:
    """Measure how much the relief of a region, or what one layer brings to it, repeats along the skin.

    Parameters
    ----------
    composition : see `prepare`
    region : name of a region of the recipe; its largest connected part is looked at, where its weight is full
    layer : name of a layer; its part is what it changes of the mix of those below it, where it is whole
    size_px : look at the relief as filtered for a map of this size; default: for the grid it is compared on
    shortest_mm : lags up to this do not count, above 0
    on_progress : called with (stage, done, total)

    Raises
    ------
    RegionError : no such region, or one too small to tell anything
    PlacementError : no such layer, or one that is not there or flat

    Notes
    -----
    The skin is laid flat as truly to size as a plane allows; where it is still stretched beyond 0.8 to 1.25 it is left
    out.  See docs/repeats.md for the formula.

    Source: normalised cross-correlation, Lewis 1995; the rest is our own derivation.
    """
    names = [one.name for one in composition.layers]
    if layer is not None and layer not in names:
        raise PlacementError(
            f"layer '{layer}': no such layer; allowed: {names_text(names, 'none')}{_meant(layer, names)}"
        )
    [found] = _measured(composition, region, [layer], size_px, shortest_mm, on_progress)
    return found


def measure_all_repeats(
    composition: Composition,
    region: str,
    *,
    size_px: int | None = None,
    shortest_mm: float = SHORTEST_MM,
    on_progress: OnProgress = quiet,
) -> tuple[Repeats, ...]:
    """The same for each scattered or spread layer that is whole on enough of a region, and for the mix, which is last.

    Parameters as in `measure_repeats`.

    Raises
    ------
    RegionError : no such region, or one too small to tell anything
    PlacementError : the mix is flat
    """
    laid = [spec.name for spec in composition.recipe.layers if spec.place in ("scatter", "spread")]
    return tuple(_measured(composition, region, [*laid, None], size_px, shortest_mm, on_progress))


def _measured(
    composition: Composition,
    region: str,
    layers: Sequence[str | None],
    size_px: int | None,
    shortest_mm: float,
    on_progress: OnProgress,
) -> Iterator[Repeats]:
    """One for each layer, in order; of several, those that are not there are left out."""
    if not (np.isfinite(shortest_mm) and shortest_mm > 0):
        raise RegionError(f"shortest_mm: found {shortest_mm:g}; allowed: above 0; it is a distance on the skin, in mm")
    on_progress("flatten", 0, 1)
    view = _view(composition, region, shortest_mm)
    on_progress("heights", 0, 1)
    heights_mm = _heights_mm(composition, view, layers, size_px)
    by_name = {layer.name: layer for layer in composition.layers}
    for number, name in enumerate(layers):
        there = view.shown if name is None else view.shown & _is_whole(composition, by_name[name], view)
        windows = Windows(_texture_mm(heights_mm[name], there, view.step_mm), there, view.step_mm)
        if not windows.enough:
            if len(layers) > 1 and name is not None:
                continue
            raise _nothing_to_compare(region, name)

        def on_window(done: int, total: int, number: int = number) -> None:
            on_progress("repeats", number * total + done, len(layers) * total)

        found = self_match(windows, shortest_mm / view.step_mm, on_window)
        yield _told(composition, view, region, name, found, float(there.sum()) * view.step_mm**2, shortest_mm)


def _view(composition: Composition, region: str, shortest_mm: float) -> FlatView:
    """The heart of a region, laid flat."""
    regions, surface = composition.ground.regions, composition.surface
    if region not in regions:
        raise RegionError(
            f"region '{region}': no such region; allowed: {names_text(list(regions), 'none')}{_meant(region, regions)}"
        )
    every, places = np.arange(surface.n_triangles, dtype=np.int32), (*np.eye(3), np.full(3, 1 / 3))
    weight = np.minimum.reduce([_weight(composition, regions[region], every, at) for at in places])
    where = largest_piece(surface, weight >= HEART_WEIGHT)
    if len(where) == 0:
        raise RegionError(
            f"region '{region}': its weight is full nowhere; allowed: a region with skin inside its feather; check "
            "what it is made of"
        )
    view = flat_view(surface, composition.ground.field, where, GRID_MM)
    rows, cols = (np.flatnonzero(view.shown.any(axis=axis)) for axis in (1, 0))
    extent_mm = min((np.ptp(line) + 1) * view.step_mm if len(line) else 0.0 for line in (rows, cols))
    least_mm = max(2.0 * shortest_mm, WINDOW_MM)
    if extent_mm < least_mm:
        raise RegionError(
            f"region '{region}': its largest part with full weight is {extent_mm:.1f} mm wide; allowed: at least "
            f"{least_mm:g} mm, twice the shortest lag; take a larger region"
        )
    return view


def _weight(composition: Composition, field: RegionField, triangle: np.ndarray, barycentric: np.ndarray) -> np.ndarray:
    barycentric = np.broadcast_to(np.asarray(barycentric, np.float32), (len(triangle), 3))
    return region_weight(composition.surface, field, triangle, np.ascontiguousarray(barycentric))


def _is_whole(composition: Composition, layer: CompiledLayer, view: FlatView) -> np.ndarray:
    """bool (rows, cols): every band of a layer has its full weight."""
    out = np.ones(len(view.points), bool)
    for field in {id(one): one for band, one in enumerate(layer.regions) if band in layer.used}.values():
        if field is not None:
            out &= _weight(composition, field, view.points.triangle, view.points.barycentric) >= HEART_WEIGHT
    return out.reshape(view.shape)


def _heights_mm(
    composition: Composition, view: FlatView, layers: Sequence[str | None], size_px: int | None
) -> dict[str | None, np.ndarray]:
    """Heights of the mix (None) and what each layer brings, float32 (rows, cols), mm, of those that are asked for."""
    raster = composition.raster(size_px)
    texel = raster.footprint
    if size_px is None:
        texel = np.full((composition.surface.n_triangles, 3), view.step_mm, np.float32)
    how = Sampling(texel, raster.size_px), view.points
    out = {None: mixed_height_mm(composition.layers, composition.ground, *how)} if None in layers else {}
    if set(layers) - {None}:
        parts = contributions_mm(composition.layers, composition.ground, *how)
        out |= {name: height_mm for name, height_mm in parts if name in layers}
    return {name: height_mm.reshape(view.shape) for name, height_mm in out.items()}


def _texture_mm(height_mm: np.ndarray, known: np.ndarray, step_mm: float) -> np.ndarray:
    """Heights less their Gaussian mean over what is known."""
    sigma_px = SIGMA_PER_CUTOFF * FORM_MM / step_mm
    sums = [ndimage.gaussian_filter(np.where(known, one, 0.0), sigma_px, mode="constant") for one in (height_mm, 1.0)]
    return np.where(known, height_mm - sums[0] / np.maximum(sums[1], 1e-9), 0.0)


def _told(
    composition: Composition,
    view: FlatView,
    region: str,
    layer: str | None,
    found: SelfMatch,
    skin_mm2: float,
    shortest_mm: float,
) -> Repeats:
    again = found.again
    along_mm, across_mm = again.lag_px[1] * view.step_mm, -again.lag_px[0] * view.step_mm
    places = list(_places(composition, view, again))
    if (along_mm, across_mm) < (0.0, 0.0):  # a lag and its opposite are one
        along_mm, across_mm, places = -along_mm, -across_mm, places[::-1]
    return Repeats(
        region,
        layer,
        again.peak,
        again.rigid,
        (along_mm + 0.0, across_mm + 0.0),
        again.overlap_ratio,
        *places,
        found.opposite,
        found.turned.peak,
        skin_mm2,
        view.stretch,
        view.step_mm,
        shortest_mm,
    )


def _places(composition: Composition, view: FlatView, match: Match) -> Iterator[tuple[float, float, float]]:
    """The two places of a match in units of the mesh file: the nearest grid points that show skin."""
    row, col = np.nonzero(view.shown)
    for place in (match.place_px, match.again_px):
        nearest = np.argmin((row - place[0]) ** 2 + (col - place[1]) ** 2)
        number = row[nearest] * view.shape[1] + col[nearest]
        point = SkinPoints(view.points.triangle[[number]], view.points.barycentric[[number]])
        at_mm = composition.surface.points_mm(point.triangle, point.barycentric.astype(float))[0]
        yield tuple(float(x) for x in at_mm / composition.surface.mm_per_unit)


def _nothing_to_compare(region: str, layer: str | None) -> Exception:
    least = f"{LEAST_WINDOWS} windows of {WINDOW_MM:g} mm"
    if layer is None:
        return RegionError(
            f"region '{region}': fewer than {least} of it have relief; allowed: a region that holds more; take a "
            "larger one, or one with layers on it"
        )
    return PlacementError(
        f"layer '{layer}': fewer than {least} of region '{region}' have it in full; allowed: a region that the layer "
        "covers; name another"
    )


def _meant(name: str, names: Sequence[str]) -> str:
    meant = suggest(name, list(names))
    return f"; did you mean '{meant}'?" if meant else ""
