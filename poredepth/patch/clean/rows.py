"""Strips of rows on two threads."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

#: Kernels let go of the interpreter; more threads would not help on the machines this is made for.
N_THREADS = 2


def on_rows(function: Callable[[int, int], None], n_rows: int, least: int = 64) -> None:
    """Call function(start, stop) for parts of range(n_rows), two at a time; in one piece below ``least`` rows."""
    n = 1 if n_rows < least else 2 * N_THREADS
    edges = [n_rows * k // n for k in range(n + 1)]
    if n == 1:
        function(0, n_rows)
        return
    with ThreadPoolExecutor(N_THREADS) as pool:
        list(pool.map(function, edges[:-1], edges[1:]))
