"""Arguments and options that several commands share.

-o  output folder or file (compose, preview, export, demo)
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

#: A key that is taken out of the recipe's output.
TAKEN_OUT = object()


def _size_px(text: str) -> int:
    """Pixels of 4096 or 4K."""
    number, thousands = (text[:-1], 1024) if text[-1:] in ("k", "K") else (text, 1)
    if not (number.isascii() and number.isdigit() and 16 <= (size_px := int(number) * thousands) <= 32768):
        raise typer.BadParameter(f"'{text}'; allowed: 16 to 32768 pixels, or 1K, 2K, 4K, 8K, 16K, 32K")
    return size_px


RecipeFile = Annotated[Path, typer.Argument(metavar="RECIPE", help="Recipe file (YAML).", show_default=False)]
SizePx = Annotated[
    int | None,
    typer.Option(
        "--size", metavar="PIXELS", parser=_size_px, help="Size of a tile, 4096 or 4K, instead of the recipe's."
    ),
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
        check_one_of(changes["format"], _formats(), "--format")
        if changes["format"] != recipe.output.format:
            # mid, scale and packing belong to the format they were given for
            changes = {"mid": TAKEN_OUT, "scale_mm": TAKEN_OUT, "compression": TAKEN_OUT, **changes}
    keys = {**recipe.output.model_dump(exclude_unset=True), **changes}
    made = output(**{key: value for key, value in keys.items() if value is not TAKEN_OUT})
    return recipe.model_copy(update={"output": made})


def with_encoding(format: str | None, encoding: str | None, container: str | None, own: str) -> str | None:
    """Name of the format that ``--encoding`` and ``--container`` ask for, or ``--format``; None: the recipe's.

    Without a container it is the recipe's own format, ``own``, if that has the encoding, else the usual one.
    """
    from poredepth.output import ENCODINGS, FILE_FORMATS

    if encoding is None and container is None:
        return format
    if format is not None:
        raise typer.BadParameter("beside --encoding or --container; allowed: one or the other", param_hint="--format")
    if encoding is None:
        raise typer.BadParameter("without --encoding", param_hint="--container")
    check_one_of(encoding, tuple(ENCODINGS), "--encoding")
    named = {FILE_FORMATS[name].container: name for name in ENCODINGS[encoding]}
    if container is None:
        return own if own in named.values() else next(iter(named.values()))
    if container not in named:
        raise typer.BadParameter(f"'{container}'; allowed for {encoding}: {', '.join(named)}", param_hint="--container")
    return named[container]


def unit_of(name: str | None, hint: str, *more: str) -> str | None:
    """A unit of length as it was given; any other name is a usage error."""
    from poredepth.units import UNITS

    if name is not None:
        check_one_of(name, (*UNITS, *more), hint)
    return name


def listed(text: str | None) -> tuple[str, ...]:
    """Names with commas between them, each once."""
    return tuple(dict.fromkeys(name.strip() for name in (text or "").split(",") if name.strip()))


def _formats() -> tuple[str, ...]:
    from poredepth.output import FORMATS

    return FORMATS


def check_one_of(name: str, allowed: tuple[str, ...], hint: str) -> None:
    from difflib import get_close_matches

    if name in allowed:
        return
    close = get_close_matches(name, allowed, n=1)
    meant = f"; did you mean '{close[0]}'?" if close else ""
    raise typer.BadParameter(f"'{name}'; allowed: {', '.join(allowed)}{meant}", param_hint=hint)
