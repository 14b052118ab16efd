"""Pits looked at along rays from their middles: ground, floor, outline and profile, all pits at once.

Own derivation.  Along each ray the relief is read at radii in proportion to the pit's own; where it first rises to a
share of the depth lies the outline of that level.  Furrows that run into a pit make spikes of the outline; a median
over neighbouring rays takes them off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from poredepth.patch.texture.pit_kernels import read_rays

N_RAYS = 48
#: Radii of the rays, in radii of the pit at half depth: close together up to the opening, then around it.
_FAR = np.concatenate([np.arange(0.0, 2.99, 0.1), np.arange(3.0, 5.41, 0.2)])
#: Where the ground is looked for: beyond a rim.
_GROUND_FROM = 3.9
#: Shares of heights around a pit that lie below the lowest, the middle and the highest level its ground is taken from.
_GROUND_QUANTILES = (0.1, 0.5, 0.92)
#: Skewness of these levels from which on the ground is the highest of them: furrows run through the skin around.
_GROUND_SKEW = 0.2
#: Neighbouring rays of which the median is taken: 75 degrees.
_NEAR_RAYS = 11
#: Depths at which outlines are taken, shares of the depth.
HALF, STEEP = 0.5, (0.6, 0.75)
#: An outline's longest ray, in lengths that a quarter of the rays are below.
_SPIKE_RATIO = 4.0
#: Greatest second harmonic of the logarithm of an outline that is put down to an ellipse, of 1.65 to 1.
_LONGISH = 0.25
#: The same for outlines of pits that were found: 2.2 to 1.
_MOST_LONGISH = 0.4
#: Most that a middle is moved by in one step, in radii.
_MOVE_RATIO = 0.25

#: Pits looked at together, so that many need no more memory than some.
_TOGETHER = 2000

_TURN = 2 * np.pi * np.arange(N_RAYS) / N_RAYS


@dataclass(frozen=True, eq=False)
class PitShapes:
    """What is found of n pits; lengths in texels, heights as given.

    ``middle`` (n, 2), row and col; ``ground`` and ``floor`` (n,); ``radius`` (n,), of the circle as large as the
    outline at half depth; ``inner`` (n,), depth at half that radius, as a share of the whole; ``steep`` (n,), radius at
    3/4 of the depth by that at half; ``uneven`` (n,), standard deviation of the logarithm of the outlines near the
    floor about ellipses.
    """

    middle: np.ndarray
    ground: np.ndarray
    floor: np.ndarray
    radius: np.ndarray
    inner: np.ndarray
    steep: np.ndarray
    uneven: np.ndarray

    @property
    def depth(self) -> np.ndarray:
        return self.ground - self.floor

    def __getitem__(self, which) -> PitShapes:
        return PitShapes(*(getattr(self, name)[which] for name in self.__dataclass_fields__))


NO_PITS = PitShapes(np.empty((0, 2)), *(np.empty(0) for _ in range(6)))


def first_radius(spline, periodic: bool, middle, level, most_px: float) -> np.ndarray:
    """Median over rays of the radius at which the relief first rises to a level, texels, at most ``most_px``."""
    far = np.concatenate([[0.0], np.geomspace(0.5, max(most_px, 1.0), 40)])
    out = np.empty(len(middle))
    for first in range(0, len(middle), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        values = _read(spline, periodic, middle[part], np.broadcast_to(far, (len(middle[part]), len(far))), step=2)
        out[part] = np.median(_crossing(values, level[part], far[None]), axis=1)
    return np.clip(out, 0.75, most_px)


def looked_at(spline, periodic: bool, middle, radius, most_px: float, turns: int = 2) -> PitShapes:
    """Shapes of pits from first middles (n, 2) and radii (n,), texels, bettered by ``turns`` of looking.

    ``spline`` holds the coefficients of a cubic spline through the relief, float32 (rows, cols).
    """
    found = [NO_PITS]
    for first in range(0, len(middle), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        found.append(_looked_at(spline, periodic, middle[part], radius[part], most_px, turns))
    return PitShapes(*(np.concatenate([getattr(f, name) for f in found]) for name in NO_PITS.__dataclass_fields__))


def _looked_at(spline, periodic: bool, middle, radius, most_px: float, turns: int) -> PitShapes:
    shapes, outline = None, None
    for turn in range(turns):
        radius = np.clip(radius, 0.75, most_px)
        values = _read(spline, periodic, middle, radius[:, None] * _FAR)
        ground = _ground(values[:, :, _FAR >= _GROUND_FROM].reshape(len(middle), -1))
        if outline is None:
            floor, inner = values[:, :, :3].mean(axis=(1, 2)), np.zeros(len(middle))
            outline = np.broadcast_to(radius[:, None], values.shape[:2])
        far = radius[:, None] * _FAR
        if turn:
            floor, inner = _floor(values, far, outline, ground)
        raw, smooth = _outline(values, far, ground - HALF * (ground - floor))
        outline = np.minimum(smooth, 2.5 * radius[:, None])
        found = np.sqrt((outline**2).mean(axis=1))
        deeper = [_outline(values, far, ground - share * (ground - floor)) for share in STEEP]
        uneven = np.mean([_uneven(spiky) for spiky, _ in deeper], axis=0)
        steep = np.median(deeper[-1][0] / np.maximum(raw, 1e-9), axis=1)
        shapes = PitShapes(middle, ground, floor, np.clip(found, 0.0, most_px), inner, steep, uneven)
        middle, radius = middle + _move(deeper[-1][1], radius), found
    return shapes


def _read(spline, periodic: bool, middle, far, step: int = 1) -> np.ndarray:
    """Heights (n, rays, radii) around middles (n, 2) at radii (n, radii), texels, of every ``step``th ray."""
    turn = _TURN[::step]
    out = np.empty((len(middle), len(turn), far.shape[1]), np.float32)
    far = np.ascontiguousarray(far)
    read_rays(spline, periodic, np.ascontiguousarray(middle), far, np.cos(turn), np.sin(turn), out)
    return out


def _crossing(values, level, far) -> np.ndarray:
    """Radius (n, rays) at which values (n, rays, radii) first reach a level (n,); infinite where they do not."""
    above = values >= level[:, None, None]
    above[:, :, 0] = False
    at = above.argmax(axis=2)
    below = np.maximum(at - 1, 0)
    low = np.take_along_axis(values, below[:, :, None], 2)[:, :, 0]
    high = np.take_along_axis(values, at[:, :, None], 2)[:, :, 0]
    rise = high - low
    part = np.clip((level[:, None] - low) / np.where(rise > 0, rise, 1.0), 0.0, 1.0)
    inner, outer = (np.take_along_axis(np.broadcast_to(far, (len(values), far.shape[-1])), k, 1) for k in (below, at))
    return np.where(above.any(axis=2), inner + part * (outer - inner), np.inf)


def _outline(values, far, level) -> tuple[np.ndarray, np.ndarray]:
    """Outline at a level (n, rays): as it is, with spikes cut to a length, and without spikes."""
    raw = _crossing(values, level, far)
    short = np.quantile(np.minimum(raw, far[:, -1:]), 0.25, axis=1)
    raw = np.minimum(raw, _SPIKE_RATIO * short[:, None])
    smooth = _median(raw)
    # once more about its ellipse, whose ends a median takes off
    ellipse = np.exp(_second_harmonic(_log(smooth), _MOST_LONGISH))
    return raw, _median(raw / ellipse) * ellipse


def _median(outline) -> np.ndarray:
    return ndimage.median_filter(outline, size=(1, _NEAR_RAYS), mode="wrap")


def _log(outline) -> np.ndarray:
    """Logarithm of outlines (n, rays), which may touch their middles."""
    return np.log(np.maximum(outline, 1e-3 * outline.max(axis=1, initial=1e-9)[:, None] + 1e-9))


def _second_harmonic(log, most: float) -> np.ndarray:
    """What is that of an ellipse in the logarithm of outlines (n, rays), of an amplitude of ``most`` at most."""
    wave = np.exp(2j * _TURN)
    second = 2 * (log * wave.conj()).mean(axis=1)
    second *= np.minimum(1.0, most / np.maximum(np.abs(second), 1e-9))
    return (second[:, None] * wave).real


def _ground(around) -> np.ndarray:
    """Level of the skin (n,) from heights around pits (n, m).

    Heights that are spread evenly to both sides, as by grain: their median.  Heights that are spread to below, as by
    furrows, which may take half the skin: up to a high quantile, that is the fields between furrows.
    """
    low, mid, high = np.quantile(around, _GROUND_QUANTILES, axis=1)
    skew = (low + high - 2 * mid) / np.maximum(high - low, 1e-12)  # Bowley's measure, for other shares
    return mid + np.clip(-skew / _GROUND_SKEW, 0.0, 1.0) * (high - mid)


def _floor(values, far, outline, ground) -> tuple[np.ndarray, np.ndarray]:
    """Height of the middle, by an even polynomial of the radius in outlines, and depth halfway as a share of all."""
    inner = _FAR <= 1.5
    at = far[:, None, inner] / np.maximum(outline, 1e-6)[:, :, None]
    # each ring weighs as its area does; beyond the outline nothing
    weight = np.where(at <= 1.05, _FAR[inner] + 0.03, 0.0)
    powers = np.stack([np.ones_like(at), at**2, at**4], axis=-1).reshape(len(values), -1, 3)
    weight, heights = weight.reshape(len(values), -1), values[:, :, inner].reshape(len(values), -1)
    weighted = powers * weight[:, :, None]
    system = np.einsum("nki,nkj->nij", weighted, powers)
    right = np.einsum("nki,nk->ni", weighted, heights)
    system += 1e-9 * np.trace(system, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    a, b, c = np.linalg.solve(system, right[:, :, None])[:, :, 0].T
    depth = np.where(ground > a, ground - a, 1.0)
    return a, (ground - (a + b / 4 + c / 16)) / depth


def _uneven(outline) -> np.ndarray:
    """Standard deviation of the logarithm of outlines (n, rays) about those of ellipses of up to 1.65 to 1."""
    log = _log(outline)
    log -= log.mean(axis=1, keepdims=True)
    return (log - _second_harmonic(log, _LONGISH)).std(axis=1)


def _move(outline, radius) -> np.ndarray:
    """From a middle to that of the area in an outline, (n, 2), rows and cols, at most `_MOVE_RATIO` of the radius."""
    outline = np.minimum(outline, 1.5 * np.median(outline, axis=1)[:, None])
    area = np.maximum((outline**2).sum(axis=1), 1e-9)
    move = np.stack([-(outline**3 * np.sin(_TURN)).sum(axis=1), (outline**3 * np.cos(_TURN)).sum(axis=1)], axis=1)
    move /= 1.5 * area[:, None]
    length = np.hypot(move[:, 0], move[:, 1])
    return move * np.minimum(1.0, _MOVE_RATIO * radius / np.maximum(length, 1e-9))[:, None]
