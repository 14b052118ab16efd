"""Measured surfaces: X3P (ISO 25178-72) and SDF (ISO 25178-71) files, heights in metres on a known grid.

Both standards have right-handed coordinates, x along a row, y rising from row to row, z out of the surface: seen from
outside, the first row is the lowest.  So the rows are turned over, to have row 0 at the top.  The libraries that read
the files put the rows of the one older form that runs the other way (BCR-1.0) in that order too.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.decode import whole_file
from poredepth.units import MM_PER_UNIT

_INSTALL = "pip install 'poredepth[metrology]'"
#: An X3P file is a ZIP archive.
_ZIP_SIGNATURE = b"PK\x03\x04"
#: First bytes of an SDF file, after a byte order mark that some programs write: aISO-1.0, bBCR-1.0, ...
_SDF_SIGNATURE = re.compile(rb"(\xef\xbb\xbf)?[aAbB](ISO|BCR)-")


def measured_kind(head: bytes) -> str:
    """ "X3P", "SDF" or "", by a file's first bytes."""
    if head.startswith(_ZIP_SIGNATURE):
        return "X3P"
    return "SDF" if _SDF_SIGNATURE.match(head) else ""


def read_measured(path: Path, kind: str) -> tuple[np.ndarray, tuple[float, float], tuple[str, ...]]:
    """Read a measured surface.

    Parameters
    ----------
    path : file
    kind : "X3P" or "SDF"

    Returns
    -------
    heights : float64 (rows, cols), mm, row 0 at the top, NaN where nothing was measured
    pixel_mm : (x, y), mm
    notes : what was done

    Raises
    ------
    PatchError : the library for it is not installed; truncated, corrupt; a profile, a cloud of points, several layers,
        points off a regular grid; steps that are not above 0
    """
    heights_m, steps_m, notes = _read_x3p(path) if kind == "X3P" else _read_sdf(path)
    if not all(math.isfinite(step) and step > 0 for step in steps_m):
        raise PatchError(
            f"{path}: its steps are {steps_m[0]:g} x {steps_m[1]:g} m; allowed are numbers above 0; export it anew"
        )
    heights_mm = heights_m[::-1] * MM_PER_UNIT["m"]
    pixel_mm = (steps_m[0] * MM_PER_UNIT["m"], steps_m[1] * MM_PER_UNIT["m"])
    told = f"surface: {kind}, heights in mm; rows turned over, as y rises from the first row"
    return heights_mm, pixel_mm, (told, *notes)


def _read_x3p(path: Path) -> tuple[np.ndarray, tuple[float, float], tuple[str, ...]]:
    try:
        import x3pio
    except ImportError as error:
        raise PatchError(_not_installed(path, "X3P", "x3pio")) from error
    with whole_file(path):
        file = x3pio.read(path)
    layer = file.layers[0]
    if not isinstance(file, x3pio.Surface) or not layer.is_regular_grid:
        found = "points off a regular grid" if isinstance(file, x3pio.Surface) else type(file).__name__.lower()
        _refuse(path, f"X3P with {found}")
    if len(file.layers) > 1:
        _refuse(path, f"X3P with {len(file.layers)} layers")
    turned = (
        ("surface: turned in its instrument's coordinates; taken as stored",) if layer.placement.has_rotation else ()
    )
    return layer.z, (layer.header.x.increment, layer.header.y.increment), turned


def _read_sdf(path: Path) -> tuple[np.ndarray, tuple[float, float], tuple[str, ...]]:
    try:
        import sdfio
    except ImportError as error:
        raise PatchError(_not_installed(path, "SDF", "sdfio")) from error
    with whole_file(path):
        file = sdfio.read(path)
    if file.is_profile:
        _refuse(path, "SDF with a single profile")
    return file.data, (file.header.x_scale, file.header.y_scale), ()


def _refuse(path: Path, found: str) -> None:
    raise PatchError(f"{path}: found {found}; allowed is one surface on a regular grid; export that")


def _not_installed(path: Path, kind: str, library: str) -> str:
    return f"{path}: a measured surface ({kind}) needs the library {library}; install it: {_INSTALL}"
