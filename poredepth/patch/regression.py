"""A plane fitted around each texel, with Gaussian weights, to what lies inside: a Gaussian filter that knows borders.

Far from the border, the plane's height at its texel is the Gaussian mean.  Near it, the mean alone would lean towards
the middle of the piece; the plane's slope takes that away, so that planes come back as they are (the zeroth and first
moments are kept).  Nothing beyond the border is read.

With x the offset of a texel from the one in question in units of sigma, g the Gaussian, w how much a texel counts and
<.> the mean over g w: height = <h> - <x> . C^-1 (<x h> - <x> <h>), C = <x x'> - <x> <x'>.  The sum of the absolute
weights of all heights in it is at most sqrt(1 + L), L = <x> . C^-1 <x>, the leverage: 1.75 at a straight border,
3.5 in a square corner, and grows fast outside.  Where it is large, the slope is left out.

Source: local linear regression, Cleveland & Devlin 1988 (J. Am. Stat. Assoc. 83:596); leverage bound and fading are our
own derivation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

#: Kernels end here: 6e-7 of the weight of a Gaussian lies beyond in each direction.
REACH_SIGMA = 5.0

#: The slope counts fully up to the first leverage, not at all from the second on: own choice, above any convex corner.
LEVERAGE_FADE = (6.0, 16.0)

#: Sides of the transforms that blocks are made with, texels; wider kernels need longer ones.
_LEAST_SIDE_PX, _MOST_SIDE_PX = 768, 2048

#: Wider Gaussians than this are fitted on cells of several texels, that many cells per sigma: own choice.
_WIDE_SIGMA_PX, _CELLS_PER_SIGMA = 96.0, 24.0
#: Empty cells around the picture, where ends of the spline between cells have faded.
_PAD_CELLS = 8
#: Rows of the picture that are read from cells at once.
_ROWS_AT_ONCE = 64

#: Added to the variances, in sigma^2, so that a single texel or line has a slope (0) across it.
_LEAST_VARIANCE = 1e-9
#: Share of the kernel that lies inside below which the plane of the whole piece takes over.
_LEAST_SHARE = 1e-5


@dataclass(frozen=True)
class Ellipse:
    """A Gaussian turned in the picture: standard deviations in texels along and across ``turn_rad``, anticlockwise
    from +u (rows run downwards)."""

    along_px: float
    across_px: float
    turn_rad: float

    def in_frame(self, x, y, *, inverse: bool) -> tuple[np.ndarray, np.ndarray]:
        """Turn (x along rows, y down) into (along, across), divided by sigma if ``inverse``, else times sigma."""
        cos, sin = math.cos(self.turn_rad), math.sin(self.turn_rad)
        along, across = (cos * x - sin * y), (sin * x + cos * y)
        if inverse:
            return along / self.along_px, across / self.across_px
        return along * self.along_px, across * self.across_px

    def reach_px(self) -> tuple[int, int]:
        """(rows, cols) that the kernel reaches to either side."""
        cos, sin = math.cos(self.turn_rad), math.sin(self.turn_rad)
        down = math.hypot(self.along_px * sin, self.across_px * cos)
        right = math.hypot(self.along_px * cos, self.across_px * sin)
        return math.ceil(REACH_SIGMA * down), math.ceil(REACH_SIGMA * right)


@dataclass(frozen=True, eq=False)
class _Plane:
    """height = at + down * row + right * col."""

    at: float
    down: float
    right: float

    def on(self, rows: slice, cols: slice) -> np.ndarray:
        r, c = np.arange(rows.start, rows.stop), np.arange(cols.start, cols.stop)
        return self.at + self.down * r[:, None] + self.right * c[None, :]


def local_planes(height: np.ndarray, inside: np.ndarray | None, ellipse: Ellipse) -> np.ndarray:
    """Height of the local plane at every texel.

    Parameters
    ----------
    height : float (rows, cols), finite
    inside : bool or float (rows, cols), 0 to 1, how much a texel counts; None: 1 everywhere
    ellipse : the Gaussian

    Returns
    -------
    float32 (rows, cols); beyond the reach of any inside, the plane of the whole piece (0 if nothing is inside)

    Notes
    -----
    Block by block with as much around each as the kernel reaches, so memory does not grow with the picture.  The plane
    of the whole piece is taken off first and added again: that changes nothing where slopes are full.  Gaussians wider
    than ``_WIDE_SIGMA_PX`` are fitted to cells that keep their own moments, so planes still come back, and read between
    them by a cubic spline.
    """
    plane = _whole_plane(height, inside)
    cell_px = int(min(ellipse.along_px, ellipse.across_px) / _CELLS_PER_SIGMA)
    if min(ellipse.along_px, ellipse.across_px) <= _WIDE_SIGMA_PX or cell_px < 2:
        out = np.empty(height.shape, np.float32)
        _fit_blocks(_Texels(height, inside, plane), ellipse, out)
    else:
        cells = _Cells(height, inside, plane, min(cell_px, max(height.shape)))
        fitted = np.empty(cells.shape)
        _fit_blocks(cells, cells.ellipse(ellipse), fitted)
        out = cells.read(fitted, height.shape)
    for row in range(len(out)):
        out[row] += plane.on(slice(row, row + 1), slice(0, out.shape[1]))[0]
    return out


def _fit_blocks(grid: _Texels | _Cells, ellipse: Ellipse, out: np.ndarray) -> None:
    """Fill ``out`` (rows, cols) with the heights of local planes above the plane of the whole piece."""
    rows, cols = grid.shape
    reach = [min(r, side - 1) for r, side in zip(ellipse.reach_px(), grid.shape, strict=True)]
    sides = [_side(r, side) for r, side in zip(reach, grid.shape, strict=True)]
    step = [n - 2 * r if n < side + r else side for n, r, side in zip(sides, reach, grid.shape, strict=True)]
    moments = _Moments(ellipse, sides, reach)
    for top in range(0, rows, step[0]):
        for left in range(0, cols, step[1]):
            core = slice(top, min(top + step[0], rows)), slice(left, min(left + step[1], cols))
            out[core] = _block(grid, moments, core)


class _Texels:
    """What planes are fitted to, texel by texel: `part` gives weights, and weights times heights, of a block."""

    def __init__(self, height: np.ndarray, inside: np.ndarray | None, plane: _Plane):
        self.height, self.inside, self.plane, self.shape = height, inside, plane, height.shape

    def part(self, rows: slice, cols: slice) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        rest = self.height[rows, cols] - self.plane.on(rows, cols)
        if self.inside is None:
            return {"1": np.ones(rest.shape)}, {"1": rest}
        weight = self.inside[rows, cols].astype(float)
        rest *= weight
        rest[weight == 0] = 0.0
        return {"1": weight}, {"1": rest}


class _Cells:
    """The same in cells of ``cell_px`` texels a side: besides sums, the moments of offsets from the cell's middle.

    ``weight``, ``rest`` : name -> float32 (rows, cols) of cells, with empty ones around the picture; offsets x to the
    right and y down, in cells
    """

    def __init__(self, height: np.ndarray, inside: np.ndarray | None, plane: _Plane, cell_px: int):
        self.cell_px = cell_px
        count = [math.ceil(side / cell_px) for side in height.shape]
        self.shape = (count[0] + 2 * _PAD_CELLS, count[1] + 2 * _PAD_CELLS)
        self.weight = {name: np.zeros(self.shape, np.float32) for name in _Moments.NAMES}
        self.rest = {name: np.zeros(self.shape, np.float32) for name in _Moments.NAMES[:3]}
        texels = _Texels(height, inside, plane)
        offset = (np.arange(cell_px) + 0.5) / cell_px - 0.5
        for row in range(count[0]):
            rows = slice(row * cell_px, min((row + 1) * cell_px, height.shape[0]))
            weight, rest = (terms["1"] for terms in texels.part(rows, slice(0, height.shape[1])))
            for into, values in ((self.weight, weight), (self.rest, rest)):
                full = np.zeros((cell_px, count[1] * cell_px))
                full[: len(values), : values.shape[1]] = values / cell_px**2
                full = full.reshape(cell_px, count[1], cell_px)
                for name, sums in into.items():
                    x, y = offset ** name.count("x"), offset ** name.count("y")
                    sums[row + _PAD_CELLS, _PAD_CELLS:-_PAD_CELLS] = np.einsum("rnc,r,c->n", full, y, x, optimize=True)

    def part(self, rows: slice, cols: slice) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        return tuple({k: v[rows, cols].astype(float) for k, v in terms.items()} for terms in (self.weight, self.rest))

    def ellipse(self, ellipse: Ellipse) -> Ellipse:
        """The Gaussian in cells, less the variance that cells add."""
        sigmas = (math.sqrt(s**2 - (self.cell_px**2 - 1) / 12) for s in (ellipse.along_px, ellipse.across_px))
        return Ellipse(*(sigma / self.cell_px for sigma in sigmas), ellipse.turn_rad)

    def read(self, fitted: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
        """float32 of a picture's shape, by a cubic spline through the cells."""
        spline = ndimage.spline_filter(fitted)
        out = np.empty(shape, np.float32)
        right = (np.arange(shape[1]) + 0.5) / self.cell_px - 0.5 + _PAD_CELLS
        for top in range(0, shape[0], _ROWS_AT_ONCE):
            part = out[top : top + _ROWS_AT_ONCE]
            down = (np.arange(top, top + len(part)) + 0.5) / self.cell_px - 0.5 + _PAD_CELLS
            at = np.broadcast_arrays(down[:, None], right[None, :])
            ndimage.map_coordinates(spline, at, output=part, prefilter=False, mode="nearest")
        return out


