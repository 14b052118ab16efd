"""``poredepth inspect``."""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.patch.result import Sheet, draw_sheet, keep_apart
from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress

NAME = "inspect"
HELP = """Say what a mesh, recipe, patch, height picture or written map is: real size, texel size, charts, seams,
stretch, layers, texture parameters, calibration, warnings.

With --view, a plate of a mesh or of a recipe's head to read points from: front and both sides, with a grid in the
mesh's unit and the landmarks of the recipe; +y is taken as up, and the face as looking along +z.

With --sheet, a picture sheet of a patch: relief, heights, waves, likeness to itself, tiling. A picture without a patch
file is one with --texel-um and --height-um.

With --repeats, how much the layers of a recipe and their mix repeat along the skin of a region.

Examples: poredepth inspect head.obj --unit cm; poredepth inspect head.yaml; poredepth inspect head.yaml --view
plate.png; poredepth inspect head.yaml --repeats cheek_left; poredepth inspect out/head.1001.exr; poredepth inspect
patches/cheek.tif --sheet cheek.png; poredepth inspect --schema > recipe.schema.json
"""


def command(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="Mesh, recipe, patch, picture or map.", show_default=False)
    ] = None,
    unit: Annotated[
        str, typer.Option("--unit", metavar="UNIT", help="Unit of a mesh file's numbers: um, mm, cm, m or in.")
    ] = "mm",
    view: Annotated[
        Path | None,
        typer.Option("--view", metavar="FILE.png", help="Draw a mesh or a recipe's head with grid and landmarks."),
    ] = None,
    sheet: Sheet = None,
    texel_um: Annotated[
        float | None, typer.Option("--texel-um", metavar="UM", help="Width of a picture's pixel on the skin.")
    ] = None,
    height_um: Annotated[
        float | None, typer.Option("--height-um", metavar="UM", help="Height of a picture from black to white.")
    ] = None,
    repeats: Annotated[
        str | None,
        typer.Option("--repeats", metavar="REGION", help="Measure how much a recipe's relief repeats in a region."),
    ] = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of recipes instead.")] = False,
) -> None:
    if schema:
        import json

        from poredepth.recipe import recipe_schema

        typer.echo(json.dumps(recipe_schema(), indent=2))
        return
    if file is None:
        raise typer.BadParameter("missing; give a mesh, recipe, picture or map, or --schema", param_hint="FILE")
    of_picture = {"--sheet": sheet, "--texel-um": texel_um, "--height-um": height_um}
    _check_picture_options(file, of_picture, view is not None or repeats is not None)
    keep_apart(file, sheet, "--sheet")
    if repeats is not None:
        if view is not None:
            raise typer.BadParameter("allowed without --view", param_hint="--repeats")
        from poredepth.cli.repeats import repeat_rows

        rows = repeat_rows(_there(file), repeats)
    elif view is not None:
        rows = _plate(file, unit, view)
    elif sheet is not None or texel_um is not None or height_um is not None:
        rows = _patch(file, texel_um, height_um, sheet)
    else:
        rows = _facts(file, unit)
    width = max(len(name) for name, _ in rows) + 2
    typer.echo("\n".join(f"{name:<{width}}{value}" for name, value in rows))


def _check_picture_options(file: Path, options: dict[str, object], is_of_recipe: bool) -> None:
    """Refuse what would be left out without a word."""
    is_picture = file.suffix.lower() not in (".obj", ".yaml", ".yml") or file.name.endswith(".patch.yaml")
    for option in (option for option, value in options.items() if value is not None):
        if is_of_recipe:
            raise typer.BadParameter("allowed without --view and --repeats", param_hint=option)
        if not is_picture:
            raise typer.BadParameter(f"'{file}'; allowed with {option}: a patch or a picture", param_hint="FILE")


