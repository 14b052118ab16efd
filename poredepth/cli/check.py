"""``poredepth check``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress

if TYPE_CHECKING:
    from poredepth.checking import CheckReport, FileMeasure, Finding, SetMeasure, SkinMeasure
    from poredepth.checking.obtained import DisplaceMeasure
    from poredepth.recipe import Recipe

NAME = "check"
HELP = """Open written maps again, by another reader than the writer, and prove that they hold what was meant.

FILE is a map, or a folder: all maps in it. By itself a file is held against what it says of itself: metadata, type,
range, values; tiles of one map against each other. With --recipe, texels and points of the skin are held against the
recipe, and what was done to a map that differs is named (docs/checking.md).

--displace displaces a mesh by the files, as a renderer does, and measures the heights obtained along its normals,
cracks along seams, and whether the whole head shifts (docs/displacing.md).

Ends with 0 if all is well, with 1 if anything is wrong.

Examples: poredepth check out; poredepth check out --recipe demo_data/head.yaml --displace demo_data/head.obj
"""

WIDTH = 16


def command(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Maps, or folders that hold some.", show_default=False)
    ],
    recipe: Annotated[
        Path | None, typer.Option("--recipe", metavar="RECIPE", help="Recipe (YAML) the maps are meant to be of.")
    ] = None,
    displace: Annotated[
        Path | None, typer.Option("--displace", metavar="MESH", help="OBJ mesh that is displaced by the files.")
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option("--unit", metavar="UNIT", help="Unit of that mesh: um, mm, cm, m or in. Default: the recipe's."),
    ] = None,
    subdivide: Annotated[
        int | None, typer.Option("--subdivide", min=0, max=4, help="Catmull-Clark steps first. Default: the recipe's.")
    ] = None,
    edge_um: Annotated[
        float | None,
        typer.Option("--edge-um", metavar="UM", min=1, help="Edges the mesh is cut to. Default: a texel."),
    ] = None,
) -> None:
    from poredepth import load_recipe, read_obj
    from poredepth.checking import check_files, find_maps
    from poredepth.errors import PoredepthError

    for name, value in (("--subdivide", subdivide), ("--edge-um", edge_um)):
        if displace is None and value is not None:
            raise typer.BadParameter("without --displace", param_hint=name)
    loaded = None if recipe is None else load_recipe(recipe)
    unit = _unit(unit, loaded, displace)
    find_maps(files)  # what cannot be opened is told before the long work
    if displace is not None:
        read_obj(displace)
    obtained = None
    with shown_progress() as on_progress:
        composition = None if loaded is None else prepared(loaded, on_progress)
        report = check_files(files, composition, on_progress=on_progress)
        if displace is not None:
            from poredepth.checking.displace_files import displace_files

            on_progress("displace", 0, 1)
            try:
                obtained = displace_files(files, displace, unit, composition, subdivide=subdivide, edge_um=edge_um)
            except PoredepthError:
                typer.echo("\n".join(report_lines(report, recipe)))  # what was found stays told
                raise
    typer.echo("\n".join(report_lines(report, recipe, obtained)))
    if not report.ok or (obtained is not None and obtained.findings):
        raise typer.Exit(1)


def _unit(unit: str | None, recipe: Recipe | None, mesh: Path | None) -> str | None:
    """The unit of the mesh that is displaced: as it was given, or that of the recipe's mesh."""
    from poredepth.cli.options import unit_of

    if mesh is None and unit is not None:
        raise typer.BadParameter("without --displace", param_hint="--unit")
    if mesh is not None and unit is None and recipe is None:
        raise typer.BadParameter("give the unit of the mesh, or --recipe", param_hint="--displace")
    return recipe.mesh.unit if unit is None and recipe is not None else unit_of(unit, "--unit")


def _displaced_rows(obtained: DisplaceMeasure) -> list[tuple[str, str]]:
    from poredepth.checking.obtained import displace_lines

    lines = displace_lines(obtained)
    words = [line.removeprefix("displaced: ") for line in lines]
    return [*(("displaced" if number == 0 else "", line) for number, line in enumerate(words)), ("", "")]


def report_lines(report: CheckReport, recipe: Path | None = None, obtained: DisplaceMeasure | None = None) -> list[str]:
    """What was measured, then what is wrong, then the result, for a person."""
    rows = [row for measure in report.measures for row in [*_set_rows(measure, recipe is not None), ("", "")]]
    rows += [] if obtained is None else _displaced_rows(obtained)
    for number, finding in enumerate(report.findings, start=1):
        rows += [*_finding_rows(number, finding), ("", "")]
    rows.append(("result", _result(report, recipe)))
    if obtained is not None and obtained.findings:
        rows.append(("", f"displaced: {_count(obtained.findings)} wrong, told as findings above"))
    return [f"{name:<{WIDTH}}{text}".rstrip() for name, text in rows]


