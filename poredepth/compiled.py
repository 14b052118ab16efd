"""Where compiled kernels are kept between runs."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


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
