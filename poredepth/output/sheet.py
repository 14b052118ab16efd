"""A plain sheet beside a tile set: what to type into any renderer."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from poredepth.errors import MapFileError
from poredepth.output.metadata import MapMetadata

SHEET_NAME = "how-to-render.txt"


def sheet_text(metadata: Sequence[MapMetadata], names: Sequence[str]) -> str:
    """The sheet for a set of tiles that share one calibration.

    Parameters
    ----------
    metadata, names : metadata and file name of each tile
    """
    m = metadata[0]
    low, high = min(x.range_low_mm for x in metadata), max(x.range_high_mm for x in metadata)
    code = "" if m.mid_code is None else f" (16-bit code {m.mid_code})"
    tiles = "\n".join(f"  tile {x.tile}  {name}" for x, name in zip(metadata, names, strict=True))
    layers = "\n".join(f"  {name}" for name in m.layers) or "  none"
    origin = (
        "\n".join(
            f"  {p.name}: source {p.source or 'not stated'}; licence {p.licence or 'not stated'}; "
            f"consent {p.consent or 'not stated'}"
            for p in m.patches
        )
        or "  none"
    )
    finest = (
        ""
        if m.texel_um is None
        else (
            f"Subdivide until edges are about {m.texel_um:.0f} um on the skin to show all the map holds: that is the\n"
            f"median size of a texel; the shortest wave it can carry is {2 * m.texel_um:.1f} um.\n"
        )
    )
    return f"""Displacement map, {m.size_px[0]} x {m.size_px[1]} texels a tile, {m.format}

{tiles}

Read the files as raw data (no colour conversion).
No displacement is the value    {m.mid!r}{code}
One full unit of value is       {m.scale!r} {m.unit} of height, outward along the normal
So                              height = (value - {m.mid!r}) * {m.scale!r} {m.unit}
As multiply and add             height = value * {m.scale!r} + {-m.mid * m.scale!r} {m.unit}
Heights used                    {low:.6f} to {high:.6f} mm

{finest}
Layers, bottom to top:
{layers}

Patches:
{origin}

Made by poredepth {m.version} from {m.recipe or "a recipe in memory"}, seed {m.seed}, recipe hash
{m.recipe_hash}
"""


def write_sheet(folder: Path | str, metadata: Sequence[MapMetadata], names: Sequence[str]) -> Path:
    """Write the sheet into ``folder``; MapFileError if that fails."""
    path = Path(folder) / SHEET_NAME
    temporary = path.with_name(path.name + ".part")
    try:
        temporary.write_text(sheet_text(metadata, names), encoding="utf-8")
        os.replace(temporary, path)
    except OSError as error:
        raise MapFileError(f"{path}: cannot write ({error.strerror}); choose another folder with -o") from error
    return path
