"""A plain sheet beside a tile set: what to type into any renderer, how finely to split the mesh, what to check."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from poredepth.output.calibration import CODE_MAX
from poredepth.output.documents import write_document
from poredepth.output.handoff import HandOff, decimal
from poredepth.output.subdivision import (
    EDGES_PER_WAVE,
    edge_for_wave_mm,
    least_crest_ratio,
    levels_for_edge,
    shown_ratio,
    triangle_count,
)

SHEET_NAME = "how-to-render.txt"
#: Steps of the table of subdivision: the finest wave, and waves this many times as long.
WAVE_STEPS = (1, 2, 4, 8)
#: What the ruler check brings the largest displacement to at most, mm: seen at once beside a head.
RULER_MM = 20.0


def sheet_text(
    hand_off: HandOff,
    *,
    area_mm2: float | None = None,
    median_edge_mm: float | None = None,
    smoothed: int | None = None,
    others: Sequence[str] = (),
) -> str:
    """The sheet for a tile set.

    Parameters
    ----------
    hand_off : see `poredepth.output.handoff.hand_off`
    area_mm2 : area of the skin, for the number of triangles
    median_edge_mm : median edge of the mesh that is rendered, for the number of subdivisions
    smoothed : Catmull-Clark steps the recipe takes before anything is laid; None: not known
    others : lines about further maps of the set

    Returns
    -------
    Text with lines of up to 100 characters, longer only for long names.  Numbers to type are exact, others rounded.
    """
    h = hand_off
    parts = [
        ["HOW TO RENDER THIS DISPLACEMENT MAP"],
        _files(h) + ([] if not others else ["Further maps, raw data too:", *(f"  {line}" for line in others)]),
        _numbers(h),
        _inputs(h),
        _subdivision(h, area_mm2, median_edge_mm) + _smoothing(smoothed),
        _too_many(h),
        _checks(h),
        _origin(h),
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def write_sheet(folder: Path | str, hand_off: HandOff, **about) -> Path:
    """Write the sheet into ``folder``, parameters as in `sheet_text`; MapFileError if that fails."""
    return write_document(Path(folder) / SHEET_NAME, sheet_text(hand_off, **about))


def _files(h: HandOff) -> list[str]:
    width = max(len(tile.name) for tile in h.tiles)
    lines = [
        f"The files: {h.size_px[0]} x {h.size_px[1]} texels each, {h.format}",
        f"  tile  {'file':{width}}  u       v       heights, mm",
    ]
    for tile in h.tiles:
        u, v = tile.corner_uv
        lines.append(
            f"  {tile.tile}  {tile.name:{width}}  {u} to {u + 1:<2} {v} to {v + 1:<2} {tile.low_mm:+.4f} to "
            f"{tile.high_mm:+.4f}"
        )
    lines += [
        "Read them as raw data: no colour space, no gamma, no exposure. Filter them linearly.",
        "Row 0 of a picture is its top, v near the upper end of the tile.",
    ]
    if h.wraps:
        lines.append("The name carries no tile number: let the texture repeat, so that u and v beyond 0 to 1 find it.")
    else:
        lines.append("Beyond the border of a picture repeat its last texel (often called clamp), not black.")
    if h.normal is not None:
        lines += _normal_lines(h)
    return lines


def _normal_lines(h: HandOff) -> list[str]:
    normal = h.normal
    coded = "-1 to 1 as they are" if normal.signed else "0 to 1, n = 2 * value - 1"
    way = "green rises with v" if normal.y_up else "green falls as v rises; turn green over for +Y up"
    lines = [
        f"Normal map: {normal.pattern}, raw data too, channels {' '.join(normal.channels)}",
        f"  Values {coded}; {normal.way}: {way}.",
        f"  {normal.frame[:1].upper()}{normal.frame[1:]}.",
    ]
    if h.split_mm is None:
        lines.append("  It shows all of the relief: use it instead of the displacement, never on top of it.")
    else:
        lines.append(
            f"  It shows waves shorter than {_mm(h.split_mm)} mm, the displacement longer ones: use both together."
        )
    return lines


def _numbers(h: HandOff) -> list[str]:
    unit = h.unit_name
    told = "inches" if unit == "in" else unit
    code = "" if h.mid_code is None else f" (16-bit code {h.mid_code})"
    low_mm, high_mm = h.range_mm
    low, high = h.in_scene(low_mm), h.in_scene(high_mm)
    return [
        f"The numbers to type, exact, in {told} (one is {h.scene_unit_mm:g} mm)",
        f"  No displacement is the value    {decimal(h.mid)}{code}",
        f"  One full unit of value is       {decimal(h.scale)} {unit}, outward along the normal",
        f"  As multiply and add             {h.multiply_add}",
        f"In mm: {h.formula_mm}",
        f"Heights used: {low_mm:+.4f} to {high_mm:+.4f} mm, which is {low:+.4g} to {high:+.4g} {unit}.",
    ]


def _inputs(h: HandOff) -> list[str]:
    unit, whole = h.unit_name, h.scale + h.bias
    bias = f"{'-' if h.bias < 0 else '+'} {abs(h.bias):.6g}"
    lines = [
        "What your renderer asks for (rounded here; type the exact numbers above)",
        f"  a multiplier and an offset      {h.scale:.6g} and {h.bias:.6g}: value * {h.scale:.6g} {bias}",
        f"  a middle and a scale            {h.mid:.6g} and {h.scale:.6g}: (value - {h.mid:.6g}) * {h.scale:.6g}",
        f"  the heights of black and white  {h.bias:.6g} and {whole:.6g}, the heights at values 0 and 1",
    ]
    if h.mid == 0.0 and h.scale == 1.0:
        lines.append(f"  raw heights                     nothing to type: the values are heights in {unit}")
    else:
        lines.append("  raw heights                     these files are not that: multiply and add before the input")
    if h.mid_code is not None and abs(h.mid - 0.5) < 1 / CODE_MAX:
        off_um = abs(h.mid - 0.5) * h.scale_mm * 1000
        lines.append(f"If the middle is fixed at 0.5, all skin is {off_um:.2g} um off, which nobody sees.")
    return lines


def _subdivision(h: HandOff, area_mm2: float | None, median_edge_mm: float | None) -> list[str]:
    if h.finest_mm is None:
        return [
            "How finely to split the mesh",
            f"  Four edges for the shortest wave you want to see: they show {_percent(_shown())} of its height.",
        ]
    lost, worst = _percent(1 - _shown()), _percent(1 - least_crest_ratio(1, EDGES_PER_WAVE))
    lines = [
        "How finely to split the mesh",
        f"  Shortest wave the displacement shows: {_mm(h.finest_mm)} mm{_texel(h)}.",
        f"  Four edges for a wave lose {lost} of its height (1 - (sin(pi/4) / (pi/4))^2), and up to {worst} of a",
        "  crest between vertices. So, for waves of this length and longer:",
        "  " + _cells(_heads(h, area_mm2, median_edge_mm)),
    ]
    for times in WAVE_STEPS:
        lines.append("  " + _cells(_row(h, times * h.finest_mm, area_mm2, median_edge_mm)))
    if median_edge_mm is not None:
        lines += [
            f"  Levels: how often each face is cut into four, from a median edge of {_mm(median_edge_mm)} mm;",
            "  where the mesh is coarser than its median, edges stay longer.",
        ]
    if area_mm2 is not None:
        lines.append(f"  Triangles: on {area_mm2 / 100:.0f} cm2 of skin, if edges are as long as the table says.")
    return lines


def _smoothing(steps: int | None) -> list[str]:
    """Whether the renderer is to smooth the mesh as it splits it."""
    if steps is None:
        return []
    if steps == 0:
        return [
            "  Split flat: the relief was laid on the mesh as its file has it. If the renderer smooths the mesh as it",
            "  splits it (Catmull-Clark), say so in the recipe too, mesh: {subdivide: 2}, and export again.",
        ]
    return [
        f"  Smoothed: the relief was laid on the mesh after {steps} Catmull-Clark step{'' if steps == 1 else 's'}; let "
        "the renderer smooth it too.",
    ]


def _texel(h: HandOff) -> str:
    return "" if h.texel_um is None else f" (a texel is {h.texel_um:.3g} um on the skin)"


def _cells(cells: list[str]) -> str:
    return "".join(f"{cell:>16}" for cell in cells)


def _shown() -> float:
    return shown_ratio(1, EDGES_PER_WAVE)


def _heads(h: HandOff, area_mm2: float | None, median_edge_mm: float | None) -> list[str]:
    heads = ["waves from, mm", "edges, mm"]
    if h.scene_unit_mm != 1.0:
        heads.append(f"edges, {h.scene_unit or 'units'}")
    if median_edge_mm is not None:
        heads.append("levels")
    if area_mm2 is not None:
        heads.append("triangles")
    return heads


def _row(h: HandOff, wave_mm: float, area_mm2: float | None, median_edge_mm: float | None) -> list[str]:
    edge_mm = edge_for_wave_mm(wave_mm)
    cells = [_mm(wave_mm), _mm(edge_mm)]
    if h.scene_unit_mm != 1.0:
        cells.append(f"{h.in_scene(edge_mm):.3g}")
    if median_edge_mm is not None:
        cells.append(str(levels_for_edge(median_edge_mm, edge_mm)))
    if area_mm2 is not None:
        cells.append(_count(triangle_count(area_mm2, edge_mm)))
    return cells


def _too_many(h: HandOff) -> list[str]:
    if h.split_mm is None:
        ways = [
            "  - Take a lower row and show what is shorter by normals: export the relief split there, coarse",
            "    waves as displacement, fine ones as a normal map (export --split-edge-um, the row's edges).",
            "  - Or export a smaller map: half the size has waves twice as long, a quarter of the triangles.",
        ]
    else:
        ways = ["  - Split at a longer wave, so that the normal map takes more."]
    return [
        "If that is too many triangles",
        *ways,
        "  - Subdivide only what the camera sees, and only as finely as its pixels.",
    ]


def _checks(h: HandOff) -> list[str]:
    still = "multiplier 0, offset 0" if h.mid else "multiplier 0"
    return [
        "Checks in the renderer",
        f"  Zero   Render once without displacement ({still}), and once with a picture that",
        "         is all the value of no displacement. Both must be the head as it was modelled. If the",
        "         whole head swells or shrinks, the middle or the offset is wrong.",
        *_ruler(h),
        "  Seams  Look along the borders of charts and tiles under raking light: no lines, no cracks.",
    ]


def _ruler(h: HandOff) -> list[str]:
    highest, lowest = max(h.tiles, key=lambda t: t.high_mm), min(h.tiles, key=lambda t: t.low_mm)
    ends = [(highest.tile, highest.high_mm, "out of"), (lowest.tile, -lowest.low_mm, "into")]
    ends = [(tile, reach_mm, way) for tile, reach_mm, way in ends if reach_mm > 0]
    if not ends:
        return ["  Ruler  The map is flat: nothing to measure."]
    times = 10.0 ** max(0, math.floor(math.log10(RULER_MM / max(reach_mm for _, reach_mm, _ in ends))))
    numbers = "multiplier and offset" if h.mid else "the multiplier"
    lines = [f"  Ruler  Make {numbers} {times:g} times as large. The farthest points must then stand"]
    for tile, reach_mm, way in ends:
        far_mm = times * reach_mm
        unit = "" if h.scene_unit_mm == 1.0 else f" ({h.in_scene(far_mm):.3g} {h.unit_name})"
        lines.append(f"         {far_mm:.3g} mm{unit} {way} the plain head, in tile {tile}.")
    return [*lines, "         If it is 10 or 1000 times more or less, the scene's unit is not the one above."]


def _origin(h: HandOff) -> list[str]:
    layers = [f"  {name}" for name in h.layers] or ["  none"]
    patches = [
        f"  {p.name}: source {p.source or 'not stated'}; licence {p.licence or 'not stated'}; "
        f"consent {p.consent or 'not stated'}"
        for p in h.patches
    ] or ["  none"]
    made = [f"Made by poredepth {h.version} from {h.recipe or 'a recipe in memory'}, seed {h.seed}"]
    if h.recipe_hash is not None:
        made.append(f"recipe hash {h.recipe_hash}")
    return ["Layers, bottom to top:", *layers, "Patches:", *patches, *made]


def _mm(length_mm: float) -> str:
    return f"{length_mm:.3g}"


def _percent(ratio: float) -> str:
    return f"{100 * ratio:.0f} %"


def _count(number: float) -> str:
    """A large number in a few digits: 99 million."""
    for size, word in ((1e9, " billion"), (1e6, " million"), (1e3, " thousand")):
        if number >= size:
            return f"{number / size:.3g}{word}"
    return f"{number:.0f}"
