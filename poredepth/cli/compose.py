"""``poredepth compose``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import Format, RecipeFile, SizePx, Threads, with_output
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress
from poredepth.cli.report import calibration_lines, seam_line

NAME = "compose"
HELP = """Compose the calibrated map(s) of a recipe.

Writes one file per UV tile with a JSON sidecar each, and prints what a renderer must be told:
height_mm = (value - mid) * scale_mm. The last line tells how even the map is over its seams.

Example: poredepth compose demo_data/head.yaml -o out
"""


def command(
    recipe: RecipeFile,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the maps.")] = Path("out"),
    size: SizePx = None,
    format: Format = None,
    threads: Threads = 2,
) -> None:
    from poredepth import Blocking, load_recipe, write_maps

    loaded = with_output(load_recipe(recipe), size_px=size, format=format)
    with shown_progress() as on_progress:
        composition = prepared(loaded, on_progress)
        written = write_maps(composition, output, blocking=Blocking(n_threads=threads), on_progress=on_progress)
    typer.echo("\n".join([*calibration_lines(written), seam_line(composition)]))
