"""Building blocks on a square tile whose borders meet: grid, noise, evenly spread points, nets and stamps.

Positions are (n, 2) float64, mm, columns x (along the rows, +u) and y (downwards, rows), and may lie outside the tile:
they count modulo its size.  Angles are anticlockwise from +u, so a step at an angle goes (cos, -sin) in (x, y).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy import ndimage
from scipy.spatial import Voronoi, cKDTree

from poredepth.errors import PatchError
from poredepth.patch.types import MIN_SIDE_PX, check_positive


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
    """Grid for a tile of ``size_mm``; PatchError unless that is a whole number (at least 4) of texels."""
    check_positive("synthesis", "size_mm", size_mm)
    check_positive("synthesis", "texel_mm", texel_mm)
    count = round(size_mm / texel_mm)
    if abs(count * texel_mm - size_mm) > 1e-6 * size_mm or count < MIN_SIDE_PX:
        raise PatchError(
            f"synthesis: size_mm {size_mm:g} is {size_mm / texel_mm:.4g} texels of {texel_mm:g} mm; allowed is a whole "
            f"number of at least {MIN_SIDE_PX}; change one of the two"
        )
    return Tile(count, size_mm / count)


def _radius_per_mm(tile: Tile) -> np.ndarray:
    """Radial frequency of each bin of a real 2-D transform, cycles per mm, (count, count // 2 + 1)."""
    fy = scipy.fft.fftfreq(tile.count, tile.texel_mm)
    fx = scipy.fft.rfftfreq(tile.count, tile.texel_mm)
    return np.hypot(fy[:, None], fx[None, :])


def _filtered(tile: Tile, field: np.ndarray, transfer: np.ndarray) -> np.ndarray:
    return scipy.fft.irfft2(scipy.fft.rfft2(field) * transfer, s=(tile.count, tile.count))


def _unit_noise(tile: Tile, transfer: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Normal noise shaped by ``transfer``, mean 0, standard deviation 1, (count, count)."""
    transfer = transfer.copy()
    transfer[0, 0] = 0.0
    noise = _filtered(tile, rng.normal(size=(tile.count, tile.count)), transfer)
    return noise / noise.std()


def smooth_noise(tile: Tile, wavelength_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth normal noise, standard deviation 1, of features about ``wavelength_mm`` wide (Gaussian spectrum)."""
    return _unit_noise(tile, np.exp(-((_radius_per_mm(tile) * wavelength_mm) ** 2)), rng)


def band_noise(tile: Tile, finest_mm: float, coarsest_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Isotropic normal noise, standard deviation 1, of wavelengths finest_mm to coarsest_mm with soft ends."""
    log_frequency = np.log(np.maximum(_radius_per_mm(tile), 1e-12))
    low, high = math.log(1.0 / coarsest_mm), math.log(1.0 / finest_mm)
    beyond = np.maximum(np.maximum(low - log_frequency, log_frequency - high), 0.0)
    return _unit_noise(tile, np.exp(-((beyond / 0.12) ** 2)), rng)  # 0.12: gone within a quarter octave, own choice


def blur(tile: Tile, field: np.ndarray, sigma_mm: float) -> np.ndarray:
    """Gaussian blur of standard deviation ``sigma_mm`` over the borders."""
    return _filtered(tile, field, np.exp(-2.0 * (np.pi * sigma_mm * _radius_per_mm(tile)) ** 2))


def finished(height_mm: np.ndarray) -> np.ndarray:
    """Take the mean off and return float32: a patch must not move the skin."""
    return np.ascontiguousarray(height_mm - height_mm.mean(), dtype=np.float32)


def sample(tile: Tile, field: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """Read a field at points, bilinear over the borders; (n,)."""
    place = np.asarray(points_mm).T[::-1] / tile.texel_mm - 0.5
    return ndimage.map_coordinates(field, place, order=1, mode="grid-wrap")


def spread_points(tile: Tile, spacing_mm: float, rng: np.random.Generator, stretch_ratio: float = 1.0) -> np.ndarray:
    """Evenly spread irregular points, (n, 2) mm: random darts with a least distance that shrinks as the tile fills.

    ``spacing_mm`` is the mean distance of neighbours (hexagonal packing of as many points); ``stretch_ratio`` > 1 draws
    the pattern out along x.
    """
    count = max(4, round(tile.area_mm2 / (spacing_mm**2 * math.sqrt(0.75))))
    box = np.array([1.0 / stretch_ratio, 1.0]) * tile.size_mm
    least_mm = 0.85 * spacing_mm / math.sqrt(stretch_ratio)
    points = np.empty((0, 2))
    while len(points) < count:
        darts = rng.random((4 * count, 2)) * box
        points = _keep_apart(points, darts, least_mm, box)[:count]
        least_mm *= 0.95
    return points * (stretch_ratio, 1.0)


def _keep_apart(points: np.ndarray, darts: np.ndarray, least_mm: float, box: np.ndarray) -> np.ndarray:
    """Add darts, in order, that keep ``least_mm`` from all points kept before them."""
    if len(points):
        distance, _ = cKDTree(points, boxsize=box).query(darts)
        darts = darts[distance >= least_mm]
    dropped = np.zeros(len(darts), bool)
    near = cKDTree(darts, boxsize=box).query_pairs(least_mm, output_type="ndarray") if len(darts) else np.empty((0, 2))
    for first, second in sorted(map(tuple, near.tolist())):
        if not dropped[first]:
            dropped[second] = True
    return np.vstack([points, darts[~dropped]])


@dataclass(frozen=True)
class Net:
    """Borders between the cells of points: ``start_mm``, ``end_mm`` (n, 2), ``cells`` (n, 2) the two cells' indices,
    ``junctions_mm`` (m, 2) where borders meet, inside the tile."""

    start_mm: np.ndarray
    end_mm: np.ndarray
    cells: np.ndarray
    junctions_mm: np.ndarray


def cell_net(tile: Tile, points_mm: np.ndarray) -> Net:
    """Borders of the periodic Voronoi cells of points, each border once."""
    size, n = tile.size_mm, len(points_mm)
    shifts = [(0, 0)] + [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    around = np.vstack([points_mm % size + np.multiply(shift, size) for shift in shifts])
    diagram = Voronoi(around)
    ends, pairs = np.array(diagram.ridge_vertices), diagram.ridge_points
    # a border shows up once for each copy of the tile: keep the copy whose lower-numbered cell is in the tile itself
    low = np.where(pairs[:, 0] % n <= pairs[:, 1] % n, pairs[:, 0], pairs[:, 1])
    once = (low < n) & (pairs[:, 0] % n != pairs[:, 1] % n) & (ends >= 0).all(axis=1)
    corners = diagram.vertices
    inside = ((corners >= 0) & (corners < size)).all(axis=1)
    return Net(corners[ends[once, 0]], corners[ends[once, 1]], pairs[once] % n, corners[inside])


def window(tile: Tile, center_mm: np.ndarray, reach_mm: float):
    """Texels around a point: index arrays for ``field[rows, cols]`` and the offsets dx, dy of their centres, mm."""
    reach = math.ceil(reach_mm / tile.texel_mm)
    col, row = (int(math.floor(value / tile.texel_mm)) for value in center_mm)
    cols, rows = np.arange(col - reach, col + reach + 1), np.arange(row - reach, row + reach + 1)
    dx = (cols + 0.5) * tile.texel_mm - center_mm[0]
    dy = (rows + 0.5) * tile.texel_mm - center_mm[1]
    return np.ix_(rows % tile.count, cols % tile.count), dx[None, :], dy[:, None]
