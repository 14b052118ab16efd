"""What a renderer must be told, as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from poredepth.exporting import Export
    from poredepth.output import MapMetadata, WrittenMap
    from poredepth.pipeline import Composition


def calibration_lines(written: Sequence[WrittenMap]) -> list[str]:
    """File, mid, scale, unit, range used, code step, clipped texels."""
    from poredepth.output.calibration import SCENE

    metadata = [one.metadata for one in written]
    first = metadata[0]
    low, high = min(m.range_low_mm for m in metadata), max(m.range_high_mm for m in metadata)
    step = _step_text(max(metadata, key=lambda m: m.code_step_um or 0.0))  # halves: of the tile with the coarsest
    code = "" if first.mid_code is None else f" (code {first.mid_code})"
    scale_in_unit = "" if first.unit in ("mm", SCENE) else f" = {first.scale!r} {first.unit}"
    if first.scene_unit != first.unit and first.scale_scene is not None:
        scene = first.scene_unit or f"scene units of {first.scene_unit_mm!r} mm"
        scale_in_unit += f" = {first.scale_scene!r} {scene}"
    lines = [f"{'file' if number == 0 else '':<16}{one.path}" for number, one in enumerate(written)]
    texel = "" if first.texel_um is None else f", {first.texel_um:.1f} um on the skin (median)"
    rows = {
        "encoding": f"{first.encoding}, packed by {first.compression}" + _levels_text(first),
        "mid": f"{first.mid!r}{code}",
        "scale": f"{first.scale_mm!r} mm for one full unit of value{scale_in_unit}",
        "formula": first.formula,
        "range used": f"{low:.6f} to {high:.6f} mm",
        "code step": step,
        "clipped texels": _clipped_text(metadata),
        "texels": f"{first.size_px[0]} x {first.size_px[1]} each{texel}",
        "recipe hash": str(first.recipe_hash),
    }
    return lines + [f"{key:<16}{value}" for key, value in rows.items()]


def _step_text(m: MapMetadata) -> str:
    if m.code_step_um is None:
        return "continuous (float)"
    return f"{m.code_step_um:.6g} um" + (" at most, 1/1024 of the height (half)" if m.mid_code is None else "")


def _levels_text(m: MapMetadata) -> str:
    return "" if m.levels == 1 else f", {m.levels} mip levels"


def _clipped_text(metadata: Sequence[MapMetadata]) -> str:
    worst = max(metadata, key=lambda m: m.clipped_mm)
    total = sum(m.clipped_texels for m in metadata)
    if total == 0:
        return "0"
    row, col = worst.clipped_at_px
    return f"{total}, the worst by {worst.clipped_mm:.6f} mm at row {row}, column {col} of tile {worst.tile}"


def derived_lines(done: Export) -> list[str]:
    """Files of maps that follow from the heights, and what their values mean."""
    lines = [] if done.split_mm is None else [f"{'split':<16}at waves of {done.split_mm:.3g} mm"]
    for kind, written in done.derived.items():
        for number, one in enumerate(written):
            meaning = "" if number else f"  {one.metadata.formula}" + _in_unit(one.metadata.unit)
            lines.append(f"{kind if number == 0 else '':<16}{one.path}{meaning}")
    return lines


def left_over_lines(done: Export) -> list[str]:
    """Older files in the folder, which a renderer may take for tiles of the set."""
    if not done.left_over:
        return []
    text = f"{len(done.left_over)} older files that are not of this set; take them away:"
    return [f"{'left over':<16}{text}", *(f"{'':<16}{path}" for path in done.left_over)]


def _in_unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def seam_line(composition: Composition) -> str:
    """What the two sides of the seams read apart, before and after, and what it took."""
    from poredepth.units import UM_PER_MM

    correction = composition.seam_correction()
    if correction is None:
        text = "untouched"
    elif correction.n_points == 0:
        text = "none"
    else:
        before_um, after_um = UM_PER_MM * correction.rms_before_mm, UM_PER_MM * correction.rms_after_mm
        text = (
            f"{composition.recipe.output.seams}: both sides {before_um:.3g} um apart before, {after_um:.3g} um now "
            f"(rms); {correction.n_texels} texels changed, by up to {UM_PER_MM * correction.largest_change_mm:.3g} um"
        )
        if correction.n_left_out:
            share = 100 * correction.n_left_out / correction.n_points
            text += f"; {share:.2g} % of the seams left as they are (charts overlap or touch, or too narrow a gutter)"
    return f"{'seams':<16}{text}"


def carried_lines(composition: Composition) -> list[str]:
    """How much of each patch's detail the map carries."""
    from poredepth.view.carried import carried_rows

    return [f"{name:<16}{value}" for name, value in carried_rows(composition)]


def part_lines(written: Sequence[WrittenMap]) -> list[str]:
    """What each layer or band brings: file, and its heights."""
    width = max((len(one.metadata.part) for one in written), default=0) + 2
    lines = []
    for one in written:
        m = one.metadata
        scale = "" if m.scale_mm == 1.0 and m.mid == 0.0 else f", mid {m.mid!r}, scale {m.scale_mm!r} mm"
        lines.append(f"{m.part:<{max(width, 16)}}{one.path}  {m.range_low_mm:.6f} to {m.range_high_mm:.6f} mm{scale}")
    return list(dict.fromkeys(lines))  # what is added along seams is the same for layers and bands
