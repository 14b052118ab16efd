"""Compiled: how much each print counts where prints meet, for points and for texels that are filtered."""

from __future__ import annotations

import numpy as np
from numba import njit

#: A print whose share is below this beside the strongest one is left out; its part in the height is below float32.
LEAST_SHARE = np.float32(1e-6)

#: Where the filter's variance times the squared slope of the log of shares is below this, texels are small beside the
#: overlap of prints, and what is done for large ones is left out; it comes in up to twice that.
LEAST_STEEP2 = 0.1

#: So is it where all other prints count for less than this beside the strongest; it comes in up to twice that.
LEAST_SECOND = 3e-4

#: The filter that is left where prints meet has at least this share of the variance.
LEAST_LEFT = 0.1

#: Square of the most sigmas that the place a print is looked up at is moved.
MOST_MOVE2 = 9.0

#: A filter whose two variances differ by less than this share is taken for an even one.
NOT_WORTH = 0.05

#: Least square of the divisor where prints meet, beside the one for unrelated prints.
LEAST_OF_SQUARES = np.float32(0.25)


@njit(nogil=True, cache=True)
def live_prints(b0, b1, b2, first, last, corner_weight, sharpness, share, live):
    """Rows of a triangle that count at a point, and their shares beside the strongest; returns how many.

    With a ``sharpness`` of 0 only the first of the strongest counts.
    """
    most = np.float32(0)
    strongest = first
    for e in range(first, last):
        w = b0 * corner_weight[e, 0] + b1 * corner_weight[e, 1] + b2 * corner_weight[e, 2]
        share[e - first] = w
        if w > most:
            most, strongest = w, e
    if sharpness == 0 and most > np.float32(0):
        share[0] = np.float32(1)
        live[0] = strongest
        return 1
    n_live = 0
    for e in range(first, last):
        w = share[e - first]
        if w <= np.float32(0):
            continue
        part = _power(w / most, sharpness)
        if part < LEAST_SHARE:
            continue
        share[n_live] = part
        live[n_live] = e
        n_live += 1
    if n_live == 1:
        share[0] = np.float32(1)
    return n_live


