"""``poredepth export``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import Format, RecipeFile, SizePx, Threads, with_output
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress
from poredepth.cli.report import calibration_lines, carried_lines, seam_line

NAME = "export"
HELP = """Write a render-ready tile set: numbered tiles (1001 + U + 10 V), one calibration for all, and a plain sheet
that says what to type into a renderer.

Example: poredepth export demo_data/head.yaml -o tiles --size 8192 --format tiff-16 --unit cm
"""


def command(
    recipe: RecipeFile,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the set.")] = Path("tiles"),
    size: SizePx = None,
    format: Format = None,
    unit: Annotated[
        str | None,
        typer.Option("--unit", metavar="UNIT", help="Scene unit: um, mm, cm, m or in. Default: the recipe's."),
    ] = None,
    threads: Threads = 2,
) -> None:
    from poredepth import Blocking, load_recipe, write_maps
    from poredepth.output.handoff import hand_off
    from poredepth.output.sheet import write_sheet
    from poredepth.units import MM_PER_UNIT, UNITS

    if unit is not None and unit not in UNITS:
        raise typer.BadParameter(f"'{unit}'; allowed: {', '.join(UNITS)}", param_hint="--unit")
    loaded = with_output(load_recipe(recipe), size_px=size, format=format, unit=unit)
    with shown_progress() as on_progress:
        composition = prepared(loaded, on_progress)
        written = write_maps(
            composition, output, number_tiles=True, blocking=Blocking(n_threads=threads), on_progress=on_progress
        )
    metadata, scene_unit = [one.metadata for one in written], loaded.output.unit
    told = hand_off(
        metadata,
        [one.path.name for one in written],
        scene_unit=scene_unit,
        scene_unit_mm=MM_PER_UNIT[scene_unit],
    )
    sheet = write_sheet(output, told)
    typer.echo(
        "\n".join(
            [*calibration_lines(written), *carried_lines(composition), seam_line(composition), f"{'sheet':<16}{sheet}"]
        )
    )
