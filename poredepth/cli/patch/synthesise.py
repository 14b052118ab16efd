"""``poredepth patch synthesise``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.patch.result import PatchFormat, Sheet, write_and_tell
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
    licence: Annotated[str | None, typer.Option("--licence", metavar="TEXT", help="Licence you give it.")] = None,
    listed: Annotated[bool, typer.Option("--list", help="Show the kind's regions and numbers instead.")] = False,
    format: PatchFormat = None,
    sheet: Sheet = None,
) -> None:
    if listed:
        typer.echo("\n".join(_listed(kind, region)))
        return
    if output is None:
        raise typer.BadParameter("missing; give the picture to write, as -o pores.tif", param_hint="-o")
    from poredepth.patch.store import check_target
    from poredepth.patch.synthesise import synthesise

    check_target(output, format)
    with shown_progress() as on_progress:
        made = synthesise(
            kind,
            region=region,
            size_mm=size_mm,
            texel_um=texel_um,
            seed=seed,
            overrides=_overrides(changed or []),
            on_progress=lambda done, total: on_progress("synthesise", done, total),
        )
        patch = made.patch(output.name.split(".")[0], licence)
        write_and_tell(patch, output, format, sheet, on_progress)


def _listed(kind: str, region: str | None) -> list[str]:
    """The numbers of a kind, or of one of its regions, as lines."""
    from poredepth.patch.synthesise import PRESETS, preset_table, relief_of

    relief_of(kind, region)  # an unknown one is said
    regions = list(PRESETS[kind])
    rows = [row for row in preset_table() if row.kind == kind]
    own = {row.parameter: row for row in rows if row.region == (region or regions[0])}
    lines = [f"{kind}: regions {', '.join(regions)}; numbers of {region or regions[0]}", ""]
    for row in (row for row in rows if row.region == regions[0]):
        shown = own.get(row.parameter, row)
        span = "" if row.least is None else f"allowed {row.least:g} to {row.most:g}"
        lines.append(f"  {row.parameter:<22}{shown.value_text}")
        unit = ", ".join(part for part in (row.unit, span) if part)
        lines.append(f"  {'':<22}{row.help}" + (f" ({unit})" if unit else ""))
        lines.append(f"  {'':<22}from: {shown.source}")
    return lines


def _overrides(changed: list[str]) -> dict[str, float | tuple[float, ...] | str]:
    """{"density_per_cm2": 80.0, "diameter_um": (200.0, 400.0), "profile": "rounded"} from what --set says."""
    out: dict[str, float | tuple[float, ...] | str] = {}
    for text in changed:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not (name and equals and value):
            raise typer.BadParameter(f"'{text}'; allowed: NAME=NUMBER or NAME=LEAST,MOST", param_hint="--set")
        try:
            numbers = tuple(float(part) for part in value.split(","))
        except ValueError:
            out[name] = value
        else:
            out[name] = numbers[0] if len(numbers) == 1 else numbers
    return out