def _whole_plane(height: np.ndarray, inside: np.ndarray | None) -> _Plane:
    """The plane of least squares through all that is inside; level where that leaves a slope open."""
    rows, cols = height.shape
    half = max(rows, cols) / 2
    x = (np.arange(cols) - cols / 2) / half
    normal, right = np.zeros((3, 3)), np.zeros(3)
    for row in range(rows):
        w = np.ones(cols) if inside is None else inside[row].astype(float)
        h = np.where(w > 0, height[row], 0.0) * w
        terms = np.stack([np.ones(cols), np.full(cols, (row - rows / 2) / half), x])
        normal += (terms * w) @ terms.T
        right += terms @ h
    at, down, across = np.linalg.pinv(normal, rcond=1e-10, hermitian=True) @ right
    return _Plane(at - (down * rows + across * cols) / 2 / half, down / half, across / half)


def _side(reach: int, side: int) -> int:
    """Length of the transforms along one axis: the whole picture if that is short, else a few times the reach."""
    whole = side + reach
    block = max(_LEAST_SIDE_PX, min(5 * reach, _MOST_SIDE_PX), 2 * reach + max(reach // 2, 64))
    return scipy.fft.next_fast_len(min(whole, block), real=True)


def _block(grid: _Texels | _Cells, moments: _Moments, core: tuple[slice, slice]) -> np.ndarray:
    """Local planes of one block, float64, above the plane of the whole piece."""
    around = [
        slice(max(part.start - r, 0), min(part.stop + r, side))
        for part, r, side in zip(core, moments.reach, grid.shape, strict=True)
    ]
    weight, rest = grid.part(*around)
    if not weight["1"].any():
        return np.zeros([part.stop - part.start for part in core])
    cut = tuple(slice(part.start - wide.start, part.stop - wide.start) for part, wide in zip(core, around, strict=True))
    at_border = any(
        wide.start > part.start - r or wide.stop < part.stop + r
        for part, wide, r in zip(core, around, moments.reach, strict=True)
    )
    if not at_border and len(weight) == 1 and (weight["1"] == 1).all():
        return moments.of(rest["1"], ("1",), cut)["1"]  # the slope changes nothing
    of_weight, of_rest = moments.joined(weight, _Moments.NAMES, cut), moments.joined(rest, _Moments.NAMES[:3], cut)
    return _fit(of_weight, of_rest, moments.least_share)


def _fit(of_weight: dict[str, np.ndarray], of_height: dict[str, np.ndarray], least_share: float) -> np.ndarray:
    """Height at offset 0 of planes fitted to moments (rows, cols)."""
    share = np.maximum(of_weight["1"], 0.0)
    per_share = share / (share**2 + least_share**2)  # 1 / share, fading to 0 where there is next to nothing
    x, y, xx, xy, yy = (moment * per_share for name, moment in of_weight.items() if name != "1")
    mean, xh, yh = (moment * per_share for moment in of_height.values())
    xx += _LEAST_VARIANCE - x * x
    yy += _LEAST_VARIANCE - y * y
    xy -= x * y
    xh -= x * mean
    yh -= y * mean
    det = xx * yy - xy * xy
    sound = (det > 0) & (xx > 0) & (yy > 0) & (share > least_share)
    det[~sound] = 1.0
    leverage = (yy * x * x - 2.0 * xy * x * y + xx * y * y) / det
    low, high = LEVERAGE_FADE
    fade = np.clip((high - leverage) / (high - low), 0.0, 1.0)
    fade *= fade * (3.0 - 2.0 * fade) * sound
    return mean - fade * ((yy * xh - xy * yh) * x + (xx * yh - xy * xh) * y) / det


class _Moments:
    """Sums of a picture over a Gaussian, times powers of the offset in sigma, by transforms of one size.

    ``least_share`` : share of the kernel inside below which there is next to nothing: far less than one texel
    """

    NAMES = ("1", "x", "y", "xx", "xy", "yy")

    def __init__(self, ellipse: Ellipse, sides: list[int], reach: list[int]):
        self.ellipse, self.sides, self.reach = ellipse, sides, reach
        down, right = (np.minimum(k := np.arange(n), n - k) * np.where(k <= n // 2, 1, -1) for n in sides)
        x, y = ellipse.in_frame(right[None, :].astype(float), down[:, None].astype(float), inverse=True)
        kernel = np.exp(-0.5 * (x * x + y * y))
        kernel *= (x * x + y * y <= REACH_SIGMA**2) & (abs(down)[:, None] <= reach[0]) & (abs(right) <= reach[1])
        kernel /= kernel.sum()
        self.least_share = min(_LEAST_SHARE, 0.03 * kernel[0, 0])
        powers = {"1": 1.0, "x": x, "y": y, "xx": x * x, "xy": x * y, "yy": y * y}
        self._spectra = {name: self._transfer(kernel * powers[name], len(name) == 1 and name != "1") for name in powers}

    @staticmethod
    def _transfer(kernel: np.ndarray, odd: bool) -> np.ndarray:
        """Spectrum that correlates with a kernel: real for even kernels, imaginary for odd ones; float64."""
        spectrum = scipy.fft.rfft2(kernel)
        return -spectrum.imag if odd else spectrum.real.copy()

    def of(self, picture: np.ndarray, names: tuple[str, ...], cut: tuple[slice, slice]) -> dict[str, np.ndarray]:
        """Name -> float64, what `cut` leaves of the sums."""
        spectrum = scipy.fft.rfft2(picture, s=self.sides)
        found = {}
        for name in names:
            product = spectrum * self._spectra[name]
            if name in ("x", "y"):
                product *= 1j
            found[name] = scipy.fft.irfft2(product, s=self.sides)[cut].copy()
        return found

    def joined(
        self, pictures: dict[str, np.ndarray], names: tuple[str, ...], cut: tuple[slice, slice]
    ) -> dict[str, np.ndarray]:
        """Sums over what may be cells, by their own moments: offsets are those of the middle plus those in the cell."""
        found = self.of(pictures["1"], names, cut)
        if len(pictures) == 1:
            return found
        in_cell = dict(zip(("x", "y"), self.ellipse.in_frame(pictures["x"], pictures["y"], inverse=True), strict=True))
        for axis in ("x", "y"):
            found[axis] += self.of(in_cell[axis], ("1",), cut)["1"]
        if "xx" in names:
            by_x, by_y = (self.of(in_cell[axis], ("x", "y"), cut) for axis in ("x", "y"))
            found["xx"] += 2.0 * by_x["x"] + self._second(pictures, cut, "x", "x")
            found["xy"] += by_x["y"] + by_y["x"] + self._second(pictures, cut, "x", "y")
            found["yy"] += 2.0 * by_y["y"] + self._second(pictures, cut, "y", "y")
        return found

    def _second(self, pictures, cut, first: str, second: str) -> np.ndarray:
        """Sums of a product of two offsets in cells, turned into the ellipse's frame."""
        turn = np.array(self.ellipse.in_frame(np.array([1.0, 0.0]), np.array([0.0, 1.0]), inverse=True))
        p, q = turn["xy".index(first)], turn["xy".index(second)]
        turned = p[0] * q[0] * pictures["xx"] + (p[0] * q[1] + p[1] * q[0]) * pictures["xy"]
        return self.of(turned + p[1] * q[1] * pictures["yy"], ("1",), cut)["1"]
