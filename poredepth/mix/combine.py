"""The mix: all layers, bottom to top, as one height at any skin point."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from poredepth.mix.bands import COARSE, FINE, MIDDLE
from poredepth.mix.layers import CompiledLayer, LayingGround
from poredepth.mix.tracks import Share, Track
from poredepth.patch.bands import BANDS
from poredepth.surface.metric import Footprint
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import RegionField, region_weight
from poredepth.surface.scalars import factor_at

N_BANDS = len(BANDS)

#: Heights that a layer's own fade has multiplied by less are not made whole again: next to nothing of them shows.
LEAST_FADE = 1e-3


@dataclass(frozen=True)
class Sampling:
    """How densely the skin is looked at: what texels are on the skin, and in UV.

    Attributes
    ----------
    footprint : of texels on the skin; or their size alone at triangle corners, float32 (n_triangles, 3), mm
    size_px : texels along one UV tile
    """

    footprint: Footprint | np.ndarray
    size_px: int

    def footprint_of(self, layer: CompiledLayer) -> Footprint | np.ndarray:
        """Texels in the layer's own measure: mm for patches, units of UV for maps."""
        if layer.in_uv:
            size_mm = self.footprint.size_mm if isinstance(self.footprint, Footprint) else self.footprint
            return np.full_like(size_mm, 1.0 / self.size_px)
        return self.footprint


def mixed_height_mm(
    layers: Sequence[CompiledLayer], ground: LayingGround, sampling: Sampling, points: SkinPoints
) -> np.ndarray:
    """Height of the whole stack at skin points.

    Layers join from the bottom up, each by its rule, with its gains, its region's weight for each band and what varies
    over the skin (docs/mixing.md).

    Returns
    -------
    float32 (n,), mm; 0 where there is no skin
    """
    mix = _Mix(ground, sampling, points, tracks_of(layers))
    for layer in layers:
        mix.lay(layer, watchers_of(layer, layers))
    return mix.height_mm()


def bands_mm(
    layers: Sequence[CompiledLayer], ground: LayingGround, sampling: Sampling, points: SkinPoints
) -> Iterator[tuple[str, np.ndarray]]:
    """The mix by bands: (name, float32 (n,), mm), coarse to fine; they add up to the mix."""
    mix = _Mix(ground, sampling, points, tuple((band,) for band in range(N_BANDS)))
    for layer in layers:
        mix.lay(layer, watchers_of(layer, layers))
    for name, track in zip(BANDS, mix.tracks, strict=True):
        yield name, track.height_mm()


def contributions_mm(
    layers: Sequence[CompiledLayer], ground: LayingGround, sampling: Sampling, points: SkinPoints
) -> Iterator[tuple[str, np.ndarray]]:
    """What each layer changes of the mix of those below it: (name, float32 (n,), mm); they add up to the mix."""
    mix = _Mix(ground, sampling, points, tracks_of(layers))
    before_mm = mix.height_mm().copy()
    for layer in layers:
        mix.lay(layer, watchers_of(layer, layers))
        after_mm = mix.height_mm().copy()
        yield layer.name, after_mm - before_mm
        before_mm = after_mm


def tracks_of(layers: Sequence[CompiledLayer]) -> tuple[tuple[int, ...], ...]:
    """Bands that must be held apart, each alone, after all others together."""
    alone = set()
    for layer in layers:
        if layer.rule.kind != "add":
            alone.update(layer.used)
        if layer.thins is not None and layer.thins.layer is None and layer.thins.by == "curvature":
            alone.add(MIDDLE)
    others = tuple(band for band in range(N_BANDS) if band not in alone)
    return (*([others] if others else []), *((band,) for band in sorted(alone)))


def watchers_of(layer: CompiledLayer, layers: Sequence[CompiledLayer]) -> frozenset[str]:
    """By what a layer is watched by others that thin out over it: ``depth``, ``curvature``."""
    return frozenset(other.thins.by for other in layers if other.thins is not None and other.thins.layer == layer.name)


