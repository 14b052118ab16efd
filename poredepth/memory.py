"""Memory that is free inside the process, given back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Give free memory back to the system, where its C library keeps it (glibc's malloc_trim); elsewhere do nothing.

    Arrays that come and go in different sizes leave the heap full of holes: after a head is laid, 100 MB and more.
    """
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
