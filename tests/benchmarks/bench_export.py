"""A set for a renderer out of the demo: time and memory of each step, beside OpenEXR's own write of the same heights.

    python tests/benchmarks/bench_export.py [--size 8192] [--maps normal,cavity] [--plain] [--all]

Composes the demo once, then writes: the displacement with all mip levels, each derived map, documents. ``--plain``
leaves the levels out; ``--all`` makes every kind of map. Memory is that of the whole process, laying included.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import OpenEXR
from measuring import N_THREADS, PeakMemory, clocked, demo_recipe, now, print_setting, since

from poredepth import Blocking, ExportOptions, prepare, write_export
from poredepth.derived.kinds import KINDS
from poredepth.maps import compose_tiles


class Stages:
    """Prints seconds and memory of each stage, from what progress tells."""

    def __init__(self, memory: PeakMemory):
        self._memory, self._stage, self._began = memory, "start", time.perf_counter()

    def __call__(self, stage: str, done: int, total: int) -> None:
        if stage != self._stage:
            at = time.perf_counter()
            print(
                f"  {self._stage:<12}{at - self._began:8.1f} s, {self._memory.since_last():6.0f} MiB anonymous",
                flush=True,
            )
            self._stage, self._began = stage, at


def openexr_alone(composition, folder: Path) -> float:
    """Seconds OpenEXR takes for the same heights as float ZIP, all tiles."""
    heights = compose_tiles(composition, folder, Blocking(n_threads=N_THREADS))
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}

    def write():
        for tile, height_mm in heights.items():
            OpenEXR.File(header, {"Y": height_mm}).write(str(folder / f"alone.{tile}.exr"))

    return clocked(write).clock_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=8192)
    parser.add_argument("--maps", default="normal,cavity")
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--openexr", action="store_true", help="also time OpenEXR alone; composes once more")
    asked = parser.parse_args()
    print_setting()
    recipe = demo_recipe(asked.size)
    output = recipe.output.model_copy(update={"fill_gaps": not asked.plain})
    recipe = recipe.model_copy(update={"output": output})
    maps = tuple(KINDS) if asked.all else tuple(asked.maps.split(","))
    with tempfile.TemporaryDirectory() as name, PeakMemory() as memory:
        stages, began = Stages(memory), now()
        composition = prepare(recipe, on_progress=stages)
        laid = since(began)
        stages("end", 0, 1)
        print(f"laid: {laid.clock_s:.1f} s by the clock, {laid.cpu_s:.1f} s of processor time")
        options = ExportOptions(maps, mip_mapped=not asked.plain)
        stages, began = Stages(memory), now()
        done = write_export(
            composition, Path(name), options, blocking=Blocking(n_threads=N_THREADS), on_progress=stages
        )
        spent = since(began)
        stages("end", 0, 1)
        n_bytes = sum(path.stat().st_size for path in Path(name).iterdir())
        print(f"export: {spent.clock_s:.1f} s by the clock, {spent.cpu_s:.1f} s of processor time; "
              f"{len(done.displacement)} tiles, {', '.join(maps)}; {n_bytes / 1e6:.0f} MB")  # fmt: skip
    print(f"peak memory, laying included: {memory.anonymous_mib:.0f} MiB anonymous, {memory.resident_mib:.0f} resident")
    if asked.openexr:
        with tempfile.TemporaryDirectory() as name:
            alone_s = openexr_alone(replace(composition), Path(name))
        ratio = spent.clock_s / alone_s
        print(f"OpenEXR alone, float ZIP of the same heights: {alone_s:.1f} s; export / OpenEXR {ratio:.1f}")


if __name__ == "__main__":
    main()
