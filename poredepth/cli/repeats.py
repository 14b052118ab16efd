"""What ``poredepth inspect --repeats`` says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from poredepth.cli.prepared import prepared
from poredepth.cli.progress import shown_progress

if TYPE_CHECKING:
    from poredepth.repeats import Repeats


def repeat_rows(file: Path, region: str) -> list[tuple[str, str]]:
    """How much the layers of a recipe, and their mix, repeat in a region."""
    from poredepth import load_recipe
    from poredepth.repeats import SEEN_PEAK, measure_all_repeats

    if file.suffix.lower() not in (".yaml", ".yml"):
        raise typer.BadParameter(f"'{file}'; allowed with --repeats: a recipe (.yaml)", param_hint="FILE")
    recipe = load_recipe(file)
    with shown_progress() as on_progress:
        found = measure_all_repeats(prepared(recipe, on_progress), region, on_progress=on_progress)
    mix = found[-1]
    low, high = mix.stretch
    return [
        (f"region {region}", f"{mix.skin_mm2 / 100:.1f} cm2 of it laid flat, stretch {low:.2f} to {high:.2f}"),
        *((f"repeats of {'the mix' if one.layer is None else one.layer}", _line(one)) for one in found),
        ("advice", f"above {SEEN_PEAK:g} an eye sees a repeat; 1 is plain tiling, 0 none at all"),
    ]


def _line(one: Repeats) -> str:
    along, across = one.lag_mm
    told = "seen as a repeat" if one.is_seen else "not seen as a repeat"
    at, again = ("[" + ", ".join(f"{x:.2f}" for x in place) + "]" for place in (one.at, one.again_at))
    where = f", best at {at} and {again}" if one.is_seen else ""
    return (
        f"largest {one.peak:.2f} at {one.distance_mm:.1f} mm ({along:.1f} along, {across:.1f} across the skin's "
        f"direction{where}), by chance {one.chance_peak:.2f}; turned by half {one.turned_peak:.2f}; {told}"
    )
