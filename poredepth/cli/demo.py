"""``poredepth demo``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import SizePx, Threads, with_output
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress
from poredepth.cli.report import calibration_lines, carried_lines, seam_line

NAME = "demo"
HELP = """Do the whole job on the shipped demo head: compose its map(s) and render previews.

Example: poredepth demo -o out
"""

PREVIEWED = ("cheek_left", "forehead", "nose")


def command(
    output: Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the results.")] = Path(
        "poredepth-demo"
    ),
    size: SizePx = None,
    threads: Threads = 2,
) -> None:
    from poredepth import Blocking, load_recipe, preview, write_maps
    from poredepth.demo import demo_recipe_file
    from poredepth.view.head import head_picture
    from poredepth.view.preview import save_png

    recipe = with_output(load_recipe(demo_recipe_file()), size_px=size)
    with shown_progress() as on_progress:
        composition = prepared(recipe, on_progress)
        written = write_maps(composition, output, blocking=Blocking(n_threads=threads), on_progress=on_progress)
        pictures = []
        for number, region in enumerate(PREVIEWED):
            on_progress("preview", number, len(PREVIEWED))
            pictures.append(output / f"preview-{region}.png")
            save_png(preview(composition, region).image, pictures[-1])
        on_progress("picture", 0, 1)
        pictures.append(output / "head.png")
        save_png(head_picture(composition), pictures[-1])
    lines = [*calibration_lines(written), *carried_lines(composition), seam_line(composition)]
    lines += [f"{'pictures' if number == 0 else '':<16}{path}" for number, path in enumerate(pictures)]
    typer.echo("\n".join(lines))
