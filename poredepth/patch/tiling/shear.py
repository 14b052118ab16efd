"""Lines of a picture moved by fractions of a texel, without loss of fine detail: by Fourier phase."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import scipy.fft

#: Texels around a line that its phase is turned with: the outer part runs into the other end, so nothing rings.
_GUARD_PX, _RUN_IN_PX = 16, 32
#: Lines that are moved at once.
_STRIP_PX = 128


def moved_lines(lines: np.ndarray, start_px: np.ndarray, count: int, *, periodic: bool = False) -> np.ndarray:
    """Read every line from its own start on: out[i, j] = lines[i] at start_px[i] + j.

    Parameters
    ----------
    lines : float (n, length); may be a transposed view
    start_px : float (n,), texels
    count : int, texels to read of each line
    periodic : whether a line begins anew where it ends; else it is mirrored there

    Returns
    -------
    float32 (n, count), float64 if the lines are

    Notes
    -----
    Whole texels are gathered, the rest of a texel is a turn of phase: the interpolation of the sampling theorem, which
    keeps every wave longer than two texels.  Waves of exactly two texels come back by the cosine of their turn.
    """
    out = np.empty((len(lines), count), np.float64 if lines.dtype == np.float64 else np.float32)
    read = _read_whole if periodic and count == lines.shape[1] else _read_window

    def move(top: int) -> None:
        part = slice(top, top + _STRIP_PX)
        out[part] = read(np.ascontiguousarray(lines[part]), np.asarray(start_px[part], np.float64), count, periodic)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(move, range(0, len(lines), _STRIP_PX)))
    return out


def _read_whole(lines: np.ndarray, start_px: np.ndarray, count: int, _periodic: bool) -> np.ndarray:
    """Lines that begin anew where they end, as long as they are: their own spectrum."""
    spectrum = scipy.fft.rfft(lines, axis=1)
    spectrum *= _turn_of_phase(start_px, scipy.fft.rfftfreq(count), spectrum.dtype)
    return scipy.fft.irfft(spectrum, n=count, axis=1)


def _read_window(lines: np.ndarray, start_px: np.ndarray, count: int, periodic: bool) -> np.ndarray:
    """A part of each line, with some of the line around it."""
    margin = _GUARD_PX + _RUN_IN_PX
    length = scipy.fft.next_fast_len(count + 2 * margin, real=True)
    whole = np.floor(start_px).astype(np.int64)
    index = _wrapped(whole[:, None] + (np.arange(length) - margin), lines.shape[1], periodic)
    piece = np.take_along_axis(lines, index, axis=1)
    part_px = start_px - whole
    if not part_px.any():
        return piece[:, margin : margin + count]
    ends = 0.5 * (piece[:, :1] + piece[:, -1:])
    piece = ends + (piece - ends) * _run_in(length).astype(piece.dtype)
    spectrum = scipy.fft.rfft(piece, axis=1)
    spectrum *= _turn_of_phase(part_px, scipy.fft.rfftfreq(length), spectrum.dtype)
    return scipy.fft.irfft(spectrum, n=length, axis=1)[:, margin : margin + count]


def _turn_of_phase(by_px: np.ndarray, frequency: np.ndarray, dtype) -> np.ndarray:
    return np.exp((2j * np.pi) * by_px[:, None] * frequency).astype(dtype)


def _run_in(length: int) -> np.ndarray:
    """1 within, cosine to 0 over the outer texels at either end."""
    to_end = np.minimum(np.arange(length), np.arange(length)[::-1])
    return 0.5 - 0.5 * np.cos(np.pi * np.clip((to_end + 0.5) / _RUN_IN_PX, 0, 1))


def _wrapped(index: np.ndarray, length: int, periodic: bool) -> np.ndarray:
    """Indices beyond the ends of a line: from the other end, or mirrored."""
    if periodic:
        return index % length
    index = index % (2 * length)
    return np.minimum(index, 2 * length - 1 - index)
