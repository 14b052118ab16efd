"""``poredepth preview``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import RecipeFile, SizePx
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress

NAME = "preview"
HELP = """Look at a region at the map's full resolution, under raking light, with a scale bar in mm.

The heights shown are bit for bit a crop of the composed map.

Example: poredepth preview demo_data/head.yaml --region cheek_left -o cheek.png
"""


def command(
    recipe: RecipeFile,
    region: Annotated[
        str | None, typer.Option("--region", metavar="NAME", help="Region of the recipe. Default: the whole skin.")
    ] = None,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE.png", help="Picture to write.")] = Path(
        "preview.png"
    ),
    window: Annotated[
        int, typer.Option("--window", metavar="PIXELS", min=16, max=8192, help="Largest side shown.")
    ] = 1024,
    size: SizePx = None,
    light: Annotated[
        float,
        typer.Option("--light", metavar="DEGREES", help="Where the light comes from, anticlockwise from the right."),
    ] = 135.0,
    elevation: Annotated[
        float, typer.Option("--elevation", metavar="DEGREES", min=1, max=89, help="Height of the light over the skin.")
    ] = 18.0,
) -> None:
    from poredepth import load_recipe
    from poredepth import preview as render
    from poredepth.view.preview import check_region, save_png

    if output.suffix.lower() != ".png":
        raise typer.BadParameter(f"'{output}'; allowed: a name that ends in .png", param_hint="--output")
    loaded = load_recipe(recipe)
    check_region(loaded, region)  # before the long work
    with shown_progress() as on_progress:
        composition = prepared(loaded, on_progress)
        on_progress("preview", 0, 1)
        seen = render(composition, region, size_px=window, map_size_px=size, azimuth_deg=light, elevation_deg=elevation)
    save_png(seen.image, output)
    rows, cols = seen.height_mm.shape
    typer.echo(
        f"{output}: tile {seen.tile}, rows {seen.window.row_px} to {seen.window.row_px + rows}, columns "
        f"{seen.window.col_px} to {seen.window.col_px + cols}, {seen.texel_um:.1f} um a texel, heights "
        f"{seen.height_mm.min():.4f} to {seen.height_mm.max():.4f} mm"
    )
