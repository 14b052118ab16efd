"""``poredepth patch synthesise``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.patch.result import PatchFormat, PatchOutput, Sheet, write_and_tell
from poredepth.cli.progress import shown_progress

NAME = "synthesise"
HELP = """Make a patch out of numbers: pores, lines, wrinkles or grain, for a part of the face. It tiles, runs along +u,
and the same seed gives the same bytes.

--list shows the regions of a kind and every number it is made from, with its range and where it comes from; --set
changes one of them.

Examples: poredepth patch synthesise pores --region nose -o nose.tif; poredepth patch synthesise pores --list;
poredepth patch synthesise pores --region cheek --set density_per_cm2=80 --set diameter_um=200,400 -o cheek.tif
"""


def command(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="pores, lines, wrinkles or grain.", show_default=False)],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="PATCH", help="Picture to write: .tif or .exr.", show_default=False),
    ] = None,
    region: Annotated[
        str | None, typer.Option("--region", metavar="NAME", help="Part of the face; default: the kind's own.")
    ] = None,
    size_mm: Annotated[float, typer.Option("--size-mm", metavar="MM", help="Side of the patch on the skin.")] = 20.0,
    texel_um: Annotated[float, typer.Option("--texel-um", metavar="UM", help="Side of a texel on the skin.")] = 20.0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another seed, another patch of the same skin.")] = 1,
    changed: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="NAME=VALUE", help="Change a number; LEAST,MOST for a range. May be repeated."),
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Show the kind's regions and numbers instead.")] = False,
    format: PatchFormat = None,
    sheet: Sheet = None,
) -> None:
    if listed:
        from poredepth.view.patch_facts import synthesis_rows

        rows = synthesis_rows(kind, region)
        widths = [max(len(row[column]) for row in rows) + 2 for column in range(len(rows[0]) - 1)]
        for *cells, last in rows:
            typer.echo("".join(f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)) + last)
        return
    if output is None:
        raise typer.BadParameter("missing; give the picture to write, as -o pores.tif", param_hint="-o")
    from poredepth.patch.store import check_target
    from poredepth.patch.synthesise import synthesised_patch

    check_target(output, format)
    with shown_progress() as on_progress:
        on_progress("synthesise", 0, 1)
        patch = synthesised_patch(
            kind,
            output.name.split(".")[0],
            region=region,
            size_mm=size_mm,
            texel_um=texel_um,
            seed=seed,
            overrides=_numbers(changed or []),
        )
        write_and_tell(patch, output, format, sheet, on_progress)


def _numbers(changed: list[str]) -> dict[str, float | tuple[float, float]]:
    """{"density_per_cm2": 80.0, "diameter_um": (200.0, 400.0)} from what --set says."""
    out: dict[str, float | tuple[float, float]] = {}
    for text in changed:
        name, equals, value = text.partition("=")
        try:
            numbers = tuple(float(part) for part in value.split(","))
        except ValueError:
            numbers = ()
        if not equals or len(numbers) not in (1, 2):
            raise typer.BadParameter(f"'{text}'; allowed: NAME=NUMBER or NAME=LEAST,MOST", param_hint="--set")
        out[name.strip()] = numbers[0] if len(numbers) == 1 else numbers
    return out
