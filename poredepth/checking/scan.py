"""One pass over the values of a file: extremes, levels, what is not finite, and the texels that were asked for."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from poredepth.checking.reader import OpenedMap

#: Places of extremes that are remembered.
MOST_PLACES = 100
#: Different values of a float file that are counted; beyond that there are enough.
MOST_LEVELS = 4096


@dataclass(frozen=True)
class Extreme:
    """The lowest or highest value: how many texels hold it, and the first of them (row x cols + col)."""

    value: float
    n: int
    texel: np.ndarray


@dataclass(frozen=True)
class Texels:
    """Single texels of a file by number (row x cols + col, rising), with their values as they are stored."""

    n_cols: int
    number: np.ndarray
    raw: np.ndarray

    def at(self, row_px: np.ndarray, col_px: np.ndarray) -> np.ndarray:
        """Values of texels that were asked for when the file was read."""
        number = np.asarray(row_px, np.int64) * self.n_cols + col_px
        place = np.searchsorted(self.number, number)
        if len(number) and not np.array_equal(self.number[np.minimum(place, len(self.number) - 1)], number):
            raise AssertionError("a texel is looked at that was not asked for")
        return self.raw[place]


@dataclass(frozen=True)
class Scan:
    """What one pass over a file found.

    Attributes
    ----------
    low, high : of finite values; None if there are none
    n_not_finite, first_not_finite : texels that are NaN or infinite, and the first (row, col)
    levels : the different values, rising, float64; None: a float file with more than MOST_LEVELS
    digest : of all values, so that equal pictures have equal ones
    texels : those asked for
    is_flat : all texels are alike, in each channel
    """

    shape: tuple[int, int]
    dtype: np.dtype
    low: Extreme | None
    high: Extreme | None
    n_not_finite: int
    first_not_finite: tuple[int, int] | None
    levels: np.ndarray | None
    digest: str
    texels: Texels
    is_flat: bool


def scan(opened: OpenedMap, wanted: np.ndarray) -> Scan:
    """Read a file from top to bottom, one block of rows in memory.

    Parameters
    ----------
    wanted : int64 (n,), rising: texels to keep, row x cols + col; none of a map of several channels

    Raises
    ------
    UnreadableMapError : the file is broken
    """
    cols = opened.shape[1] * opened.n_read
    dtype = np.dtype(opened.pixel_type)
    raw = np.zeros(len(wanted), dtype)
    digest = hashlib.blake2b(digest_size=16)
    low, high = _Extremes(-1.0), _Extremes(1.0)
    levels = _Levels(dtype)
    n_bad, first_bad, corner = 0, None, None
    for first, block in opened.blocks():
        block = np.ascontiguousarray(block)
        digest.update(block.data)
        if first == 0:
            corner = block[0, 0].copy()
        if corner is not None and not (block == corner).all():
            corner = None
        flat, offset = block.reshape(-1), first * cols
        start, stop = np.searchsorted(wanted, [offset, offset + block.size])
        raw[start:stop] = flat[wanted[start:stop] - offset]
        if dtype == np.float16:
            flat = flat.astype(np.float32)  # sums and comparisons of halves are slow
        least, most = float(flat.min()), float(flat.max())
        if not (np.isfinite(least) and np.isfinite(most)):  # a NaN or an infinity always shows in the extremes
            bad = np.flatnonzero(~np.isfinite(flat))
            row, col = divmod(int(offset + bad[0]), cols)
            first_bad = first_bad or (row, col // opened.n_read)
            n_bad += len(bad)
            flat = np.where(np.isfinite(flat), flat, np.float32(np.nan))
            least, most = float(np.fmin.reduce(flat)), float(np.fmax.reduce(flat))
        low.look(flat, least, offset)
        high.look(flat, most, offset)
        levels.look(flat)
    return Scan(
        opened.shape, dtype, low.found(), high.found(), n_bad, first_bad, levels.found(), digest.hexdigest(),
        Texels(cols, wanted, raw), corner is not None,
    )  # fmt: skip


class _Extremes:
    """The highest value so far (sign 1), or the lowest (sign -1)."""

    def __init__(self, sign: float):
        self._sign = sign
        self._value, self._n, self._texel = None, 0, np.empty(0, np.int64)

    def look(self, flat: np.ndarray, best: float, offset: int) -> None:
        """``best`` is that of the block; nan: there is nothing finite in it."""
        if np.isnan(best):
            return
        if self._value is None or self._sign * best > self._sign * self._value:
            self._value, self._n, self._texel = best, 0, np.empty(0, np.int64)
        if best != self._value:
            return
        held = flat == flat.dtype.type(best)
        self._n += int(np.count_nonzero(held))
        if len(self._texel) < MOST_PLACES:
            self._texel = np.concatenate([self._texel, offset + np.flatnonzero(held)])[:MOST_PLACES]

    def found(self) -> Extreme | None:
        return None if self._value is None else Extreme(self._value, self._n, self._texel)


class _Levels:
    """The different values so far."""

    def __init__(self, dtype: np.dtype):
        self._is_whole = dtype.kind != "f" and dtype.itemsize <= 2
        self._seen = np.zeros(np.iinfo(dtype).max + 1, bool) if self._is_whole else np.empty(0, dtype)

    def look(self, flat: np.ndarray) -> None:
        if self._is_whole:
            self._seen[flat] = True
        elif self._seen is not None:
            few = np.unique(flat[::61])  # most blocks of a map have plenty: no need to sort them
            if len(few) <= MOST_LEVELS:
                few = np.unique(flat)
            seen = np.union1d(self._seen, few[np.isfinite(few)])
            self._seen = seen if len(seen) <= MOST_LEVELS else None

    def found(self) -> np.ndarray | None:
        if self._seen is None:
            return None
        return np.flatnonzero(self._seen).astype(float) if self._is_whole else self._seen.astype(float)