@njit(nogil=True, cache=True)
def meet_filtered(
    b0, b1, b2, t, variance, more, step, n_live, live, corner_weight, sharpness, slope_per_mm, share, move, first, last,
    first_pair, likeness, keep_contrast,
):  # fmt: skip
    """Let prints meet as a filtered map of finer texels would show it.

    What is filtered is the product W h of a print's part, W = share / divisor, and its height.  Under a Gaussian of
    covariance S it is, to second order, (W filtered) x (h filtered by S + S H S at x + S g), g and H the gradient and
    the Hessian of ln (W filtered): the mean and covariance of a Gaussian weighted by W (Tweedie's formula, Efron 2011,
    "Tweedie's formula and selection bias", JASA 106:1602).  W is a logistic function of the way across a border;
    filtered, it is one less steep by k = 1 / sqrt(1 + pi s^2 / 8), s^2 = g' S g (MacKay 1992, "The evidence framework
    applied to classification networks"), and prints that differ meet as if they were liker, 1 - r' = k (1 - r) (own
    derivation: at the border W is right within 0.01).

    Parameters
    ----------
    variance, more : mm2 of skin: S = variance I + more a a', a the way of ``step``
    step : 3 of float32, step of barycentrics of one mm along a
    share : float32, of each live print beside the strongest, changed in place
    move : float64 (n, 3), set to the step of barycentrics at which each is looked up

    Returns
    -------
    divisor; variance, more and step of the filter that is left; whether anything changed
    """
    strongest, second = 0, np.float32(0)
    for a in range(1, n_live):
        if share[a] > share[strongest]:
            second, strongest = share[strongest], a
        else:
            second = max(second, share[a])
    if second <= LEAST_SECOND:
        return 1.0, variance, more, step, False
    ax, ay = 0.0, 0.0
    if more > 0.0:
        s1x, s1y, s2x, s2y = slope_per_mm[t, 1, 0], slope_per_mm[t, 1, 1], slope_per_mm[t, 2, 0], slope_per_mm[t, 2, 1]
        det = s1x * s2y - s1y * s2x
        if det != 0.0:
            ax, ay = (step[1] * s2y - step[2] * s1y) / det, (s1x * step[2] - s2x * step[1]) / det
    xx, xy, yy = variance + more * ax * ax, more * ax * ay, variance + more * ay * ay
    for a in range(n_live):
        e = live[a]
        w = b0 * corner_weight[e, 0] + b1 * corner_weight[e, 1] + b2 * corner_weight[e, 2]
        gx, gy = 0.0, 0.0
        for k in range(3):
            gx += corner_weight[e, k] * slope_per_mm[t, k, 0]
            gy += corner_weight[e, k] * slope_per_mm[t, k, 1]
        move[a, 0], move[a, 1] = sharpness * gx / w, sharpness * gy / w
    gx, gy = move[strongest, 0], move[strongest, 1]
    steepest = 0.0
    for a in range(n_live):
        dx, dy = move[a, 0] - gx, move[a, 1] - gy
        steep2 = xx * dx * dx + 2.0 * xy * dx * dy + yy * dy * dy
        steepest = max(steepest, steep2)
        move[a, 0], move[a, 1], move[a, 2] = dx, dy, steep2
    if steepest <= LEAST_STEEP2:
        return 1.0, variance, more, step, False
    fade = min(steepest / LEAST_STEEP2 - 1.0, 1.0) * min(second / LEAST_SECOND - 1.0, 1.0)
    for a in range(n_live):
        move[a, 2] *= fade
        less = _less(move[a, 2])
        # what is left out as too small stays too small, without a step
        share[a] = share[a] ** np.float32(less) - LEAST_SHARE ** np.float32(less)
        move[a, 0], move[a, 1] = less * move[a, 0], less * move[a, 1]
    n_rows = last - first
    squares, total = 0.0, 0.0
    mx, my, hxx, hxy, hyy = 0.0, 0.0, 0.0, 0.0, 0.0
    for a in range(n_live):
        if keep_contrast:
            squares += share[a] * share[a]
        for b in range(a, n_live):
            if keep_contrast:
                part = share[a] * share[b]
                if b > a:
                    i, j = live[a] - first, live[b] - first
                    r = likeness[first_pair + i * n_rows - i * (i + 1) // 2 + j - i - 1]
                    part *= 2.0 * (1.0 - _less(max(move[a, 2], move[b, 2])) * (1.0 - r))
            elif b > a:
                break
            else:
                part = share[a]
            # of two prints the sum of their slopes, halved with the exponent of the divisor
            dx, dy = 0.5 * (move[a, 0] + move[b, 0]), 0.5 * (move[a, 1] + move[b, 1])
            total += part
            mx += part * dx
            my += part * dy
            hxx += part * dx * dx
            hxy += part * dx * dy
            hyy += part * dy * dy
    least = LEAST_OF_SQUARES * squares
    if total > least:
        mx, my = mx / total, my / total
        two = 2.0 if keep_contrast else 1.0
        hxx, hxy, hyy = two * (hxx / total - mx * mx), two * (hxy / total - mx * my), two * (hyy / total - my * my)
    else:
        total, mx, my, hxx, hxy, hyy = least, 0.0, 0.0, 0.0, 0.0, 0.0
    # a print's moves beyond two sigma would be those of shares that count for nothing
    for a in range(n_live):
        gx, gy = fade * (move[a, 0] - mx), fade * (move[a, 1] - my)
        dx, dy = xx * gx + xy * gy, xy * gx + yy * gy
        far2 = dx * gx + dy * gy
        if far2 > MOST_MOVE2:
            dx *= np.sqrt(MOST_MOVE2 / far2)
            dy *= np.sqrt(MOST_MOVE2 / far2)
        for k in range(3):
            move[a, k] = slope_per_mm[t, k, 0] * dx + slope_per_mm[t, k, 1] * dy
    # S H S, H the divisor's alone: the logs of shares are nearly linear
    ux, uy, vx, vy = xx * hxx + xy * hxy, xx * hxy + xy * hyy, xy * hxx + yy * hxy, xy * hxy + yy * hyy
    lxx = xx - fade * (ux * xx + uy * xy)
    lxy = xy - fade * (ux * xy + uy * yy)
    lyy = yy - fade * (vx * xy + vy * yy)
    half, mean = 0.5 * (lxx - lyy), 0.5 * (lxx + lyy)
    radius = np.sqrt(half * half + lxy * lxy)
    low = max(mean - radius, LEAST_LEFT * variance)
    spread = max(mean + radius - low, 0.0)
    # little difference between the two ways is not worth the taps
    left = max(spread - NOT_WORTH * low, 0.0)
    low += 0.5 * (spread - left)
    angle = 0.5 * np.arctan2(lxy, half)
    ax, ay = np.cos(angle), np.sin(angle)
    s0 = np.float32(slope_per_mm[t, 0, 0] * ax + slope_per_mm[t, 0, 1] * ay)
    s1 = np.float32(slope_per_mm[t, 1, 0] * ax + slope_per_mm[t, 1, 1] * ay)
    s2 = np.float32(slope_per_mm[t, 2, 0] * ax + slope_per_mm[t, 2, 1] * ay)
    return (np.sqrt(total) if keep_contrast else total), low, left, (s0, s1, s2), True


@njit(nogil=True, cache=True, inline="always")
def _less(steep2):
    """How much less steep a logistic function gets by a Gaussian under which its log has a variance of steep2."""
    return 1.0 / np.sqrt(1.0 + 0.125 * np.pi * steep2)


@njit(nogil=True, cache=True)
def meet(n_live, share, live, first, last, first_pair, likeness, keep_contrast):
    """The divisor of a sum of prints by their shares."""
    n_rows = last - first
    total, squares = np.float32(0), np.float32(0)
    for a in range(n_live):
        if not keep_contrast:
            total += share[a]
            continue
        squares += share[a] * share[a]
        i = live[a] - first
        before = first_pair + i * n_rows - i * (i + 1) // 2 - i - 1
        for b in range(a + 1, n_live):
            total += np.float32(2) * share[a] * share[b] * likeness[before + live[b] - first]
    if not keep_contrast:
        return total
    # several prints that are all unlike each other must not bring the sum near 0
    return np.sqrt(max(squares + total, LEAST_OF_SQUARES * squares))


@njit(nogil=True, cache=True)
def _power(x, n):
    """x to the whole power n >= 1, by squaring."""
    out = np.float32(1)
    while n > 0:
        if n & 1:
            out *= x
        x *= x
        n >>= 1
    return out