@dataclass
class _Mix:
    """The mix so far at some skin points."""

    ground: LayingGround
    sampling: Sampling
    points: SkinPoints
    track_bands: tuple[tuple[int, ...], ...]
    tracks: list[Track] = field(init=False)
    #: Height (for ``depth``) and middle band (for ``curvature``) of watched layers, as they were laid.
    _watched: dict[tuple[str, str], np.ndarray] = field(default_factory=dict)
    _weights: dict[int, np.ndarray] = field(default_factory=dict)

    def __post_init__(self):
        several = len(self.track_bands) > 1
        self.tracks = [Track(bands, len(self.points), several and len(bands) == 1) for bands in self.track_bands]

    def height_mm(self) -> np.ndarray:
        first, *rest = [track.height_mm() for track in self.tracks]
        for one in rest:
            first = first + one
        return first

    def lay(self, layer: CompiledLayer, watched: Collection[str] = ()) -> None:
        """Bring a layer into every track it has a band in."""
        self._end_runs(layer)
        presence = self._presence(layer)
        if not any(presence[band].any() for band in layer.used):
            for by in watched:
                self._watched[layer.name, by] = np.zeros(len(self.points), np.float32)
            return
        footprint = self.sampling.footprint_of(layer)
        # in several tracks the same pictures are asked for again and again
        kept = {} if watched or len(self.tracks) > 1 else None
        laid = _Laid(layer, self.points, footprint, presence, self._strengths(layer, presence), kept)
        for by in watched:
            self._watched[layer.name, by] = laid.height_mm(range(N_BANDS) if by == "depth" else [MIDDLE])
        for track in self.tracks:
            used = [band for band in track.bands if band in layer.used]
            if not used:
                continue
            if layer.rule.kind == "add":
                track.add(laid.share(track, used))
            elif layer.rule.kind == "replace":
                track.replace(laid.share(track, used))
            else:
                track.extreme(laid.whole_share(used, self._gains(layer)), layer.rule)

    def _end_runs(self, layer: CompiledLayer) -> None:
        """Runs of replacing layers end where the recipe ends them, not where some point of a block has the layer."""
        kind = layer.rule.kind
        for track in self.tracks:
            bands = [band for band in track.bands if band in layer.used and (kind != "add" or layer.gain[band] != 0.0)]
            if bands and kind != "replace":
                track.end_run()

    def _presence(self, layer: CompiledLayer) -> list[np.ndarray]:
        """For each band, float32 (n,): region times thinning; equal ones are one object."""
        left = None if layer.thins is None else self._left(layer)
        made: dict[int, np.ndarray] = {}
        out = []
        for region in layer.regions:
            if id(region) not in made:
                weight = self._weight(region)
                made[id(region)] = weight if left is None else weight * left
            out.append(made[id(region)])
        return out

    def _weight(self, region: RegionField | None) -> np.ndarray:
        if id(region) not in self._weights:
            self._weights[id(region)] = (
                np.ones(len(self.points), np.float32)
                if region is None
                else region_weight(self.ground.surface, region, self.points.triangle, self.points.barycentric)
            )
        return self._weights[id(region)]

    def _left(self, layer: CompiledLayer) -> np.ndarray:
        thins = layer.thins
        if thins.layer is not None:
            return thins.left(self._watched[thins.layer, thins.by])
        if thins.by == "depth":
            return thins.left(self.height_mm())
        return thins.left(next(track for track in self.tracks if track.bands == (MIDDLE,)).height_mm())

    def _gains(self, layer: CompiledLayer) -> list[np.ndarray | None]:
        """Gain of each band at the points, float32 (n,) or None for 0; equal ones are one object."""
        factor = np.ones(len(self.points), np.float32)
        if layer.gain_factor is not None:
            factor = factor_at(self.ground.surface, layer.gain_factor, self.points.triangle, self.points.barycentric)
        made = {gain: factor if gain == 1.0 else np.float32(gain) * factor for gain in set(layer.gain) if gain != 0.0}
        return [made.get(gain) for gain in layer.gain]

    def _strengths(self, layer: CompiledLayer, presence: Sequence[np.ndarray]) -> list[np.ndarray | None]:
        """Presence times gain of each band, None for 0; equal ones are one object."""
        made: dict[tuple[int, int], np.ndarray] = {}
        out = []
        for one, gain in zip(presence, self._gains(layer), strict=True):
            if gain is None:
                out.append(None)
                continue
            key = id(one), id(gain)
            if key not in made:
                made[key] = one * gain
            out.append(made[key])
        return out


