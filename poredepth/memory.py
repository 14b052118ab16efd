"""Memory the system can have back: what is free inside the process, and large arrays in files without a name."""

from __future__ import annotations

import ctypes
import os
import sys
import tempfile

import numpy as np

#: Arrays up to this size stay in memory.
SMALL_BYTES = 16 << 20


def give_back() -> None:
    """Give free memory back to the system, where its C library keeps it (glibc's malloc_trim); elsewhere do nothing.

    Arrays that come and go in different sizes leave the heap full of holes: after a head is laid, 100 MB and more.
    """
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


def large_array(size: int, dtype: type) -> np.ndarray:
    """An array (size,) to be filled once and then read.

    A large one lies in a file without a name, whose pages the system can drop; in memory where the folder for temporary
    files has no room for it.
    """
    n_bytes = size * np.dtype(dtype).itemsize
    if n_bytes <= SMALL_BYTES or not hasattr(os, "posix_fallocate"):
        return np.empty(size, dtype)
    try:
        with tempfile.TemporaryFile() as file:
            os.posix_fallocate(file.fileno(), 0, n_bytes)  # else a full disk would end the process when it is filled
            # kernels take plain arrays; the mapping lives as long as this one
            return np.memmap(file, dtype, "r+", shape=(size,)).view(np.ndarray)
    except OSError:
        return np.empty(size, dtype)
