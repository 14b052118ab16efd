"""Where a relief shows the same again: little windows of it are compared with all of it, as it is and turned by half.

Every window is correlated with the relief at every place (normalised cross-correlation; Lewis 1995, Fast Normalized
Cross-Correlation).  What is asked for is a lag that many windows share.  The mean over windows at one lag is the
autocorrelation of the relief, made even in contrast.  It misses repeats that are bent or stretched, by some percent
over the length of the lag, that an eye sees well.  So a second mean takes each window's best match near the lag, and
what chance matches that way is taken off (own derivation, docs/repeats.md).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import reduce

import numpy as np
import scipy.fft
from scipy import ndimage

#: Side of a window.  Own choice: a few pores, so that what is alike by chance stays alike by 0.15, and small enough
#: that a relief bent by some percent is still alike in it.
WINDOW_MM = 6.0

#: A window's match may be so far from the lag of the others, to either side.
SLACK_MM = 1.0

#: About so many windows are compared, spread evenly; they overlap by half at most.
N_WINDOWS = 100

#: Skin for fewer windows side by side tells nothing.
LEAST_WINDOWS = 8

#: A window, and what it is compared with, is known to this share; the rest counts as flat.
KNOWN_SHARE = 0.9

#: A lag counts if this share of the windows still has skin there.
LEAST_OVERLAP = 0.3

#: Of lags whose peaks are lower than the largest by no more than this share, the shortest is told.  A lag that falls
#: between texels lowers its peak: on tiled pores, by up to 0.24 on a grid of 0.2 mm.
NEARLY = 0.25

#: Correlation above which what hangs together with lag 0 is the central lobe (the s of Sal, ISO 25178-3).
LOBE = 0.2

#: A window of less than this share of the relief's root mean square is flat, and left out.
FLAT_SHARE = 0.05


@dataclass(frozen=True)
class Match:
    """The lag, or half turn, at which most of the windows find themselves again.

    Attributes
    ----------
    peak : the larger of ``rigid`` and ``yielding``, -1 to 1, about 0 by chance and 1 for plain tiling
    rigid : largest correlation at one lag for all windows
    yielding : largest mean of best matches near one lag, less what chance gives: (found - chance) / (1 - chance)
    overlap_ratio : share of the windows that have skin at that lag
    lag_px : rows down and columns to the right; of a half turn: row and column of the point it turns about
    place_px, again_px : middle of the window that finds itself best at that lag, and of where: row, column
    """

    peak: float
    rigid: float
    yielding: float
    overlap_ratio: float
    lag_px: tuple[float, float]
    place_px: tuple[float, float]
    again_px: tuple[float, float]


@dataclass(frozen=True)
class SelfMatch:
    """How a relief matches itself, moved (``again``) and turned by half (``turned``).

    Attributes
    ----------
    chance : what the best matches near a lag are by chance
    opposite : largest correlation at one lag of the other sign
    """

    again: Match
    turned: Match
    chance: float
    opposite: float


@dataclass(frozen=True)
class _Means:
    """Means over windows, by lag.

    rigid, rigid_count : float (rows, cols), entry i is lag i - zero; near, near_count : the same by blocks of lags
    """

    rigid: np.ndarray
    rigid_count: np.ndarray
    near: np.ndarray
    near_count: np.ndarray
    zero: tuple[int, int]


class Windows:
    """Windows of a relief.

    Parameters
    ----------
    height_mm : float (rows, cols), about 0, without forms larger than a window
    known : bool (rows, cols)
    step_mm : of a texel
    """

    def __init__(self, height_mm: np.ndarray, known: np.ndarray, step_mm: float):
        self.side = max(int(round(WINDOW_MM / step_mm)), 4)
        #: matches within one and a half blocks of a block's middle count as near; odd, so that lag 0 is in a middle
        self.block = 2 * max(int(round(0.5 * (SLACK_MM / 1.5 / step_mm - 1.0))), 0) + 1
        self.height = np.where(known, height_mm, 0.0).astype(np.float32)
        self.at, self._n_known = np.empty((0, 2), int), int(known.sum())
        if min(known.shape) < self.side:
            return
        n = self.side**2
        share = _box_sum(known.astype(float), self.side) / n
        mean = _box_sum(self.height.astype(float), self.side) / n
        variance = np.maximum(_box_sum(self.height.astype(float) ** 2, self.side) / n - mean**2, 0.0)
        size = np.sqrt((self.height[known].astype(float) ** 2).mean()) if known.any() else 0.0
        self.usable = (share >= KNOWN_SHARE) & (np.sqrt(variance) > max(FLAT_SHARE * size, 1e-12))
        self._per_size = np.where(self.usable, 1.0 / np.sqrt(np.maximum(variance, 1e-24)), 0.0).astype(np.float32)
        self._shape = tuple(scipy.fft.next_fast_len(k, True) for k in self.height.shape)
        self._spectrum = scipy.fft.rfft2(self.height, self._shape, workers=2)
        self.at = self._spread_evenly()

    @property
    def enough(self) -> bool:
        """Whether there is relief for `LEAST_WINDOWS` windows side by side."""
        return len(self) >= LEAST_WINDOWS and self._n_known >= LEAST_WINDOWS * self.side**2

    def __len__(self) -> int:
        return len(self.at)

    def _spread_evenly(self) -> np.ndarray:
        """Upper left corners of windows on a square lattice, int (n, 2)."""
        apart = max(np.sqrt(self.usable.sum() / N_WINDOWS), 0.5 * self.side)
        rows, cols = (np.arange(0.5 * min(apart, n), n, apart).astype(int) for n in self.usable.shape)
        corner = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1).reshape(-1, 2)
        return corner[self.usable[corner[:, 0], corner[:, 1]]]

    def correlation(self, number: int, turned: bool) -> np.ndarray:
        """Of a window with the relief under each place of its upper left corner, float32; 0 where not usable."""
        row, col = self.at[number]
        window = self.height[row : row + self.side, col : col + self.side].astype(float)
        window = window - window.mean()
        window /= np.sqrt((window**2).mean()) * window.size
        window = (window[::-1, ::-1] if turned else window).astype(np.float32)
        product = self._spectrum * scipy.fft.rfft2(window, self._shape, workers=2).conj()
        rows, cols = self.usable.shape
        return scipy.fft.irfft2(product, self._shape, workers=2)[:rows, :cols] * self._per_size


def self_match(windows: Windows, shortest_px: float, on_window: Callable[[int, int], None] | None = None) -> SelfMatch:
    """Compare windows, `Windows.enough` of them, with all of the relief.

    Parameters
    ----------
    shortest_px : lags up to this, and what hangs together with lag 0, are the texture's own order, not a repeat
    on_window : called with how many comparisons are done, and of how many
    """
    n = len(windows)
    moved_blocks, turned_blocks = [], []
    sums = {turned: _Sums(windows, turned) for turned in (False, True)}
    for number in range(n):
        for turned, blocks in ((False, moved_blocks), (True, turned_blocks)):
            value = windows.correlation(number, turned)
            blocks.append(sums[turned].add(number, value))
            if on_window is not None:
                on_window(2 * number + 1 + turned, 2 * n)
    moved, turned = sums[False].means(), sums[True].means()
    told = turned.near_count >= LEAST_OVERLAP * n
    chance = float(np.median(turned.near[told])) if told.any() else 0.0
    excluded = _own_order(moved, shortest_px)
    return SelfMatch(
        _peak(windows, moved, moved_blocks, chance, excluded),
        _peak(windows, turned, turned_blocks, chance, np.zeros(turned.rigid.shape, bool)),
        chance,
        -float(moved.rigid[(moved.rigid_count >= LEAST_OVERLAP * n) & ~excluded].min(initial=0.0)),
    )


class _Sums:
    """Correlations of all windows, added up by lag; of turned ones, by the point they are turned about."""

    def __init__(self, windows: Windows, turned: bool):
        self.windows, self.turned = windows, turned
        rows, cols = windows.usable.shape
        k = windows.block
        if turned:
            self.zero, shape = (0, 0), tuple(k * -(-2 * n // k) for n in (rows, cols))
        else:  # lag 0 in the middle of the middle block
            self.zero = tuple(k * -(-n // k) + k // 2 for n in (rows, cols))
            shape = tuple(2 * z + 1 for z in self.zero)
        self._rigid = np.zeros((2, *shape))
        self._near = np.zeros((2, *(n // k for n in shape)))
        self._known: dict[tuple[int, int], np.ndarray] = {}

    def first(self, number: int) -> np.ndarray:
        """Entry of the sums at which the correlations of a window begin."""
        at = self.windows.at[number]
        return at if self.turned else np.array(self.zero) - at

    def add(self, number: int, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Add a window's correlations; its best ones near each block, float32, and the first of these blocks."""
        usable, k = self.windows.usable, self.windows.block
        first = self.first(number)
        here = tuple(slice(f, f + n) for f, n in zip(first, value.shape, strict=True))
        self._rigid[0][here] += value
        self._rigid[1][here] += usable
        first_block, inset = first // k, tuple(int(x) for x in first % k)
        if inset not in self._known:
            self._known[inset] = _by_blocks(usable.astype(np.float32), inset, k, 0.0, np.add) > 0.5 * k**2
        known = self._known[inset]
        blocks = _by_blocks(np.where(usable, value, np.float32(-1)), inset, k, -1.0, np.maximum)
        near = np.where(known, ndimage.maximum_filter(blocks, 3, mode="constant", cval=-1.0), np.float32(-1))
        there = tuple(slice(f, f + n) for f, n in zip(first_block, near.shape, strict=True))
        self._near[0][there] += np.where(known, near, 0.0)
        self._near[1][there] += known
        return near, first_block

    def means(self) -> _Means:
        rigid, near = self._rigid, self._near
        if not self.turned:  # a relief matches itself alike at opposite lags
            rigid, near = (0.5 * (one + one[:, ::-1, ::-1]) for one in (rigid, near))
        mean = [np.divide(s, n, out=np.zeros_like(s), where=n > 0) for s, n in (rigid, near)]
        return _Means(mean[0], rigid[1], mean[1], near[1], self.zero)


