"""Random relief whose spectrum, and so Sq, slopes and autocorrelation, are exactly what is asked."""

from __future__ import annotations

import numpy as np


def blurred_noise(shape, sigma_px: tuple[float, float], seed: int = 0, lay_deg: float = 0.0) -> np.ndarray:
    """A periodic Gaussian field like white noise of standard deviation 1 under a Gaussian blur, amplitudes not random.

    ``sigma_px``: of the blur, along the lay and across it; the lay in degrees anticlockwise from the right.  Phases are
    random, so heights are Gaussian where many waves add up.
    """
    rng = np.random.default_rng(seed)
    rows, cols = shape
    ku, kv = 2 * np.pi * np.fft.fftfreq(cols)[None, :], -2 * np.pi * np.fft.fftfreq(rows)[:, None]
    turn = np.radians(lay_deg)
    along, across = np.cos(turn) * ku + np.sin(turn) * kv, np.cos(turn) * kv - np.sin(turn) * ku
    blur = np.exp(-0.5 * ((sigma_px[0] * along) ** 2 + (sigma_px[1] * across) ** 2))
    noise = np.fft.fft2(rng.normal(size=shape))
    spectrum = np.where(np.abs(noise) > 0, noise / np.abs(noise), 0) * blur * np.sqrt(rows * cols)
    spectrum[0, 0] = 0
    return np.fft.ifft2(spectrum).real


def levelled(height: np.ndarray) -> np.ndarray:
    """A picture without its plane (least squares), double precision."""
    r, c = np.indices(height.shape)
    plane = np.column_stack([r.ravel(), c.ravel(), np.ones(height.size)])
    found, *_ = np.linalg.lstsq(plane, height.ravel().astype(np.float64), rcond=None)
    return height - (plane @ found).reshape(height.shape)
