"""``poredepth preview``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import RecipeFile, SizePx
from poredepth.cli.prepared import prepared, prepared_ground
from poredepth.cli.progress import shown_progress

NAME = "preview"
HELP = """Look at a region at the map's full resolution, under raking light, with a scale bar in mm; with --show head,
at the head with its relief; with --show directions, at the direction of the skin, drawn as lines on the head.

The heights shown are bit for bit a crop of the composed map.

Examples: poredepth preview demo_data/head.yaml --region cheek_left -o cheek.png; poredepth preview demo_data/head.yaml
--show head --turn 20 -o head.png; poredepth preview demo_data/head.yaml --show directions -o directions.png
"""

#: A drawing of the head holds everything in memory at once, four samples to a pixel.
MOST_DRAWN_PX = 2048
SHOWN = ("relief", "head", "directions")
#: Options that say nothing to one of the pictures.
NOT_WITH = {
    "directions": ("size", "light", "elevation"),
    "head": ("region", "size", "light", "elevation"),
    "relief": ("turn", "pitch"),
}


def command(
    ctx: typer.Context,
    recipe: RecipeFile,
    region: Annotated[
        str | None, typer.Option("--region", metavar="NAME", help="Region of the recipe. Default: the whole skin.")
    ] = None,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE.png", help="Picture to write.")] = Path(
        "preview.png"
    ),
    show: Annotated[
        str,
        typer.Option("--show", metavar="NAME", help="relief, head, or directions: lines that prints follow."),
    ] = "relief",
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
    turn: Annotated[
        float,
        typer.Option("--turn", metavar="DEGREES", help="With head, directions: turn to the picture's right."),
    ] = 0.0,
    pitch: Annotated[
        float, typer.Option("--pitch", metavar="DEGREES", help="With head, directions: the face turned down.")
    ] = 0.0,
) -> None:
    from poredepth import load_recipe
    from poredepth.view.preview import check_region, save_png

    if output.suffix.lower() != ".png":
        raise typer.BadParameter(f"'{output}'; allowed: a name that ends in .png", param_hint="--output")
    _check_show(ctx, show, window)
    loaded = load_recipe(recipe)
    check_region(loaded, region)  # before the long work
    if show == "directions":
        image, said = _directions(loaded, region, size_px=window, azimuth_deg=turn, pitch_deg=pitch)
    elif show == "head":
        image, said = _head(loaded, size_px=window, azimuth_deg=turn, pitch_deg=pitch)
    else:
        how = {"size_px": window, "map_size_px": size, "azimuth_deg": light, "elevation_deg": elevation}
        image, said = _relief(loaded, region, **how)
    save_png(image, output)
    typer.echo(f"{output}: {said}")


def _check_show(ctx: typer.Context, show: str, window: int) -> None:
    if show not in SHOWN:
        raise typer.BadParameter(f"'{show}'; allowed: {', '.join(SHOWN)}", param_hint="--show")
    for name in NOT_WITH[show]:
        source = ctx.get_parameter_source(name)
        if source is not None and source.name == "COMMANDLINE":
            raise typer.BadParameter(f"not with --show {show}; leave it out", param_hint=f"--{name}")
    if show != "relief" and window > MOST_DRAWN_PX:
        raise typer.BadParameter(
            f"{window}; allowed with --show {show}: 16 to {MOST_DRAWN_PX} pixels", param_hint="--window"
        )


def _relief(recipe, region: str | None, **how):
    from poredepth import preview

    with shown_progress() as on_progress:
        composition = prepared(recipe, on_progress)
        on_progress("preview", 0, 1)
        seen = preview(composition, region, **how)
    rows, cols = seen.height_mm.shape
    return seen.image, (
        f"tile {seen.tile}, rows {seen.window.row_px} to {seen.window.row_px + rows}, columns "
        f"{seen.window.col_px} to {seen.window.col_px + cols}, {seen.texel_um:.1f} um a texel, heights "
        f"{seen.height_mm.min():.4f} to {seen.height_mm.max():.4f} mm"
    )


def _head(recipe, **how):
    from poredepth.view.head import head_picture

    with shown_progress() as on_progress:
        composition = prepared(recipe, on_progress)
        on_progress("preview", 0, 1)
        image = head_picture(composition, **how)
    return image, f"the head with its relief, turned {how['azimuth_deg']:g} deg, pitched {how['pitch_deg']:g} deg"


def _directions(recipe, region: str | None, **how):
    from poredepth.view.directions import direction_picture

    with shown_progress() as on_progress:
        ground = prepared_ground(recipe, on_progress)
        on_progress("preview", 0, 1)
        seen = direction_picture(ground, region, **how)
    n = len(seen.index)
    return seen.image, (
        f"directions, head turned {how['azimuth_deg']:g} deg, pitched {how['pitch_deg']:g} deg, "
        f"{seen.mm_per_px:.3g} mm a pixel, {n} singular point{'' if n == 1 else 's'} of the field, "
        f"{seen.is_seen.sum()} seen"
    )
