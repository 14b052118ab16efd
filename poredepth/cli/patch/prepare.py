"""``poredepth patch prepare``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from poredepth.cli.patch.result import PatchFormat, PatchOutput, Sheet, keep_apart, write_and_tell
from poredepth.cli.progress import shown_progress

NAME = "prepare"
HELP = """Make a calibrated, level patch that tiles out of a height picture: PNG, TIFF, EXR, or a measured surface (X3P,
SDF; needs the extra metrology). A patch file beside it keeps its size, lay, source, licence, consent and every step.

The size of a pixel comes from the file where it says one, or from --texel-um or --width-mm. The height comes from
--height-um (black to white), or is scaled to a wished --sq-um.

Example: poredepth patch prepare scan.png -o patches/cheek.tif --width-mm 24 --height-um 180 --align --source "own scan"
--licence CC0-1.0 --consent "signed, 2026-11-02"
"""


def command(
    picture: Annotated[Path, typer.Argument(metavar="PICTURE", help="Height picture.", show_default=False)],
    output: PatchOutput,
    texel_um: Annotated[
        float | None, typer.Option("--texel-um", metavar="UM", help="Width of a pixel on the skin, micrometres.")
    ] = None,
    width_mm: Annotated[
        float | None, typer.Option("--width-mm", metavar="MM", help="Width of the whole picture on the skin, mm.")
    ] = None,
    height_um: Annotated[
        float | None, typer.Option("--height-um", metavar="UM", help="Height from black to white, micrometres.")
    ] = None,
    sq_um: Annotated[
        float | None,
        typer.Option("--sq-um", metavar="UM", help="In place of --height-um: scale to this root mean square height."),
    ] = None,
    invert: Annotated[bool, typer.Option("--invert", help="Black is outward. Default: white is.")] = False,
    crop: Annotated[
        tuple[int, int, int, int] | None,
        typer.Option("--crop", metavar="X Y W H", help="Part of the picture, pixels from its top left corner."),
    ] = None,
    form: Annotated[
        str,
        typer.Option(
            "--form",
            metavar="HOW",
            help="Form taken off: auto, none, tilt (a plane), bend, or 3 to 8, the degree of a polynomial.",
        ),
    ] = "auto",
    cutoff_mm: Annotated[
        float | None,
        typer.Option("--cutoff-mm", metavar="MM", help="Take waves above this length off too (ISO 16610-61)."),
    ] = None,
    align: Annotated[bool, typer.Option("--align", help="Turn the picture so that its lay is 0 degrees.")] = False,
    tile: Annotated[
        str, typer.Option("--tile", metavar="HOW", help="Make it tile: best, smooth, cut, or none (for registered).")
    ] = "best",
    colour: Annotated[
        str,
        typer.Option(
            "--colour", metavar="HOW", help="Colour and sRGB pictures: refuse, linear (numbers as stored), srgb."
        ),
    ] = "refuse",
    keep_spikes: Annotated[bool, typer.Option("--keep-spikes", help="Leave single texels that stick out.")] = False,
    keep_terraces: Annotated[bool, typer.Option("--keep-terraces", help="Leave the steps of 8-bit heights.")] = False,
    format: PatchFormat = None,
    sheet: Sheet = None,
    source: Annotated[
        str | None, typer.Option("--source", metavar="TEXT", help="Where the picture comes from.")
    ] = None,
    licence: Annotated[str | None, typer.Option("--licence", metavar="TEXT", help="Its licence.")] = None,
    consent: Annotated[
        str | None, typer.Option("--consent", metavar="TEXT", help="Consent of the person scanned.")
    ] = None,
) -> None:
    from poredepth.patch.prepare import PrepareOptions, prepare_patch
    from poredepth.patch.store import check_target

    check_target(output, format)
    keep_apart(picture, output, "-o")
    keep_apart(picture, sheet, "--sheet")
    options = PrepareOptions(
        texel_um=texel_um,
        width_mm=width_mm,
        height_um=height_um,
        sq_um=sq_um,
        invert=invert,
        colour=colour,
        crop_px=crop,
        form=form,
        cutoff_mm=cutoff_mm,
        keep_spikes=keep_spikes,
        keep_terraces=keep_terraces,
        align=align,
        tiling=tile,
        source=source,
        licence=licence,
        consent=consent,
    )
    with shown_progress() as on_progress:
        made = prepare_patch(picture, options, name=output.name.split(".")[0], on_progress=on_progress)
        write_and_tell(made.patch, output, format, sheet, on_progress, made.texture)
