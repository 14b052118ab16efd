"""Compiled code: where kernels are kept between runs, how many threads BLAS takes."""

from __future__ import annotations

import os
import tempfile
from contextlib import AbstractContextManager
from pathlib import Path


def one_blas_thread() -> AbstractContextManager:
    """Context in which BLAS works on one thread.

    A sparse factorisation calls it for many tiny blocks; on a busy machine its threads then wait for each other, and a
    solve of one second was seen to take forty.
    """
    from threadpoolctl import threadpool_limits

    return threadpool_limits(limits=1, user_api="blas")


def choose_cache_folder() -> None:
    """Give the compiler a folder it can write to.

    Beside the package is best (numba's own choice).  Where neither that nor a home folder can be written, numba would
    fail at import, so the system's temporary folder is named instead.
    """
    if "NUMBA_CACHE_DIR" in os.environ or os.access(Path(__file__).parent, os.W_OK):
        return
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    for folder in (home, *home.parents):
        if folder.exists():
            if os.access(folder, os.W_OK):
                return
            break
    os.environ["NUMBA_CACHE_DIR"] = str(Path(tempfile.gettempdir()) / f"poredepth-kernels-{os.getuid()}")
