"""Form: the tilt, bow and long waves of a measured piece, taken off so that its relief lies level about 0.

Two tools of surface texture: a polynomial fitted to the whole piece by least squares (degree 1 takes the tilt, 2 the
bow of a cheek or forehead), and a Gaussian high pass, which takes waves longer than its cutoff and lets shorter ones
be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from poredepth.errors import PatchError
from poredepth.patch.clean.long_waves import fast_low_pass
from poredepth.patch.types import check_all_finite, check_positive
from poredepth.units import UM_PER_MM

MOST_DEGREE = 8
_ROWS_AT_ONCE = 256


@dataclass(frozen=True)
class Polynomial:
    """Sum over i + j <= degree of coefficient * P_i(x) * P_j(y), P Legendre's polynomials; x from -1 (left edge) to 1,
    y from -1 (top edge) to 1.  ``terms`` are (i, j), ``coefficients_mm`` theirs, in the same order."""

    shape: tuple[int, int]
    terms: tuple[tuple[int, int], ...]
    coefficients_mm: tuple[float, ...]

    def on_rows(self, rows: slice) -> np.ndarray:
        """Heights of some rows, float64 (rows, cols), mm."""
        degree = max(i for i, _ in self.terms)
        grid = np.zeros((degree + 1, degree + 1))
        for (i, j), value in zip(self.terms, self.coefficients_mm, strict=True):
            grid[j, i] = value
        return _basis(self.shape[0], degree)[rows] @ grid @ _basis(self.shape[1], degree).T

    def slopes(self, texel_mm: float) -> tuple[float, float]:
        """Slopes of its linear terms, mm per mm, to the right and up."""
        of = dict(zip(self.terms, self.coefficients_mm, strict=True))
        right = of.get((1, 0), 0.0) / (0.5 * self.shape[1] * texel_mm)
        return right, -of.get((0, 1), 0.0) / (0.5 * self.shape[0] * texel_mm)


@dataclass(frozen=True)
class Form:
    """What was taken off a piece.

    ``degree``, ``cutoff_mm`` as asked; ``tilt_deg`` slope of the plane through the piece, and ``uphill_deg`` the way it
    rises, degrees anticlockwise from +u; ``peak_to_valley_um`` of all that was taken off, ``bow_um`` of what it is
    beside the tilt; ``polynomial`` (None without a degree); ``left_tilt_deg`` slope of the plane through what is left
    (0 within rounding); ``mean_slope_deg`` slope from edge to edge, mean of that at all texels: that of waves the edges
    cut.
    """

    degree: int | None
    cutoff_mm: float | None
    tilt_deg: float
    uphill_deg: float
    peak_to_valley_um: float
    bow_um: float
    polynomial: Polynomial | None
    left_tilt_deg: float
    mean_slope_deg: float


def remove_form(
    height_mm: np.ndarray,
    texel_mm: float,
    *,
    degree: int | None = 1,
    cutoff_mm: float | None = None,
    inside: np.ndarray | None = None,
) -> tuple[np.ndarray, Form]:
    """Take the form off a piece: a polynomial, a Gaussian's long waves, or first the one and then the other.

    Parameters
    ----------
    height_mm : float (rows, cols), mm, finite
    texel_mm : float, mm
    degree : total degree of the polynomial, 0 (the mean), 1 (tilt) to 8; None: none
    cutoff_mm : float, mm, wavelength of which half is left; None: no high pass
    inside : bool or float (rows, cols), 0 to 1, how much each height counts; None: all do

    Returns
    -------
    relief_mm : float32 (rows, cols), mean 0 and level; Form

    Raises
    ------
    PatchError : neither a degree nor a cutoff; a degree beyond 0 to 8; numbers not above 0; heights not finite; too few
        texels inside for the degree

    Notes
    -----
    Plain least squares, normal equations of Legendre's polynomials, summed in float64 over strips.  The high pass is
    what a low pass of ISO 16610-61 leaves; near the border that low pass follows planes fitted to what is there
    (`poredepth.patch.bands.bounded_low_pass`), and nothing is read from beyond it.  After it the plane of what is left,
    small, is taken off too, so that the relief is level.

    Source: least squares and Gaussian filters, ISO 25178-2 (F- and L-operation), ISO 16610-61.
    """
    heights = checked(height_mm, inside)
    check_positive("form", "texel_mm", texel_mm)
    if degree is None and cutoff_mm is None:
        raise PatchError("form: neither degree nor cutoff_mm is given; allowed: one of them or both; degree 1 is tilt")
    if degree is not None and (type(degree) is not int or not 0 <= degree <= MOST_DEGREE):
        raise PatchError(f"form: degree is {degree!r}; allowed: 0 (mean), 1 (tilt) to {MOST_DEGREE}, or None")
    plane = fit(heights, 1, inside)
    polynomial = plane if degree == 1 else None if degree is None else fit(heights, degree, inside)
    relief = np.array(heights, np.float32, copy=True) if polynomial is None else less(heights, polynomial)
    if cutoff_mm is not None:
        check_positive("form", "cutoff_mm", cutoff_mm)
        relief -= fast_low_pass(less(relief, fit(relief, 1, inside)), texel_mm, cutoff_mm, inside)
        relief = less(relief, fit(relief, 1, inside))
    elif degree != 0:
        # float32 steps of a steep piece are coarse: what rounding left of the tilt goes at the second try
        relief = less(relief, fit(relief, 1, inside))
    right, up = plane.slopes(texel_mm)
    return relief, Form(
        degree,
        cutoff_mm,
        _deg(right, up),
        math.degrees(math.atan2(up, right)),
        *_spans_um(heights, relief, inside, plane),
        polynomial,
        _deg(*fit(relief, 1, inside).slopes(texel_mm)),
        _deg(*_mean_slopes(relief, texel_mm, inside)),
    )


def zero_mean(height: np.ndarray, inside: np.ndarray | None = None) -> tuple[np.ndarray, float]:
    """Take the mean off, of all or of what is inside.

    Parameters
    ----------
    height : float (rows, cols), finite, any unit
    inside : bool or float (rows, cols), 0 to 1, how much each height counts; None: all do

    Returns
    -------
    float32 (rows, cols); the mean that was taken off, in the unit of the heights

    Raises
    ------
    PatchError : heights that are not finite or no (rows, cols); nothing inside
    """
    heights = checked(height, inside)
    mean = fit(heights, 0, inside).coefficients_mm[0]
    return (heights - np.asarray(mean, heights.dtype)).astype(np.float32, copy=False), mean


def fit(heights: np.ndarray, degree: int, inside: np.ndarray | None = None) -> Polynomial:
    """Polynomial of least squares, of a total degree, through heights (rows, cols) weighted by an inside."""
    y, x = (_basis(side, degree) for side in heights.shape)
    n = degree + 1
    pairs = [(i, j) for i in range(n) for j in range(i, n)]
    yy, xx = (np.stack([b[:, i] * b[:, j] for i, j in pairs], axis=1) for b in (y, x))
    moments, right = np.zeros((len(pairs), len(pairs))), np.zeros((n, n))
    if inside is None:
        moments = np.outer(yy.sum(axis=0), xx.sum(axis=0))
    for top in range(0, len(heights), _ROWS_AT_ONCE):
        rows = slice(top, top + _ROWS_AT_ONCE)
        strip = heights[rows].astype(float)
        if inside is not None:
            weight = np.asarray(inside[rows], float)
            strip *= weight
            moments += yy[rows].T @ (weight @ xx)
        right += y[rows].T @ (strip @ x)
    terms = tuple((total - j, j) for total in range(n) for j in range(total + 1))
    number = {pair: k for k, pair in enumerate(pairs)} | {pair[::-1]: k for k, pair in enumerate(pairs)}
    normal = np.array([[moments[number[b, d], number[a, c]] for c, d in terms] for a, b in terms])
    if np.linalg.matrix_rank(normal, tol=1e-12 * np.trace(normal), hermitian=True) < len(terms):
        raise PatchError(f"form: too little is inside for a polynomial of degree {degree}; allowed: a lower degree")
    found = np.linalg.solve(normal, np.array([right[j, i] for i, j in terms]))
    return Polynomial(heights.shape, terms, tuple(float(value) for value in found))


def less(heights: np.ndarray, polynomial: Polynomial) -> np.ndarray:
    """Heights less a polynomial, float32, subtracted in float64."""
    out = np.empty(heights.shape, np.float32)
    for top in range(0, len(heights), _ROWS_AT_ONCE):
        rows = slice(top, top + _ROWS_AT_ONCE)
        out[rows] = heights[rows] - polynomial.on_rows(rows)
    return out


def checked(height, inside: np.ndarray | None) -> np.ndarray:
    """Heights as a finite (rows, cols) array of floats, not copied where they are one; PatchError otherwise."""
    heights = np.asarray(height)
    heights = heights if heights.dtype in (np.float32, np.float64) else heights.astype(np.float64)
    if heights.ndim != 2 or min(heights.shape) < 2:
        raise PatchError(f"form: heights have shape {heights.shape}; allowed is (rows, cols), at least 2 x 2")
    check_all_finite("form", heights)
    if inside is not None and np.shape(inside) != heights.shape:
        raise PatchError(f"form: inside has shape {np.shape(inside)}; allowed is that of the heights, {heights.shape}")
    if inside is not None and not (np.asarray(inside) >= 0.5).any():
        raise PatchError("form: nothing is inside; allowed: 0.5 and more where relief is")
    return heights


def _basis(side: int, degree: int) -> np.ndarray:
    """Legendre's polynomials 0 to degree at the middles of texels, float64 (side, degree + 1)."""
    return legendre.legvander((2.0 * np.arange(side) + 1.0) / side - 1.0, degree)