def _set_rows(measure: SetMeasure, beside_recipe: bool) -> list[tuple[str, str]]:
    rows = []
    for number, one in enumerate(measure.files):
        rows += [("", "")] if number else []
        rows += [*_file_rows(one), *_texel_rows(one, beside_recipe)]
    return rows + ([] if measure.skin is None else [("", ""), *_skin_rows(measure.skin)])


def _file_rows(one: FileMeasure) -> list[tuple[str, str]]:
    size = f"{one.size_px[0]} x {one.size_px[1]} px"
    packed = f", packed by {one.compression}" if one.compression else ""
    rows = [
        ("file", str(one.path)),
        ("read by", one.reader),
        ("holds", f"{size}, {one.pixel_type}{packed}, {one.row_order}"),
        ("says", f"{one.formula or 'nothing'} (in {one.stated_by})" if one.formula else "nothing"),
    ]
    if one.low_mm is not None:
        levels = "all kinds of values" if one.n_levels is None else f"{one.n_levels} different values"
        rows.append(("heights", f"{one.low_mm:.6f} to {one.high_mm:.6f} mm, {levels}"))
    return rows


def _texel_rows(one: FileMeasure, beside_recipe: bool) -> list[tuple[str, str]]:
    texels = one.texels
    if texels is None:
        why = "the recipe does not say what it holds, or it is not of the size it says"
        if one.kind != "height" or not one.formula:
            why = f"it holds {one.kind}, not heights" if one.formula else "it does not say what its values mean"
        return [("texels", f"not compared: {why}")] if beside_recipe else []
    parts = [
        f"{n} {where}"
        for n, where in (
            (texels.n_skin, "inside charts"),
            (texels.n_seam, "beside seams"),
            (texels.n_gutter, "in the gutter"),
            (texels.n_outside, "without skin"),
        )
        if n
    ]
    n = texels.n_skin + texels.n_seam + texels.n_gutter + texels.n_outside
    told = "all as the recipe means" if texels.n_wrong == 0 else f"{texels.n_wrong} of {n} not as the recipe means"
    worst = f"worst {_um(texels.worst_mm)} off, where {_um(texels.tolerance_mm)} is rounding"
    return [("texels", f"{told}; {worst}"), ("", f"({', '.join(parts)})")]


def _skin_rows(skin: SkinMeasure) -> list[tuple[str, str]]:
    read = (
        f"{skin.n_points} points read as a renderer reads: {_um(skin.rms_mm)} off the relief (rms), worst "
        f"{_um(skin.worst_mm)}"
    )
    rows = [
        ("skin", read),
        ("whole head", f"{_um(skin.mean_mm, sign='+')} off on average, median {_um(skin.median_mm, sign='+')}"),
    ]
    if skin.n_seam_points == 0:
        return [*rows, ("seams", "none")]
    apart = f"both sides {_um(skin.apart_mm)} apart (rms), {_um(skin.meant_apart_mm)} meant; worst"
    return [*rows, ("seams", f"{apart} {_um(skin.apart_worst_mm)}")]


def _um(length_mm: float, sign: str = "") -> str:
    length_um = 1000 * length_mm
    return f"{length_um:{sign}.{3 if abs(length_um) < 10 else 1}f} um"


def _finding_rows(number: int, finding: Finding) -> list[tuple[str, str]]:
    where = "" if finding.file is None else f"  {finding.file}"
    rows = [(f"wrong {number}", f"{finding.name}{where}"), ("", finding.text)]
    if finding.place is not None:
        rows.append(("", f"at {finding.place}"))
    return [*rows, ("", f"likely: {finding.hint}")]


def _result(report: CheckReport, recipe: Path | None) -> str:
    n_files = sum(len(one.files) for one in report.measures)
    files = "1 file" if n_files == 1 else f"{n_files} files"
    beside = "; without --recipe only what files say of themselves was checked" if recipe is None else ""
    if report.ok:
        return f"all is well in {files}{beside}{'' if recipe is None else _left_out(report)}"
    return f"{_count(report.findings)} wrong in {files}: {', '.join(report.names)}"


def _left_out(report: CheckReport) -> str:
    """Which files only stand by what they say of themselves."""
    left = [one for measure in report.measures for one in measure.files if one.texels is None]
    if not left:
        return ""
    kinds = ", ".join(dict.fromkeys(one.kind if one.kind != "height" else "parts of the relief" for one in left))
    return f"; of these {len(left)} ({kinds}) were checked by themselves only, not against the recipe"


def _count(findings: Sequence[Finding]) -> str:
    return "1 thing" if len(findings) == 1 else f"{len(findings)} things"
