"""``poredepth compose``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import Format, RecipeFile, SizePx, Threads, with_output
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress
from poredepth.cli.report import calibration_lines, carried_lines, part_lines, seam_line

NAME = "compose"
HELP = """Compose the calibrated map(s) of a recipe.

Writes one file per UV tile with a JSON sidecar each, and prints what a renderer must be told:
height_mm = (value - mid) * scale_mm. Below that it tells how much of each patch's detail texels of that size carry, and
how even the map is over its seams.

--layers and --bands also write what each layer, or each band, brings to it, as maps that add up to it.

Example: poredepth compose demo_data/head.yaml -o out
"""


def command(
    recipe: RecipeFile,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the maps.")] = Path("out"),
    size: SizePx = None,
    format: Format = None,
    layers: Annotated[bool, typer.Option("--layers", help="Also write what each layer brings, as maps.")] = False,
    bands: Annotated[bool, typer.Option("--bands", help="Also write what each band brings, as maps.")] = False,
    threads: Threads = 2,
) -> None:
    from poredepth import Blocking, load_recipe, write_maps, write_parts
    from poredepth.maps import opened

    loaded = with_output(load_recipe(recipe), size_px=size, format=format)
    opened(output)  # what cannot be written to is told before the long work
    with shown_progress() as on_progress:
        composition = prepared(loaded, on_progress)
        blocking = Blocking(n_threads=threads)
        written = write_maps(composition, output, blocking=blocking, on_progress=on_progress)
        parts = [
            one
            for by, wanted in (("layers", layers), ("bands", bands))
            if wanted
            for one in write_parts(composition, by, output, blocking=blocking, on_progress=on_progress)
        ]
    typer.echo(
        "\n".join(
            [*calibration_lines(written), *carried_lines(composition), seam_line(composition), *part_lines(parts)]
        )
    )