def _spans_um(heights, relief, inside, plane: Polynomial) -> tuple[float, float]:
    """Peak to valley of what was taken off, and of it less the tilt, um, inside."""
    lowest, highest = np.full(2, np.inf), np.full(2, -np.inf)
    for top in range(0, len(heights), _ROWS_AT_ONCE):
        rows = slice(top, top + _ROWS_AT_ONCE)
        form = heights[rows].astype(float) - relief[rows]
        for k, part in enumerate((form, form - plane.on_rows(rows))):
            part = part if inside is None else part[np.asarray(inside[rows]) >= 0.5]
            if part.size:
                lowest[k], highest[k] = min(lowest[k], part.min()), max(highest[k], part.max())
    return tuple(float(span) for span in (highest - lowest) * UM_PER_MM)


def _mean_slopes(relief: np.ndarray, texel_mm: float, inside: np.ndarray | None) -> tuple[float, float]:
    """Mean slope between neighbours inside, to the right and up, mm per mm."""
    if inside is None:
        right = (relief[:, -1].astype(float) - relief[:, 0]).mean() / (relief.shape[1] - 1)
        return right / texel_mm, (relief[0].astype(float) - relief[-1]).mean() / (len(relief) - 1) / texel_mm
    counts = np.asarray(inside) >= 0.5
    across, down = counts[:, 1:] & counts[:, :-1], counts[1:] & counts[:-1]
    right = np.diff(relief, axis=1)[across].sum(dtype=float) / max(np.count_nonzero(across), 1)
    return right / texel_mm, -np.diff(relief, axis=0)[down].sum(dtype=float) / max(np.count_nonzero(down), 1) / texel_mm


def _deg(right: float, up: float) -> float:
    return math.degrees(math.atan(math.hypot(right, up)))
