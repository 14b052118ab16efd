"""Which piece of the patch each print shows: pieces that go on where their neighbours end.

Prints are taken in a fixed order, walking out over the skin from the first one.  Each is laid so that the heights
agree best where it meets the prints already laid (a search over every offset at once by FFT correlation, either way
up), leaving out offsets that would show what a neighbour shows.  What likeness remains between two prints is measured,
for the divisor that keeps the contrast where they meet.

Source: patch matching by FFT as in Kwatra et al. 2003 (Graphcut Textures, section 3); the exclusion and the measured
likeness are our own derivation.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage

from poredepth.patch.types import HeightPatch
from poredepth.placement import matching_kernels as kernels

#: Cells of the search along the longer side of a patch.
SEARCH_CELLS = 128

#: No finer than this many cells across a print: what is finer cannot be made to agree anyway.
CELLS_PER_PRINT = 64

#: A print keeps this share of its diameter, in the patch, from what its neighbours and theirs show.
KEEP_AWAY_RATIO = 0.35

#: An offset that, within this share of a diameter, merely goes on in a neighbour's piece would end in plain tiling.
GO_ON_RATIO = 0.15

#: At most this share of a patch is left out of a search.
MAX_EXCLUDED = 0.5

#: Seeded noise on the mismatch: decides between equals.
TIE_NOISE = 1e-5

#: Prints that show the opposite of each other would cancel out; the divisor stays clear of 0.
LEAST_LIKENESS = -0.5


@dataclass(frozen=True)
class SheetRows:
    """Rows of all sheets in order of triangle, then print: coordinates along and across the field, and weights.

    start int64 (n_triangles + 1,), print_id int32 (n,), uv_mm float64 (n, 3, 2) in mm of the patch (the print's size
    and stretch are in it), weight float64 (n, 3).
    """

    start: np.ndarray
    print_id: np.ndarray
    uv_mm: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True)
class Pieces:
    """Where each print lies in which patch: patch position = turn(turn_rad) . uv + shift_mm.

    picture int32 (n_prints,), shift_mm float64 (n_prints, 2), turn_rad float64 (n_prints,).
    """

    picture: np.ndarray
    shift_mm: np.ndarray
    turn_rad: np.ndarray

    def place(self, uv_mm: np.ndarray, print_id: np.ndarray) -> np.ndarray:
        """Sheet coordinates (n, ..., 2) of prints (n,) to patch coordinates, mm."""
        extra = (1,) * (uv_mm.ndim - 2)
        angle = self.turn_rad[print_id].reshape(-1, *extra)
        c, s = np.cos(angle), np.sin(angle)
        shift = self.shift_mm[print_id].reshape(-1, *extra, 2)
        u, v = uv_mm[..., 0], uv_mm[..., 1]
        return np.stack([c * u - s * v, s * u + c * v], axis=-1) + shift


@dataclass(frozen=True)
class RowPairs:
    """Pairs of rows of one triangle, in the order (0, 1), (0, 2), ... (1, 2), ...: two prints that meet there.

    start int64 (n_triangles + 1,); first, second int64 (n_pairs,), row numbers.
    """

    start: np.ndarray
    first: np.ndarray
    second: np.ndarray


def row_pairs(start: np.ndarray) -> RowPairs:
    """All pairs of rows that share a triangle, from the rows' CSR start (n_triangles + 1,)."""
    count = np.diff(start)
    triangle, first, second = [], [], []
    for n in np.unique(count[count > 1]):
        here = np.flatnonzero(count == n)
        i, j = np.triu_indices(n, 1)
        triangle.append(np.repeat(here, len(i)))
        first.append((start[here][:, None] + i).ravel())
        second.append((start[here][:, None] + j).ravel())
    if not triangle:
        return RowPairs(np.zeros(len(start), np.int64), np.empty(0, np.int64), np.empty(0, np.int64))
    order = np.argsort(np.concatenate(triangle), kind="stable")
    pair_start = np.zeros(len(start), np.int64)
    np.cumsum(count * (count - 1) // 2, out=pair_start[1:])
    return RowPairs(pair_start, np.concatenate(first)[order], np.concatenate(second)[order])


@dataclass(frozen=True)
class _Heights:
    """Heights of several pictures in one array, rows upwards, for the kernels.

    flat float64 (m,); rows int64 (n, 3): offset, rows, cols of each; cell_mm float64 (n, 2), x, y.
    """

    flat: np.ndarray
    rows: np.ndarray
    cell_mm: np.ndarray

    @staticmethod
    def of(pictures: Sequence[np.ndarray], cell_mm: Sequence) -> _Heights:
        sizes = [picture.size for picture in pictures]
        offset = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        rows = [(at, *picture.shape) for at, picture in zip(offset, pictures, strict=True)]
        flat = np.concatenate([picture.ravel() for picture in pictures])
        return _Heights(flat, np.array(rows, np.int64), np.array(cell_mm, float).reshape(-1, 2))


def random_pieces(
    n_prints: int,
    patches: Sequence[HeightPatch],
    share: Sequence[float],
    turn_deg: float,
    rng: np.random.Generator,
) -> Pieces:
    """Any piece of any of the patches, either way up; prints are dealt to the patches by ``share`` (n_patches,).

    The lay is turned off the field by up to ``turn_deg``.
    """
    draw = rng.random((n_prints, 5))
    bounds = np.cumsum(share) / np.sum(share)
    # by rank, not by value: of few prints too, each patch gets its share
    rank = np.argsort(np.argsort(draw[:, 4], kind="stable"), kind="stable")
    picture = np.minimum(np.searchsorted(bounds, (rank + 0.5) / max(n_prints, 1), side="right"), len(patches) - 1)
    extent_mm = np.array([[patch.width_mm, patch.height_extent_mm] for patch in patches])
    lay_rad = np.deg2rad([patch.lay_deg for patch in patches])
    way_up = np.where(draw[:, 2] < 0.5, 0.0, np.pi)
    turn = lay_rad[picture] + way_up + np.deg2rad(turn_deg) * (2 * draw[:, 3] - 1)
    return Pieces(picture.astype(np.int32), draw[:, :2] * extent_mm[picture], turn)


def matched_pieces(
    rows: SheetRows,
    pairs: RowPairs,
    patches: Sequence[HeightPatch],
    first: Pieces,
    sharpness: int,
    print_mm: float,
    rng: np.random.Generator,
) -> Pieces:
    """Improve random pieces print by print.

    Parameters
    ----------
    first : a print that meets no other keeps its random piece; the others keep their patch, and their turn but for
        the way up
    sharpness : power of the weights where prints meet
    print_mm : diameter of a print in mm of the patch
    """
    n_prints = len(first.turn_rad)
    searches = [_Search(patch, print_mm, rng) for patch in patches]
    spread = max(np.sqrt(np.mean([search.height.var() for search in searches])), 1e-12)
    for search in searches:  # only likeness counts; and float32 is far from its ends
        search.scale_by(1.0 / spread)
    coarse = _Heights.of([search.height for search in searches], [search.cell_mm for search in searches])
    of_print, of_print_start = _rows_by_print(rows.print_id, n_prints)
    meets = _meeting_prints(rows, pairs, n_prints)
    turn, shift, laid = first.turn_rad.copy(), first.shift_mm.copy(), np.zeros(n_prints, bool)
    row_triangle = np.repeat(np.arange(len(rows.start) - 1), np.diff(rows.start))
    for p in _walk_out(meets):
        search = searches[first.picture[p]]
        points = kernels.comparison_points(
            of_print[of_print_start[p] : of_print_start[p + 1]],
            row_triangle,
            rows.start,
            rows.print_id,
            rows.uv_mm,
            rows.weight,
            search.step_mm,
            max(2, sharpness // 3),
            laid,
            turn,
            shift,
            first.picture,
            coarse.flat,
            coarse.rows,
            coarse.cell_mm,
        )
        if len(points):
            near = _ring(p, meets, laid)
            near = near[first.picture[near] == first.picture[p]]
            turn[p], shift[p] = search.best(points, first.turn_rad[p], shift[near])
        laid[p] = True
    return Pieces(first.picture, shift, turn)


def likeness(
    rows: SheetRows, pairs: RowPairs, patches: Sequence[HeightPatch], pieces: Pieces, sharpness: int
) -> np.ndarray:
    """Correlation of heights of two prints where they meet, float32 (n_pairs,), the same in all their triangles.

    1 for prints that show the same there (their average keeps the contrast), 0 for unrelated ones (the square-root
    rule keeps it); weighted by how evenly the two share a point.
    """
    if len(pairs.first) == 0:
        return np.empty(0, np.float32)
    n_prints = len(pieces.turn_rad)
    key = rows.print_id[pairs.first].astype(np.int64) * n_prints + rows.print_id[pairs.second]
    unique, pair = np.unique(key, return_inverse=True)
    sums = np.zeros((len(unique), 3))
    full = _Heights.of([_upwards(p.height_mm) for p in patches], [(p.texel_mm, p.texel_mm) for p in patches])
    kernels.pair_products(
        pairs.first,
        pairs.second,
        pair.ravel(),
        pieces.place(rows.uv_mm, rows.print_id),
        rows.weight,
        sharpness,
        pieces.picture[rows.print_id],
        full.flat,
        full.rows,
        full.cell_mm,
        max(max(p.width_mm, p.height_extent_mm) for p in patches) / SEARCH_CELLS,
        sums,
    )
    norm = np.sqrt(sums[:, 1] * sums[:, 2])
    found = np.divide(sums[:, 0], norm, out=np.zeros(len(unique)), where=norm > 0)
    return np.clip(found, LEAST_LIKENESS, 1.0).astype(np.float32)[pair.ravel()]


class _Search:
    """Every offset of a patch against what is laid already."""

    def __init__(self, patch: HeightPatch, print_mm: float, rng: np.random.Generator):
        self.extent_mm = np.array([patch.width_mm, patch.height_extent_mm])
        self.print_mm = print_mm
        cell_mm = max(self.extent_mm.max() / SEARCH_CELLS, print_mm / CELLS_PER_PRINT)
        self.cells = np.maximum(np.round(self.extent_mm / cell_mm).astype(int), 4)  # x, y
        self.cell_mm = self.extent_mm / self.cells
        self.step_mm = float(self.cell_mm.min())
        self.height = _coarse(patch, self.cells)
        self._noise = TIE_NOISE * rng.random(self.height.shape, np.float32)
        self._go_on_mm = min(GO_ON_RATIO * print_mm, 0.1 * self.extent_mm.min())

    def scale_by(self, factor: float) -> None:
        """Multiply the heights, once, before the search."""
        self.height *= factor
        self._spectra = scipy.fft.rfft2(np.stack([self.height**2, self.height]).astype(np.float32))

    def best(self, points: np.ndarray, turn_rad: float, near_shift_mm: np.ndarray) -> tuple[float, np.ndarray]:
        """Turn and shift of least mismatch.

        Parameters
        ----------
        points : float64 (n, 7), see `kernels.comparison_points`
        turn_rad : taken as it is, and half a turn on
        near_shift_mm : (m, 2), pieces of the neighbours and theirs, to keep away from
        """
        excluded = self._shown_near(near_shift_mm)
        found = []
        for turn in (turn_rad, turn_rad + np.pi):
            images = np.zeros((2, *self.height.shape), np.float32)
            going_on, energy = kernels.splat_points(points, turn, self.cell_mm, images)
            cost = self._mismatch(images, points[:, 2].sum(), energy) + self._noise
            barred = excluded.copy()
            kernels.mark_disks(np.mod(going_on, self.extent_mm), self._go_on_mm, self.cell_mm, barred)
            k = int(np.argmin(np.where(barred, np.inf, cost)))
            found.append((cost.ravel()[k], turn, self._between(cost, k)))
        return min(found, key=lambda option: option[0])[1:]

    def _mismatch(self, images: np.ndarray, shares: float, laid_energy: float) -> np.ndarray:
        """1 - correlation with what is laid, for every shift (rows y, cols x)."""
        spectra = scipy.fft.rfft2(images).conj() * self._spectra
        energy, product = scipy.fft.irfft2(spectra, s=self.height.shape)
        # a piece that is merely flat where it meets others must not win: sizes are put beside each other
        floor = np.float32(1e-3 * shares)
        return 1.0 - product / np.sqrt((np.maximum(energy, 0.0) + floor) * np.float32(laid_energy + floor))

    def _shown_near(self, near_shift_mm: np.ndarray) -> np.ndarray:
        """bool (rows, cols): shifts whose piece a neighbour shows."""
        allowed = np.sqrt(MAX_EXCLUDED * self.extent_mm.prod() / (np.pi * max(len(near_shift_mm), 1)))
        out = np.zeros(self.height.shape, bool)
        radius_mm = min(KEEP_AWAY_RATIO * self.print_mm, allowed)
        kernels.mark_disks(np.mod(near_shift_mm, self.extent_mm), radius_mm, self.cell_mm, out)
        return out

    def _between(self, cost: np.ndarray, k: int) -> np.ndarray:
        """Shift in mm at the minimum of parabolas through the best cell and its neighbours."""
        row, col = divmod(k, cost.shape[1])
        rows, cols = cost.shape
        here = cost[row, col]
        sides = (
            (cost[row, (col - 1) % cols], cost[row, (col + 1) % cols]),
            (cost[(row - 1) % rows, col], cost[(row + 1) % rows, col]),
        )
        bend = [low - 2 * here + high for low, high in sides]
        step = [0.5 * (low - high) / b if b > 0 else 0.0 for (low, high), b in zip(sides, bend, strict=True)]
        return (np.array([col, row]) + np.clip(step, -0.5, 0.5)) * self.cell_mm


def _upwards(height_mm: np.ndarray) -> np.ndarray:
    """Row 0 at the bottom, as patch coordinates count."""
    return np.ascontiguousarray(height_mm[::-1])


def _coarse(patch: HeightPatch, cells: np.ndarray) -> np.ndarray:
    """Heights at cell centres (rows upwards), low-passed for the cells, mean 0, mm."""
    height = _upwards(patch.height_mm).astype(float)
    ratio = np.array(height.shape) / cells[::-1]
    smooth = ndimage.gaussian_filter(height - height.mean(), 0.4 * ratio, mode="wrap")
    at = [(np.arange(n) + 0.5) * r - 0.5 for n, r in zip(cells[::-1], ratio, strict=True)]
    return ndimage.map_coordinates(smooth, np.meshgrid(*at, indexing="ij"), order=1, mode="grid-wrap")


def _rows_by_print(print_id: np.ndarray, n_prints: int) -> tuple[np.ndarray, np.ndarray]:
    """Row numbers in order of print, and where each print's begin (n_prints + 1,)."""
    start = np.zeros(n_prints + 1, np.int64)
    np.cumsum(np.bincount(print_id, minlength=n_prints), out=start[1:])
    return np.argsort(print_id, kind="stable"), start


def _meeting_prints(rows: SheetRows, pairs: RowPairs, n_prints: int) -> list[np.ndarray]:
    """For each print, the prints that share a triangle with it, by rising number."""
    a, b = rows.print_id[pairs.first].astype(np.int64), rows.print_id[pairs.second]
    key = np.unique(np.concatenate([a * n_prints + b, b * np.int64(n_prints) + a]))
    start = np.searchsorted(key, np.arange(n_prints + 1) * np.int64(n_prints))
    return [key[start[p] : start[p + 1]] % n_prints for p in range(n_prints)]


def _walk_out(meets: list[np.ndarray]):
    """Every print once, breadth first from the lowest number of each connected set."""
    seen = np.zeros(len(meets), bool)
    for begin in range(len(meets)):
        queue = deque([] if seen[begin] else [begin])
        seen[begin] = True
        while queue:
            p = queue.popleft()
            yield p
            for other in meets[p]:
                if not seen[other]:
                    seen[other] = True
                    queue.append(int(other))


def _ring(p: int, meets: list[np.ndarray], laid: np.ndarray) -> np.ndarray:
    """Prints already laid among the neighbours of a print and theirs."""
    both = np.unique(np.concatenate([meets[p], *(meets[q] for q in meets[p])]))
    return both[laid[both] & (both != p)]
