"""How far the lines of two margins have drifted apart along the cut, and the picture bent so that they meet."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

#: Columns of a margin that the drift is found with.
_MOST_COLUMNS = 48
#: Standard deviations, texels, that heights are smoothed with, coarse to fine, and the steps taken with each.
_SMOOTH_PX, _STEPS = (6.0, 3.0, 1.5), 4
#: Standard deviation of the window that a drift is found in, per width of the margin, and the least in texels.
_WINDOW_SHARE, _LEAST_WINDOW_PX = 0.5, 8.0
#: Slopes below this share of the mean say little about a drift.
_LEAST_SLOPE_SHARE = 0.05
#: The picture is bent only if the difference of the margins falls to this share: where they hold the same lines.
_MOST_LEFT = 0.5
#: A longest drift below this is left alone, texels.
_LEAST_DRIFT_PX = 0.05
#: Lines bent at once.
_STRIP_PX = 64


def drift_px(left: np.ndarray, right: np.ndarray, closed: bool, most_px: float) -> np.ndarray | None:
    """Rows that the right margin lies below the left one, at every row; None where they do not hold the same lines.

    Parameters
    ----------
    left, right : float (rows, width)
    closed : whether the rows meet again below the last
    most_px : float, texels, the longest drift

    Returns
    -------
    float64 (rows,) or None

    Notes
    -----
    Least squares on slopes, coarse to fine (Lucas & Kanade, IJCAI 1981), along one axis.
    """
    some = slice(None, None, -(-left.shape[1] // _MOST_COLUMNS))
    one, other = left[:, some].astype(np.float64), right[:, some].astype(np.float64)
    mode = "wrap" if closed else "nearest"
    window = max(_WINDOW_SHARE * left.shape[1], _LEAST_WINDOW_PX)
    drift = np.zeros(len(left))
    for smooth in _SMOOTH_PX:
        a, b = (ndimage.gaussian_filter1d(m, smooth, axis=0, mode=mode) for m in (one, other))
        for _ in range(_STEPS):
            drift = np.clip(drift + _step(a, b, drift, closed, window), -most_px, most_px)
    before, after = _apart(one, other), _apart(one, _moved(other, drift, closed))
    if not after <= _MOST_LEFT * before or np.abs(drift).max() < _LEAST_DRIFT_PX:
        return None
    return drift


def _step(one: np.ndarray, other: np.ndarray, drift: np.ndarray, closed: bool, window: float) -> np.ndarray:
    """What the drift should change by."""
    moved = _moved(other, drift, closed)
    slope = np.gradient(moved, axis=0)
    mode = "wrap" if closed else "nearest"
    pull = ndimage.gaussian_filter1d(((one - moved) * slope).sum(axis=1), window, mode=mode)
    hold = ndimage.gaussian_filter1d((slope**2).sum(axis=1), window, mode=mode)
    level = float(hold.mean())
    return pull / (hold + _LEAST_SLOPE_SHARE * level) if level > 0 else np.zeros(len(drift))


def _apart(one: np.ndarray, other: np.ndarray) -> float:
    return float(((one - other) ** 2).sum())


def _moved(strip: np.ndarray, drift: np.ndarray, closed: bool) -> np.ndarray:
    """strip read at row + drift, linear between rows."""
    rows = len(strip)
    at = np.arange(rows) + drift
    at = at % rows if closed else np.clip(at, 0, rows - 1)
    low = np.minimum(at.astype(np.int64), rows - 1)
    part = (at - low)[:, None]
    high = (low + 1) % rows if closed else np.minimum(low + 1, rows - 1)
    return (1 - part) * strip[low] + part * strip[high]


def bent(picture: np.ndarray, drift: np.ndarray, share: np.ndarray, closed: bool) -> np.ndarray:
    """Read every column at row + drift[row] x share[col], by a spline of fifth order.

    Parameters
    ----------
    picture : float (rows, cols); drift : float (rows,), texels; share : float (cols,)
    closed : whether the rows meet again below the last; else they are mirrored
    """
    out = np.empty_like(picture)
    mode = "grid-wrap" if closed else "mirror"
    rows = np.arange(len(picture), dtype=np.float64)
    for left in range(0, picture.shape[1], _STRIP_PX):
        part = slice(left, left + _STRIP_PX)
        for col, much in enumerate(share[part], left):
            out[:, col] = ndimage.map_coordinates(
                picture[:, col].astype(np.float64), (rows + much * drift)[None], order=5, mode=mode
            )
    return out
