"""The demo recipe composed at 8K: time per stage, peak memory, ratio to OpenEXR's own float ZIP write of the same map.

python tests/benchmarks/bench_compose.py [--size 8192]
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import OpenEXR

from poredepth import load_recipe, prepare, read_map, write_maps
from poredepth.demo import demo_recipe_file


class PeakMemory:
    """Largest anonymous and resident memory of this process, MiB, sampled every 20 ms."""

    def __init__(self):
        self.anonymous = self.resident = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()

    def _watch(self):
        while not self._stop.wait(0.02):
            rows = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
            self.anonymous = max(self.anonymous, int(rows["RssAnon"].split()[0]) / 1024)
            self.resident = max(self.resident, int(rows["VmRSS"].split()[0]) / 1024)


class Stages:
    """Seconds between the first word of a stage and the first of the next."""

    def __init__(self):
        self.began: list[tuple[str, float]] = []

    def __call__(self, stage: str, done: int, total: int) -> None:
        if not self.began or self.began[-1][0] != stage:
            self.began.append((stage, time.perf_counter()))

    def seconds(self) -> dict[str, float]:
        ends = [at for _, at in self.began[1:]] + [time.perf_counter()]
        out: dict[str, float] = {}
        for (stage, at), end in zip(self.began, ends, strict=True):
            out[stage] = out.get(stage, 0.0) + end - at
        return out


def sized(size_px: int):
    recipe = load_recipe(demo_recipe_file())
    return recipe.model_copy(update={"output": recipe.output.model_copy(update={"size_px": size_px})})


def exr_write_seconds(folder: Path, maps) -> float:
    """OpenEXR alone: the same heights as float ZIP."""
    total = 0.0
    for written in maps:
        height_mm, _ = read_map(written.path)
        height_mm = np.ascontiguousarray(height_mm)
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        began = time.perf_counter()
        OpenEXR.File(header, {"Y": height_mm}).write(str(folder / "alone.exr"))
        total += time.perf_counter() - began
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=8192)
    size_px = parser.parse_args().size
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        began = time.perf_counter()
        write_maps(prepare(sized(64)), folder / "warm")
        print(f"first run, 64 px, kernels compiled or loaded   {time.perf_counter() - began:8.2f} s")
        stages = Stages()
        began = time.perf_counter()
        with PeakMemory() as memory:
            composition = prepare(sized(size_px), on_progress=stages)
            maps = write_maps(composition, folder / "out", on_progress=stages)
        total = time.perf_counter() - began
        seconds = stages.seconds()
        alone = exr_write_seconds(folder, maps)
    texels = len(maps) * size_px**2
    print(f"demo recipe, {len(composition.layers)} layers, {len(maps)} tiles of {size_px} px")
    for stage, spent in seconds.items():
        print(f"  {stage:<44} {spent:8.2f} s")
    print(f"  {'all':<44} {total:8.2f} s")
    print(f"texels a second while composing                {texels / seconds['compose'] / 1e6:8.1f} M")
    print(f"OpenEXR's own float ZIP write of these maps    {alone:8.2f} s")
    print(f"all / OpenEXR                                  {total / alone:8.2f}")
    print(f"compose and write / OpenEXR                    {(seconds['compose'] + seconds['write']) / alone:8.2f}")
    print(f"peak memory: anonymous {memory.anonymous:.0f} MiB, resident with file pages {memory.resident:.0f} MiB")


if __name__ == "__main__":
    main()
