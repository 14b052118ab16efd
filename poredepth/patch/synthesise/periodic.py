"""Building blocks on a square tile whose borders meet: grid, noise, evenly spread points, cells, rows made in turn.

Positions are (n, 2) float64, mm, columns x (along the rows, +u) and y (downwards, rows), and may lie outside the tile:
they count modulo its size.  Angles are anticlockwise from +u, so a step at an angle goes (cos, -sin) in (x, y).

Nothing random is drawn texel by texel: noise lives on a grid of its own, as fine as its shortest wave needs.  So a seed
means the same skin at every texel, and a large picture needs no more than itself and a few rows.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage
from scipy.spatial import Voronoi, cKDTree

from poredepth.errors import PatchError
from poredepth.patch.synthesise.kernels import drop_later
from poredepth.patch.types import MIN_SIDE_PX, check_positive

#: Rows that are made at once; texels do not depend on it.
STRIP_ROWS = 128
#: Longest side of a tile, that of the largest picture that is read.
MOST_SIDE_PX = 2**15
_THREADS = 2
#: How far beyond the tile points are repeated for a net, in mean distances of points.
_REACH_SPACINGS = 6.0

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Tile:
    """A square grid of ``count`` x ``count`` texels of ``texel_mm``, periodic in both directions."""

    count: int
    texel_mm: float

    @property
    def size_mm(self) -> float:
        return self.count * self.texel_mm

    @property
    def area_mm2(self) -> float:
        return self.size_mm**2


def make_tile(size_mm: float, texel_mm: float) -> Tile:
    """Grid for a tile of ``size_mm``; PatchError unless that is a whole number of texels, 4 to ``MOST_SIDE_PX``."""
    check_positive("synthesis", "size_mm", size_mm)
    check_positive("synthesis", "texel_mm", texel_mm)
    count = round(min(size_mm / texel_mm, 2.0 * MOST_SIDE_PX))
    if abs(count * texel_mm - size_mm) > 1e-6 * size_mm or not MIN_SIDE_PX <= count <= MOST_SIDE_PX:
        raise PatchError(
            f"synthesis: size_mm {size_mm:g} is {size_mm / texel_mm:.4g} texels of {texel_mm:g} mm; allowed is a whole "
            f"number of at least {MIN_SIDE_PX}, at most {MOST_SIDE_PX}; change one of the two"
        )
    return Tile(count, size_mm / count)


def _radius_per_mm(size_mm: float, count: int) -> np.ndarray:
    """Radial frequency of each bin of a real 2-D transform, cycles per mm, (count, count // 2 + 1)."""
    fy = scipy.fft.fftfreq(count, size_mm / count)
    fx = scipy.fft.rfftfreq(count, size_mm / count)
    return np.hypot(fy[:, None], fx[None, :])


def grid_count(size_mm: float, finest_mm: float) -> int:
    """Odd side of a grid that holds waves down to ``finest_mm``: no wave then falls on its Nyquist frequency."""
    count = max(9, math.ceil(2.0 * size_mm / finest_mm) + 1)
    while True:
        count += 1 - count % 2
        if scipy.fft.next_fast_len(count, real=True) == count:
            return count
        count += 2


def _unit_noise(size_mm: float, count: int, transfer: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Normal noise shaped by ``transfer``, mean 0, standard deviation 1, (count, count)."""
    transfer = transfer.copy()
    transfer[0, 0] = 0.0
    noise = scipy.fft.irfft2(scipy.fft.rfft2(rng.normal(size=(count, count))) * transfer, s=(count, count))
    return noise / max(noise.std(), 1e-300)


def smooth_noise(tile: Tile, wavelength_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth normal noise, standard deviation 1, of features about ``wavelength_mm`` wide (Gaussian spectrum).

    Returns
    -------
    float64 (n, n), on a grid of its own over the tile, with at least six points a wave; read it by ``sample``
    """
    return mixed_noise(tile, ((1.0, wavelength_mm),), rng)


def mixed_noise(tile: Tile, parts: tuple[tuple[float, float], ...], rng: np.random.Generator) -> np.ndarray:
    """Sum of smooth noises, (share, wavelength_mm) each, on the grid of the shortest; (n, n)."""
    count = grid_count(tile.size_mm, min(wavelength for _, wavelength in parts) / 3.0)
    radius = _radius_per_mm(tile.size_mm, count)
    return sum(share * _unit_noise(tile.size_mm, count, np.exp(-((radius * wave) ** 2)), rng) for share, wave in parts)


def band_noise(
    tile: Tile, finest_mm: float, coarsest_mm: float, rng: np.random.Generator, stretch_ratio: float = 1.0
) -> np.ndarray:
    """Normal noise, standard deviation 1, of wavelengths finest_mm to coarsest_mm with soft ends.

    ``stretch_ratio`` > 1 draws it out along x.  Returns float64 (n, n), on a grid of its own; ``FieldRows`` reads it.
    """
    count = grid_count(tile.size_mm, finest_mm / 1.4)  # 1.4: at half an octave beyond, nothing is left
    fx, fy = scipy.fft.rfftfreq(count, tile.size_mm / count), scipy.fft.fftfreq(count, tile.size_mm / count)
    radius = np.hypot(fy[:, None], stretch_ratio * fx[None, :])
    log_frequency = np.log(np.maximum(radius, 1e-12))
    low, high = math.log(1.0 / coarsest_mm), math.log(1.0 / finest_mm)
    beyond = np.maximum(np.maximum(low - log_frequency, log_frequency - high), 0.0)
    transfer = np.exp(-((beyond / 0.12) ** 2))  # 0.12: gone within a quarter octave, own choice
    return _unit_noise(tile.size_mm, count, transfer, rng)


class FieldRows:
    """A periodic field on a grid of its own, read at the texels of any rows: its own Fourier series, exactly.

    Waves that the texels cannot carry (shorter than two of them) are left out.
    """

    def __init__(self, tile: Tile, field: np.ndarray):
        n, count = len(field), tile.count
        waves = scipy.fft.rfft2(field)
        fy, fx = scipy.fft.fftfreq(n, 1.0 / n), np.arange(waves.shape[1])
        # both grids have their points at the middles of their cells
        waves *= np.exp(1j * np.pi * fy * (1.0 / count - 1.0 / n))[:, None] * (count / n) ** 2
        waves *= np.exp(1j * np.pi * fx * (1.0 / count - 1.0 / n))[None, :]
        kept = np.abs(fy) < 0.5 * count
        down = np.zeros((count, int(np.count_nonzero(fx < 0.5 * count))), np.complex64)
        down[(fy[kept].astype(int)) % count] = waves[kept][:, : down.shape[1]]
        self._count = count
        self._waves = scipy.fft.ifft(down, axis=0, workers=_THREADS, overwrite_x=True)

    def rows(self, top: int, bottom: int) -> np.ndarray:
        """float32 (bottom - top, count)."""
        return scipy.fft.irfft(self._waves[top:bottom], n=self._count, axis=1)


def by_rows(tile: Tile, make_rows: Callable[[int, int], np.ndarray], on_progress: Progress | None = None) -> np.ndarray:
    """A whole tile, float32 (count, count), from a function that makes rows top to bottom; strips on two threads."""
    out = np.empty((tile.count, tile.count), np.float32)
    strips = [(top, min(top + STRIP_ROWS, tile.count)) for top in range(0, tile.count, STRIP_ROWS)]

    def make(strip: tuple[int, int]) -> None:
        out[strip[0] : strip[1]] = make_rows(*strip)

    with ThreadPoolExecutor(_THREADS) as pool:
        for done, _ in enumerate(pool.map(make, strips), start=1):
            if on_progress is not None:
                on_progress(done, len(strips))
    return out


def sample(tile: Tile, field: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """Read a field on a grid of its own at points (n, 2), cubic over the borders; (n,)."""
    place = np.asarray(points_mm).T[::-1] * (len(field) / tile.size_mm) - 0.5
    return ndimage.map_coordinates(field, place, order=3, mode="grid-wrap")


def sample_paths(tile: Tile, field: np.ndarray, paths: list[np.ndarray]) -> list[np.ndarray]:
    """``sample`` along many paths at once: preparing the field takes longer than reading it."""
    if not paths:
        return []
    ends = np.cumsum([len(path) for path in paths])
    return np.split(sample(tile, field, np.concatenate(paths)), ends[:-1])


def swayed(tile: Tile, sway: list[np.ndarray], paths: list[np.ndarray]) -> list[np.ndarray]:
    """Paths moved by fields of displacement (x, y), mm."""
    x, y = (sample_paths(tile, field, paths) for field in sway)
    return [path + np.column_stack(shift) for path, *shift in zip(paths, x, y, strict=True)]


def spread_points(tile: Tile, spacing_mm: float, rng: np.random.Generator, stretch_ratio: float = 1.0) -> np.ndarray:
    """Evenly spread irregular points, (n, 2) mm, as many as a hexagonal packing of neighbours spacing_mm apart has.

    ``stretch_ratio`` > 1 draws the pattern out along x.
    """
    return blue_noise(tile, max(4, round(tile.area_mm2 / (spacing_mm**2 * math.sqrt(0.75)))), rng, stretch_ratio)


def blue_noise(tile: Tile, count: int, rng: np.random.Generator, stretch_ratio: float = 1.0) -> np.ndarray:
    """Exactly ``count`` evenly spread irregular points, (count, 2) mm.

    Random darts with a least distance that shrinks as the tile fills (0.85 of the distance in hexagonal packing at
    first), so it comes out at about 0.7 of that.
    """
    box = np.array([1.0 / stretch_ratio, 1.0]) * tile.size_mm
    least_mm = 0.85 * math.sqrt(box[0] * box[1] / max(count, 1) / math.sqrt(0.75))
    points = np.empty((0, 2))
    while len(points) < count:
        darts = rng.random((4 * count, 2)) * box
        points = _keep_apart(points, darts, least_mm, box)[:count]
        least_mm *= 0.97
    return points * (stretch_ratio, 1.0)


def _keep_apart(points: np.ndarray, darts: np.ndarray, least_mm: float, box: np.ndarray) -> np.ndarray:
    """Add darts, in order, that keep ``least_mm`` from all points kept before them."""
    if len(points):
        distance, _ = cKDTree(points, boxsize=box).query(darts)
        darts = darts[distance >= least_mm]
    dropped = np.zeros(len(darts), bool)
    if len(darts):
        near = cKDTree(darts, boxsize=box).query_pairs(least_mm, output_type="ndarray")
        drop_later(near[np.lexsort((near[:, 1], near[:, 0]))], dropped)
    return np.vstack([points, darts[~dropped]])


@dataclass(frozen=True)
class Net:
    """Borders between the cells of points.

    ``start_mm``, ``end_mm`` (n, 2); ``cells`` (n, 2) the two cells' indices; ``ends`` (n, 2) the junctions at start and
    end, indices of ``junctions_mm`` (m, 2), which lie inside the tile.
    """

    start_mm: np.ndarray
    end_mm: np.ndarray
    cells: np.ndarray
    ends: np.ndarray
    junctions_mm: np.ndarray


def cell_net(tile: Tile, points_mm: np.ndarray) -> Net:
    """Borders of the periodic Voronoi cells of points, each border once."""
    size, n = tile.size_mm, len(points_mm)
    shifts = [(0, 0)] + [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    around = np.vstack([points_mm % size + np.multiply(shift, size) for shift in shifts])
    index = np.tile(np.arange(n), len(shifts))
    near = _REACH_SPACINGS * size / math.sqrt(n)  # what lies farther off the tile has no border with a cell in it
    kept = ((around > -near) & (around < size + near)).all(axis=1)
    diagram, index = Voronoi(around[kept]), index[kept]
    ends, pairs = np.array(diagram.ridge_vertices), diagram.ridge_points
    cells = index[pairs]
    # a border shows up once for each copy of the tile: keep the copy whose lower-numbered cell is in the tile itself
    low = np.where(cells[:, 0] <= cells[:, 1], pairs[:, 0], pairs[:, 1])
    once = (low < n) & (cells[:, 0] != cells[:, 1]) & (ends >= 0).all(axis=1)
    corners = diagram.vertices
    inside = ((corners >= 0) & (corners < size)).all(axis=1)
    junctions = corners[inside]
    start, end = corners[ends[once, 0]], corners[ends[once, 1]]
    tree = cKDTree(junctions, boxsize=size)
    at = np.column_stack([tree.query(_wrapped(p, size))[1] for p in (start, end)])
    return Net(start, end, cells[once], at, junctions)


def _wrapped(points_mm: np.ndarray, size_mm: float) -> np.ndarray:
    """Points moved into the tile; rounding may put a hair below 0 onto the size itself, which is 0."""
    wrapped = points_mm % size_mm
    return np.where(wrapped >= size_mm, 0.0, wrapped)


def nearest_copy(offset_mm: np.ndarray, size_mm: float) -> np.ndarray:
    """Shortest of an offset's copies over the borders."""
    return offset_mm - size_mm * np.round(offset_mm / size_mm)
