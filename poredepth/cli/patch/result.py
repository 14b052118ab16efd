"""What both ways of making a patch end with: it is written, drawn if wished, and told."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from poredepth.patch.texture import TextureParameters
    from poredepth.patch.types import HeightPatch

PatchOutput = Annotated[
    Path, typer.Option("-o", "--output", metavar="PATCH", help="Picture to write: .tif or .exr.", show_default=False)
]
PatchFormat = Annotated[
    str | None,
    typer.Option("--format", metavar="NAME", help="tiff-float, exr-float or tiff-16. Default: float, by the ending."),
]


def _png(sheet: Path | None) -> Path | None:
    if sheet is not None and sheet.suffix.lower() != ".png":
        raise typer.BadParameter(f"'{sheet}'; allowed: a name that ends in .png", param_hint="--sheet")
    return sheet


Sheet = Annotated[
    Path | None,
    typer.Option("--sheet", metavar="FILE.png", callback=_png, help="Draw a sheet that shows what the patch is."),
]


def keep_apart(picture: Path, target: Path | None, option: str) -> None:
    """Refuse to write onto the picture that is read: raw pictures are not made again."""
    both_there = target is not None and os.path.exists(target) and os.path.exists(picture)
    if both_there and os.path.samefile(target, picture):
        raise typer.BadParameter(f"'{target}' is the picture itself; allowed: another name", param_hint=option)


def write_and_tell(
    patch: HeightPatch,
    output: Path,
    format: str | None,
    sheet: Path | None,
    on_progress: Callable[[str, int, int], None],
    found: TextureParameters | None = None,
) -> None:
    """Write patch, patch file and sheet; print what was done, what the patch is, and the lines for a recipe.

    ``found`` : texture parameters of the patch, where they are known
    """
    from poredepth.patch.store import write_patch
    from poredepth.view.patch_facts import measured_texture, patch_facts, patch_texture, recipe_lines

    on_progress("measure", 0, 1)
    found = found or measured_texture(patch)
    rows = patch_facts(patch, found)
    on_progress("patch", 0, 1)
    written = write_patch(output, patch, format=format, texture=patch_texture(patch, found))
    if sheet is not None:
        draw_sheet(patch, rows, sheet, on_progress)
    told = [("patch", f"{written.path}, {written.format}"), ("patch file", str(written.patch_file)), *rows]
    if sheet is not None:
        told.append(("sheet", str(sheet)))
    width = max(len(name) for name, _ in told) + 2
    typer.echo("\n".join(f"{name:<{width}}{value}" for name, value in told))
    typer.echo("\nin a recipe:\n" + "\n".join(f"  {line}" for line in recipe_lines(patch, written)))


def draw_sheet(
    patch: HeightPatch, rows: list[tuple[str, str]], sheet: Path, on_progress: Callable[[str, int, int], None]
) -> None:
    """Draw the picture sheet of a patch."""
    from poredepth.view.patch_sheet import patch_sheet
    from poredepth.view.preview import save_png

    on_progress("sheet", 0, 1)
    save_png(patch_sheet(patch, rows), sheet)
