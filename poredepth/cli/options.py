"""Arguments and options that several commands share.

-o  output folder or file (compose, preview, export, demo)
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

RecipeFile = Annotated[Path, typer.Argument(metavar="RECIPE", help="Recipe file (YAML).", show_default=False)]
SizePx = Annotated[
    int | None,
    typer.Option("--size", metavar="PIXELS", min=16, max=32768, help="Size of a tile instead of the recipe's."),
]
Format = Annotated[
    str | None,
    typer.Option(
        "--format", metavar="NAME", help="exr-float, exr-half, tiff-float, tiff-16 or png-16 instead of the recipe's."
    ),
]
Threads = Annotated[int, typer.Option("--threads", min=1, max=256, help="Blocks worked on at once; changes no bit.")]


def with_output(recipe, **changes):
    """The recipe with some of its output keys replaced (None: kept); a wrong value is a usage error."""
    changes = {key: value for key, value in changes.items() if value is not None}
    if not changes:
        return recipe
    output = type(recipe.output)
    if "format" in changes:
        _check_format(changes["format"])
        if changes["format"] != recipe.output.format:
            # mid and scale belong to the format they were given for
            changes = {"mid": None, "scale_mm": None, "compression": "zip", **changes}
    made = output(**{**recipe.output.model_dump(exclude_unset=True), **changes})
    return recipe.model_copy(update={"output": made})


def _check_format(name: str) -> None:
    from difflib import get_close_matches

    from poredepth.output import FORMATS

    if name in FORMATS:
        return
    close = get_close_matches(name, FORMATS, n=1)
    hint = f"; did you mean '{close[0]}'?" if close else ""
    raise typer.BadParameter(f"'{name}'; allowed: {', '.join(FORMATS)}{hint}", param_hint="--format")