def _facts(file: Path, unit: str) -> list[tuple[str, str]]:
    from poredepth.errors import PatchError

    suffix = _there(file).suffix.lower()
    if suffix == ".obj":
        return _mesh(file, unit)
    if file.name.endswith(".patch.yaml"):
        return _patch(file, None, None, None)
    if suffix in (".yaml", ".yml"):
        return _recipe(file)
    from poredepth.output import read_map_metadata
    from poredepth.view.facts import map_facts, picture_facts

    if suffix not in (".exr", ".tif", ".tiff", ".png"):
        raise PatchError(f"{file}: a {suffix or 'nameless'} file; allowed: .obj, .yaml, .yml, .exr, .tif, .tiff, .png")
    try:
        read_map_metadata(file)
    except OSError:
        pass
    else:
        return map_facts(file)
    from poredepth.recipe.patchfile import own_patch_file

    return _patch(file, None, None, None) if own_patch_file(file) is not None else picture_facts(file)


def _patch(file: Path, texel_um: float | None, height_um: float | None, sheet: Path | None) -> list[tuple[str, str]]:
    from poredepth.view.patch_facts import opened_patch, patch_facts

    patch = opened_patch(_there(file), texel_um, height_um)
    rows = patch_facts(patch)
    if sheet is not None:
        with shown_progress() as on_progress:
            draw_sheet(patch, rows, sheet, on_progress)
        rows.append(("sheet", str(sheet)))
    return [("patch", str(file)), *rows]


def _plate(file: Path, unit: str, picture: Path) -> list[tuple[str, str]]:
    from poredepth import load_recipe
    from poredepth.surface.skin import load_surface
    from poredepth.view.facts import landmark_facts
    from poredepth.view.plate import head_plate
    from poredepth.view.preview import save_png

    if picture.suffix.lower() != ".png":
        raise typer.BadParameter(f"'{picture}'; allowed: a name that ends in .png", param_hint="--view")
    if file.suffix.lower() == ".obj":
        surface, landmarks = load_surface(_there(file), _known(unit)), {}
    elif file.suffix.lower() in (".yaml", ".yml"):
        recipe = load_recipe(file)
        unit, landmarks = recipe.mesh.unit, recipe.landmarks
        surface = load_surface(recipe.path(recipe.mesh.file), unit, recipe.mesh.subdivide)
    else:
        raise typer.BadParameter(f"'{file}'; allowed with --view: a mesh (.obj) or a recipe (.yaml)", param_hint="FILE")
    save_png(head_plate(surface, landmarks, unit_name=unit), picture)
    return [
        ("plate", f"{picture}: {surface.label}, unit {unit}, +y up, face along +z"),
        *landmark_facts(surface, landmarks),
    ]


def _there(file: Path) -> Path:
    from poredepth.errors import PatchError

    if not os.path.isfile(file):  # unlike Path.is_file, no error of its own for names that no file can have
        raise PatchError(f"{file}: no such file; check the path")
    return file


def _known(unit: str) -> str:
    from poredepth.units import UNITS

    if unit not in UNITS:
        raise typer.BadParameter(f"'{unit}'; allowed: {', '.join(UNITS)}", param_hint="--unit")
    return unit


def _mesh(file: Path, unit: str) -> list[tuple[str, str]]:
    from poredepth.surface.skin import load_surface
    from poredepth.view.facts import mesh_facts

    return mesh_facts(load_surface(file, _known(unit)), unit)


def _recipe(file: Path) -> list[tuple[str, str]]:
    from poredepth import load_recipe
    from poredepth.errors import PoredepthWarning
    from poredepth.surface.skin import load_surface
    from poredepth.view.facts import mesh_facts, recipe_facts

    recipe = load_recipe(file)
    with shown_progress() as on_progress:
        composition = prepared(recipe, on_progress)
    with warnings.catch_warnings():  # said already: this is the same mesh, before its edges were split
        warnings.simplefilter("ignore", PoredepthWarning)
        surface = load_surface(recipe.path(recipe.mesh.file), recipe.mesh.unit, recipe.mesh.subdivide)
    return mesh_facts(surface, recipe.mesh.unit) + recipe_facts(composition)