def _by_blocks(values: np.ndarray, inset: tuple[int, int], k: int, beside: float, join: np.ufunc) -> np.ndarray:
    """Blocks of k x k joined to one; the first begins ``inset`` rows and columns before the values."""
    shape = tuple(k * -(-(i + n) // k) for i, n in zip(inset, values.shape, strict=True))
    padded = np.full(shape, beside, np.float32)
    padded[tuple(slice(i, i + n) for i, n in zip(inset, values.shape, strict=True))] = values
    rows = reduce(join, [padded[i::k] for i in range(k)])
    return reduce(join, [rows[:, i::k] for i in range(k)])


def _own_order(means: _Means, shortest_px: float) -> np.ndarray:
    """bool, by lag: within ``shortest_px``, or hanging together with lag 0 above `LOBE`."""
    rows, cols = np.ogrid[: means.rigid.shape[0], : means.rigid.shape[1]]
    near = (rows - means.zero[0]) ** 2 + (cols - means.zero[1]) ** 2 <= shortest_px**2
    label, _ = ndimage.label((means.rigid > LOBE) & (means.rigid_count > 0), np.ones((3, 3)))
    return near | ((label == label[means.zero]) & (label[means.zero] > 0))


def _peak(windows: Windows, means: _Means, blocks: list, chance: float, excluded: np.ndarray) -> Match:
    n, k = len(windows), windows.block
    told = (means.rigid_count >= LEAST_OVERLAP * n) & ~excluded
    by_block = excluded.reshape(excluded.shape[0] // k, k, excluded.shape[1] // k, k).any(axis=(1, 3))
    near_told = (means.near_count >= LEAST_OVERLAP * n) & ~ndimage.binary_dilation(by_block, np.ones((3, 3)))
    rigid = float(means.rigid[told].max(initial=-1.0)) if told.any() else 0.0
    near = float(means.near[near_told].max(initial=-1.0)) if near_told.any() else chance
    yielding = (near - chance) / max(1.0 - chance, 1e-6)
    if rigid >= yielding:
        lag = _nearest_peak(means.rigid, told, means.zero, k)
        block = lag[0] // k, lag[1] // k
    else:
        block = _nearest_peak(means.near, near_told, tuple(z // k for z in means.zero), 1)
        around = _square(told.shape, ((b * k + k // 2) for b in block), k + k // 2)
        lag = _largest(means.rigid, around & (means.rigid_count > 0))
    number = int(np.argmax([_at_block(*one, block) for one in blocks]))
    return Match(
        max(rigid, yielding),
        rigid,
        yielding,
        float(means.rigid_count[lag] / n),
        *_places(windows, number, lag, means.zero),
    )


def _places(windows: Windows, number: int, lag: tuple[int, int], zero: tuple[int, int]) -> tuple[tuple, tuple, tuple]:
    """Lag (or the point turned about), middle of a window, and where it finds itself: row, column each."""
    place = windows.at[number] + 0.5 * (windows.side - 1)
    if zero == (0, 0):
        again = np.array(lag) - windows.at[number] + 0.5 * (windows.side - 1)
        moved = 0.5 * (place + again)
    else:
        moved = np.array(lag) - zero
        again = place + moved
    return tuple(tuple(float(x) for x in one) for one in (moved, place, again))


def _nearest_peak(values: np.ndarray, among: np.ndarray, zero: tuple[int, int], reach: int) -> tuple[int, int]:
    """Of lags nearly as good as the best, the nearest; or what is better within ``reach`` of it."""
    best = float(np.where(among, values, -1.0).max())
    rows, cols = np.ogrid[: values.shape[0], : values.shape[1]]
    far = (rows - zero[0]) ** 2 + (cols - zero[1]) ** 2
    good = among & (values >= best - NEARLY * abs(best))
    nearest = np.unravel_index(np.argmin(np.where(good, far, np.inf)), values.shape)
    return _largest(values, among & _square(values.shape, nearest, reach))


def _square(shape: tuple[int, int], middle: Iterable[int], reach: int) -> np.ndarray:
    """bool (rows, cols): within ``reach`` rows and columns of a place."""
    out = np.zeros(shape, bool)
    out[tuple(slice(max(int(m) - reach, 0), int(m) + reach + 1) for m in middle)] = True
    return out


def _largest(values: np.ndarray, among: np.ndarray) -> tuple[int, int]:
    row, col = np.unravel_index(np.argmax(np.where(among, values, -np.inf)), values.shape)
    return int(row), int(col)


def _at_block(near: np.ndarray, first: np.ndarray, block: tuple[int, int]) -> float:
    row, col = block[0] - first[0], block[1] - first[1]
    inside = 0 <= row < near.shape[0] and 0 <= col < near.shape[1]
    return float(near[row, col]) if inside else -1.0


def _box_sum(values: np.ndarray, side: int) -> np.ndarray:
    """Sums over all squares of ``side`` texels, by their upper left corner: (rows - side + 1, cols - side + 1)."""
    total = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    np.cumsum(np.cumsum(values, axis=0), axis=1, out=total[1:, 1:])
    return total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]
