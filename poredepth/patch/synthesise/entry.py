"""The one way in: a kind of relief, for a region, with some parameters changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from poredepth.errors import PatchError
from poredepth.patch.synthesise.grain import raw_grain
from poredepth.patch.synthesise.lines import raw_lines
from poredepth.patch.synthesise.periodic import Progress, make_tile
from poredepth.patch.synthesise.pores import raw_pores
from poredepth.patch.synthesise.presets import relief_of
from poredepth.patch.synthesise.result import Synthesis, take_mean_off
from poredepth.patch.synthesise.wrinkles import raw_wrinkles
from poredepth.patch.types import check_positive
from poredepth.units import UM_PER_MM

_MAKERS: dict[str, Callable] = {"pores": raw_pores, "lines": raw_lines, "wrinkles": raw_wrinkles, "grain": raw_grain}


def synthesise(
    kind: str,
    *,
    region: str | None = None,
    size_mm: float = 20.0,
    texel_um: float = 20.0,
    seed: int = 1,
    overrides: dict[str, Any] | None = None,
    on_progress: Progress | None = None,
) -> Synthesis:
    """Make relief that continues over its borders, its lay along +u.

    Parameters
    ----------
    kind : "pores", "lines", "wrinkles" or "grain"
    region : one of the kind's presets; None is the first: cheek, forehead, forehead, skin
    size_mm : float, mm, side of the square tile; a whole number of texels
    texel_um : float, um
    seed : int, 0 or more; the same seed and size are the same skin at every texel, and the same bytes at the same texel
    overrides : parameter -> number, pair (least, most) or word; see ``preset_table``
    on_progress : called with (done, total)

    Returns
    -------
    Synthesis

    Raises
    ------
    PatchError : an unknown kind, region or parameter, a number out of its range, a size that is no whole number of
        texels, texels too large for the finest detail, more pores than fit

    Examples
    --------
    >>> from poredepth.patch.synthesise import synthesise
    >>> pits = {"density_per_cm2": 100, "diameter_um": 250, "depth_um": 50, "profile": "paraboloid", "outline_ratio": 0,
    ...         "elongation_ratio": 1, "rim_um": 0, "primary_um": 0, "secondary_um": 0, "third_um": 0, "uneven_um": 0,
    ...         "grain_um": 0}
    >>> made = synthesise("pores", size_mm=10, texel_um=20, overrides=pits)
    >>> len(made.pits), round(100 * made.coverage_ratio, 2), round(1000 * made.mean_offset_mm, 3)
    (100, 4.91, -1.227)
    """
    relief = relief_of(kind, region, overrides)
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise PatchError(f"synthesis: seed is {seed!r}; allowed is a whole number from 0 on")
    check_positive("synthesis", "texel_um", texel_um)
    tile = make_tile(size_mm, texel_um / UM_PER_MM)
    height_mm, pits, coverage = _MAKERS[kind](tile, seed, relief, on_progress)
    offset_mm = take_mean_off(height_mm)
    return Synthesis(height_mm, tile.texel_mm, offset_mm, coverage, pits, kind, region, relief, seed)