@dataclass(frozen=True)
class _Laid:
    """A layer at the points of a mix: presence, and presence x gain, for each band; and what was looked up of it,
    float32 (n,), where that is kept."""

    layer: CompiledLayer
    points: SkinPoints
    footprint: Footprint | np.ndarray
    presence: Sequence[np.ndarray]
    strength: Sequence[np.ndarray | None]
    kept: dict[str, np.ndarray] | None

    def height_mm(self, bands: Sequence[int]) -> np.ndarray:
        out = np.zeros(len(self.points), np.float32)
        self._writer(bands, self.strength)(out)
        return out

    def share(self, track: Track, bands: Sequence[int]) -> Share:
        """What the layer brings to a track by these of its bands."""
        writer = self._writer(bands, self.strength)
        if not track.mixes:
            return Share(self.presence[FINE], writer)
        (band,) = bands
        shown = self._shown(band)
        strength = self.strength[band]
        if strength is None:
            return Share(shown, None)
        sq_mm = self.layer.bands.sq_mm[band]
        if sq_mm == 0.0:
            return Share(shown, writer)
        size_mm = np.abs(strength) * np.float32(sq_mm)
        if shown is not self.presence[band]:
            # the heights have the fade of the layer's own picture in them, their root mean square has not
            size_mm *= self._own(band)
        level_mm = strength * np.float32(self.layer.bands.mean_mm) if band == COARSE else np.float32(0)
        return Share(shown, writer, level_mm, size_mm)

    def whole_share(self, bands: Sequence[int], gains: Sequence[np.ndarray | None]) -> Share:
        """The same with heights as they are where the layer is whole."""
        (band,) = bands
        if gains[band] is None:
            return Share(self._shown(band), None)
        writer = self._writer(bands, gains)
        if not self.layer.bands.fades:
            return Share(self.presence[band], writer)
        own = self._own(band)

        def add_to(height_mm: np.ndarray) -> None:
            faded_mm = np.zeros_like(height_mm)
            writer(faded_mm)
            height_mm += np.divide(faded_mm, own, out=faded_mm, where=own > LEAST_FADE)

        return Share(self.presence[band] * own, add_to)

    def _shown(self, band: int) -> np.ndarray:
        """Presence, with the fade of the layer's own picture."""
        return self.presence[band] * self._own(band) if self.layer.bands.fades else self.presence[band]

    def _own(self, band: int) -> np.ndarray:
        key = f"fade {id(self.layer.bands.fade[band])}"  # bands may share one
        if self.kept is None:
            return self.layer.bands.fade_at(band, self.points, self.footprint)
        if key not in self.kept:
            self.kept[key] = self.layer.bands.fade_at(band, self.points, self.footprint)
        return self.kept[key]

    def _writer(self, bands: Sequence[int], weights: Sequence[np.ndarray | None]) -> Callable[[np.ndarray], None]:
        chosen = [weights[band] if band in bands else None for band in range(N_BANDS)]

        def add_to(height_mm: np.ndarray) -> None:
            for name, weight in self.layer.bands.terms(chosen):
                if self.kept is None:
                    self.layer.bands.look_up(name, height_mm, self.points, weight, self.footprint)
                else:
                    height_mm += weight * self._looked_up(name)

        return add_to

    def _looked_up(self, name: str) -> np.ndarray:
        if name not in self.kept:
            shows = np.logical_or.reduce([one != 0 for one in self.presence]).astype(np.float32)
            self.kept[name] = np.zeros(len(self.points), np.float32)
            self.layer.bands.look_up(name, self.kept[name], self.points, shows, self.footprint)
        return self.kept[name]
