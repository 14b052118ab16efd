"""The lobe in the middle of an autocorrelation: how soon relief stops being alike, and in which direction last."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

#: What an autocorrelation falls to where relief is no longer called alike (s of Sal and Str, ISO 25178-3: 0.2).
FALLS_TO = 0.2

#: Half sizes of the windows the lobe is looked for in, texels, one after the other until it fits; then the whole.
_WINDOWS_PX = (64, 512)
#: Half a side of the pieces that are interpolated, and how far to either side of a first guess is looked, texels.
_PIECE_PX, _LOOK_PX = 12, 1.3
#: Most places of the outline that are looked at closely, and how much longer or shorter than the extreme they may be.
_N_PLACES, _NEARLY_RATIO, _NEARLY_PX = 16, 0.02, 0.1


@dataclass(frozen=True)
class Lobe:
    """Region around the middle where an autocorrelation is `FALLS_TO` or more.

    ``shortest_px`` and ``longest_px`` are distances of its outline from the middle, texels, NaN where it has no
    outline; ``reaches_edge``: it runs out of what is known, so that ``longest_px`` is a least value.
    """

    shortest_px: float
    longest_px: float
    reaches_edge: bool

    @property
    def str_ratio(self) -> float:
        """Shortest by longest: Str, and its largest possible value where the lobe reaches the edge."""
        return self.shortest_px / self.longest_px


def central_lobe(acf: np.ndarray) -> Lobe:
    """Measure the lobe of an autocorrelation (rows, cols) whose middle is at [rows // 2, cols // 2].

    The outline is where a quintic spline through the values crosses `FALLS_TO`; the lobe is what is connected with the
    middle over sides of texels.
    """
    if not np.isfinite(acf[acf.shape[0] // 2, acf.shape[1] // 2]):
        return Lobe(math.nan, math.nan, False)
    window, middle, region, reaches_edge = _region(acf)
    at = _outline(window, region) - middle
    if len(at) == 0:
        return Lobe(math.nan, math.nan, True)
    radius = np.hypot(at[:, 0], at[:, 1])
    near = radius <= radius.min() * (1 + _NEARLY_RATIO) + _NEARLY_PX
    shortest = min(_crossing(window, middle, place)[0] for place in _some(at[near], radius[near]))
    if reaches_edge:
        inside = np.argwhere(region) - middle
        longest = max(radius.max(), float(np.hypot(inside[:, 0], inside[:, 1]).max()))
    else:
        far = radius >= radius.max() * (1 - _NEARLY_RATIO) - _NEARLY_PX
        longest = max(_crossing(window, middle, place)[1] for place in _some(at[far], -radius[far]))
    return Lobe(shortest, max(float(longest), shortest), reaches_edge)


def _region(acf: np.ndarray):
    """The smallest window the lobe fits into, its middle in it, the lobe (bool), and if it reaches the map's edge."""
    center = np.array(acf.shape) // 2
    for half in (*_WINDOWS_PX, max(acf.shape)):
        low = np.maximum(center - half, 0)
        high = np.minimum(center + half + 1, acf.shape)
        window = acf[low[0] : high[0], low[1] : high[1]]
        middle = center - low
        labels, _ = ndimage.label(window >= FALLS_TO)
        region = labels == labels[tuple(middle)]
        touches = region[0].any() or region[-1].any() or region[:, 0].any() or region[:, -1].any()
        if not touches or window.shape == acf.shape:
            break
    return window, middle, region, bool(touches)


def _outline(window: np.ndarray, region: np.ndarray) -> np.ndarray:
    """Points (n, 2), row and col, where the values cross between a texel of the lobe and one beside it; linear."""
    points = []
    for axis in (0, 1):
        first = [slice(None), slice(None)]
        second = [slice(None), slice(None)]
        first[axis], second[axis] = slice(None, -1), slice(1, None)
        at = np.argwhere(region[tuple(first)] != region[tuple(second)])
        step = np.eye(2, dtype=int)[axis]
        here, there = window[tuple(at.T)].astype(float), window[tuple((at + step).T)].astype(float)
        points.append(at + step * ((here - FALLS_TO) / (here - there))[:, None])
    return np.concatenate(points)


def _some(at: np.ndarray, rank: np.ndarray) -> np.ndarray:
    """A few of many places: the first by rank, and others spread over the list."""
    at = at[np.argsort(rank, kind="stable")]
    return at[np.unique(np.linspace(0, len(at) - 1, _N_PLACES).round().astype(int))]


def _crossing(window: np.ndarray, middle: np.ndarray, place: np.ndarray) -> tuple[float, float]:
    """Shortest and longest distance of the outline from the middle near a place of it, on a spline of a small piece."""
    radius, angle = math.hypot(*place), math.atan2(place[0], place[1])
    center = np.round(middle + place).astype(int)
    low = np.maximum(center - _PIECE_PX, 0)
    piece = window[low[0] : center[0] + _PIECE_PX + 1, low[1] : center[1] + _PIECE_PX + 1].astype(np.float64)
    spline = ndimage.spline_filter(piece, order=5, mode="mirror")
    # a little to both sides, and outwards from within
    turn = angle + np.linspace(-1.0, 1.0, 41) / max(radius, 1.0)
    way = np.arange(max(radius - _LOOK_PX, 0.0), radius + _LOOK_PX, 0.1)
    rows = middle[0] - low[0] + way[:, None] * np.sin(turn)
    cols = middle[1] - low[1] + way[:, None] * np.cos(turn)
    value = ndimage.map_coordinates(spline, [rows, cols], order=5, mode="mirror", prefilter=False) - FALLS_TO
    falls = (value[:-1] >= 0) & (value[1:] < 0)
    if not falls.any():
        return radius, radius
    step, ray = np.nonzero(falls)
    found = way[step] + 0.1 * value[step, ray] / (value[step, ray] - value[step + 1, ray])
    return float(found.min()), float(found.max())
