"""``poredepth export``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.options import (
    TAKEN_OUT,
    Format,
    RecipeFile,
    SizePx,
    Threads,
    check_one_of,
    listed,
    unit_of,
    with_encoding,
    with_output,
)
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress
from poredepth.cli.report import calibration_lines, carried_lines, derived_lines, left_over_lines, seam_line

NAME = "export"
HELP = """Write a tile set for a renderer: numbered tiles (1001 + U + 10 V) under one calibration, maps that follow from
the heights, documents that say what all of it means (a plain sheet, MaterialX, OpenUSD), a contact sheet and checksums.

--maps normal,cavity adds maps: normal, normal-object, cavity, curvature, slopes, added-roughness, occlusion.

--mips writes tiled OpenEXR files with all mip levels (needs the extra 'tiled'), and fills the gaps between charts.

--split-edge-um 400 is for renderers that cannot subdivide as far as the map goes: what edges of that length can show
becomes the displacement, the rest a normal map.

Example: poredepth export demo_data/head.yaml -o tiles --size 8K --encoding u16-mid --scene-unit m --maps normal,cavity
"""

Output = Annotated[Path, typer.Option("-o", "--output", metavar="DIR", help="Folder for the set.")]


def command(
    recipe: RecipeFile,
    output: Output = Path("tiles"),
    size: SizePx = None,
    encoding: Annotated[
        str | None,
        typer.Option("--encoding", metavar="NAME", help="float-zero, half-zero or u16-mid instead of the recipe's."),
    ] = None,
    container: Annotated[
        str | None, typer.Option("--container", metavar="NAME", help="exr, tiff or png, with --encoding.")
    ] = None,
    format: Format = None,
    unit: Annotated[
        str | None,
        typer.Option("--unit", metavar="UNIT", help="Unit of the heights in the file: um, mm, cm, m, in or scene."),
    ] = None,
    scene_unit: Annotated[
        str | None,
        typer.Option(
            "--scene-unit",
            metavar="UNIT",
            help="Unit of the scene: um, mm, cm, m, in, or its millimetres as a number. Default: the recipe's, or the "
            "mesh's.",
        ),
    ] = None,
    maps: Annotated[
        str | None, typer.Option("--maps", metavar="NAMES", help="Maps that follow from the heights, with commas.")
    ] = None,
    mips: Annotated[bool, typer.Option("--mips", help="Tiled OpenEXR files with all mip levels.")] = False,
    split_edge_um: Annotated[
        float | None,
        typer.Option("--split-edge-um", metavar="UM", min=1, help="Split for subdivided edges of this length."),
    ] = None,
    green_down: Annotated[
        bool, typer.Option("--green-down", help="Tangent-space normals with y along -v (default: along +v).")
    ] = False,
    cavity_mm: Annotated[
        float, typer.Option("--cavity-mm", metavar="MM", min=0.05, max=50, help="Surroundings of a cavity.")
    ] = 1.0,
    occlusion_mm: Annotated[
        float, typer.Option("--occlusion-mm", metavar="MM", min=0.05, max=10, help="Reach of occlusion.")
    ] = 1.0,
    lower_size: Annotated[
        int | None,
        typer.Option("--lower-size", metavar="PIXELS", min=1, help="Size that added-roughness is for; default: a 4th."),
    ] = None,
    clip: Annotated[
        bool, typer.Option("--clip", help="Limit heights that do not fit the scale, and count them.")
    ] = False,
    threads: Threads = 2,
) -> None:
    from poredepth import Blocking, load_recipe
    from poredepth.derived.kinds import KINDS
    from poredepth.deriving import DerivedOptions
    from poredepth.exporting import ExportOptions, check_export, write_export
    from poredepth.maps import opened

    wanted = listed(maps)
    for name in wanted:
        check_one_of(name, tuple(KINDS), "--maps")
    own = load_recipe(recipe)
    format = with_encoding(format, encoding, container, own.output.format)
    changes = {"unit": unit_of(unit, "--unit", "scene"), "clip": clip or None, "fill_gaps": mips or None}
    changes |= _scene(scene_unit)
    if encoding is not None and encoding.endswith("-zero"):
        changes["mid"] = TAKEN_OUT  # a mid of the recipe would be another zero
    loaded = with_output(own, size_px=size, format=format, **changes)
    options = ExportOptions(
        maps=wanted,
        derived=DerivedOptions(green_down, cavity_mm, occlusion_mm, lower_size),
        mip_mapped=mips,
        split_edge_mm=None if split_edge_um is None else split_edge_um / 1000,
    )
    check_export(loaded, options)
    opened(output)  # what cannot be written to is told before the long work
    with shown_progress() as on_progress:
        composition = prepared(loaded, on_progress)
        done = write_export(composition, output, options, blocking=Blocking(n_threads=threads), on_progress=on_progress)
    documents = [f"{'documents' if number == 0 else '':<16}{path}" for number, path in enumerate(done.documents)]
    lines = [*calibration_lines(done.displacement), *derived_lines(done), *carried_lines(composition)]
    typer.echo("\n".join([*lines, seam_line(composition), *documents, *left_over_lines(done)]))


def _scene(text: str | None) -> dict:
    """Keys of the recipe's output for ``--scene-unit``."""
    if text is None:
        return {}
    try:
        millimetres = float(text)
    except ValueError:
        return {"scene_unit": unit_of(text, "--scene-unit"), "scene_unit_mm": TAKEN_OUT}
    if not 0 < millimetres < float("inf"):
        raise typer.BadParameter(f"'{text}'; allowed: a number of millimetres above 0", param_hint="--scene-unit")
    return {"scene_unit": TAKEN_OUT, "scene_unit_mm": millimetres}
