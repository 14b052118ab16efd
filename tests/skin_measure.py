"""Measuring relief on the skin itself: flat little views around skin points, and the wave found in them.

Independent of prints and UVs: a view is a square grid in the tangent plane of a point, rolled onto the skin triangle by
triangle; what is measured is whatever height function it is given.
"""

from __future__ import annotations

import numpy as np

from poredepth.surface import kernels
from poredepth.surface.points import SkinPoints


def flat_view(surface, triangle: int, barycentric, side_mm: float, n: int) -> tuple[SkinPoints, np.ndarray]:
    """n x n skin points of a square around a skin point, axes those of the triangle's own frame; and axis positions."""
    axis = (np.arange(n) + 0.5) / n * side_mm - side_mm / 2
    x, y = np.meshgrid(axis, axis)
    flat = surface.flat_mm[triangle]
    centre = np.asarray(barycentric, float) @ flat
    to = np.stack([x.ravel() + centre[0], y.ravel() + centre[1]])
    system = np.vstack([flat.T, np.ones(3)])
    b = np.linalg.solve(system, np.vstack([to, np.ones(to.shape[1])])).T.copy()
    t = np.full(len(b), triangle, np.int64)
    kernels.walk_many(t, b, surface.flat_mm, surface.adjacency.triangle, surface.adjacency.edge)
    return SkinPoints(t.astype(np.int32), b.astype(np.float32)), axis


def dominant_wave(height: np.ndarray, step_mm: float, pad: int = 512) -> tuple[float, float]:
    """Wavelength (mm) and direction of the wave vector (radians) of the strongest wave in a square view."""
    n = len(height)
    at = (np.arange(n) - (n - 1) / 2) / n
    window = np.exp(-0.5 * (at / 0.22) ** 2)
    h = (height - height.mean()) * window[:, None] * window[None, :]
    power = np.abs(np.fft.fftshift(np.fft.fft2(h, (pad, pad)))) ** 2
    power[:, : pad // 2] = 0  # a real wave shows twice
    r, c = np.unravel_index(np.argmax(power), power.shape)
    log = np.log(power[r - 1 : r + 2, c - 1 : c + 2] + 1e-300)
    dr = 0.5 * (log[0, 1] - log[2, 1]) / (log[0, 1] - 2 * log[1, 1] + log[2, 1])
    dc = 0.5 * (log[1, 0] - log[1, 2]) / (log[1, 0] - 2 * log[1, 1] + log[1, 2])
    fy, fx = (r + dr - pad // 2) / (pad * step_mm), (c + dc - pad // 2) / (pad * step_mm)
    return 1.0 / float(np.hypot(fx, fy)), float(np.arctan2(fy, fx))


def line_angle_difference(a, b):
    """Smallest angle between two unsigned directions, radians."""
    return np.abs((np.asarray(a) - b + np.pi / 2) % np.pi - np.pi / 2)


def texture(height_mm) -> tuple[float, float, float]:
    """Sq in um, Ssk, Sku (ISO 25178-2)."""
    h = height_mm.astype(float) - height_mm.mean(dtype=float)
    sq = np.sqrt((h**2).mean())
    return 1000 * sq, (h**3).mean() / sq**3, (h**4).mean() / sq**4


def repeat_measure(height: np.ndarray, step_mm: float, beyond_mm: float = 2.0, least_overlap: float = 0.2) -> float:
    """Largest correlation of a view (rows, cols) with itself, shifted by more than ``beyond_mm``.

    Shifts at which less than ``least_overlap`` of the view lies over itself are left out.  Not periodic: Padfield 2012,
    Masked object registration in the Fourier domain, with full masks.
    """
    h = height.astype(float) - height.mean()
    shape = [2 * n for n in h.shape]
    one = np.fft.rfft2(np.ones_like(h), shape)
    image, square = np.fft.rfft2(h, shape), np.fft.rfft2(h * h, shape)

    def correlated(a, b):
        return np.fft.irfft2(a * b.conj(), shape)

    count = np.maximum(correlated(one, one), 1.0)
    mean_a, mean_b = correlated(image, one) / count, correlated(one, image) / count
    power_a, power_b = correlated(square, one) / count - mean_a**2, correlated(one, square) / count - mean_b**2
    found = (correlated(image, image) / count - mean_a * mean_b) / np.sqrt(np.maximum(power_a * power_b, 1e-30))
    rows, cols = (np.fft.fftfreq(n, 1 / n) * step_mm for n in shape)
    far = np.hypot(rows[:, None], cols[None, :]) > beyond_mm
    return float(found[far & (count > least_overlap * h.size)].max())


def least_weight(prints, points) -> float:
    """Over skin points, the smallest of the largest weights of any print."""
    return min(
        (prints.corner_weight[prints.start[t] : prints.start[t + 1]] @ b).max(initial=-1.0)
        for t, b in zip(points.triangle, points.barycentric, strict=True)
    )
