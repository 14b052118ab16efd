"""The demo recipe composed to written files, beside OpenEXR's own float ZIP write of the same heights.

    python tests/benchmarks/bench_compose.py [--size 8192] [--repeats 1] [--skip-first-run]

Prints seconds per stage, peak memory, and the two ratios.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
import OpenEXR
from measuring import (
    PeakMemory,
    Spent,
    Stages,
    clocked,
    demo_recipe,
    median_of,
    print_heads,
    print_rows,
    print_setting,
    process_spent,
    rate_row,
    seconds_row,
)

from poredepth import prepare, read_map, write_maps

SMALL_PX = 64


def compose_small(folder: Path) -> None:
    """All kernels on a map of no size."""
    write_maps(prepare(demo_recipe(SMALL_PX)), folder / "small")


def first_run(folder: Path) -> tuple[Spent, Spent]:
    """A small run as a new process: without compiled kernels, then with the ones just kept."""
    # threads of the linear-algebra library wait by spinning, which would drown the difference
    env = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "kernels"), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, str(Path(__file__).resolve()), "--only-small"]
    cold, kept = (process_spent(command, env=env) for _ in range(2))
    return cold, kept


def exr_alone(folder: Path, written) -> Spent:
    """OpenEXR alone: the same heights, contiguous float32, as float ZIP scanlines; reading them does not count."""
    total = Spent(0.0, 0.0)
    for one in written:
        height_mm = np.ascontiguousarray(read_map(one.path)[0], np.float32)
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        total += clocked(lambda h=height_mm, head=header: OpenEXR.File(head, {"Y": h}).write(str(folder / "a.exr")))
    return total


def run_once(size_px: int, folder: Path):
    """What stages take, what OpenEXR alone takes, and what was written; memory is watched while composing only."""
    stages = Stages()
    with PeakMemory() as memory:
        composition = prepare(demo_recipe(size_px), on_progress=stages)
        written = write_maps(composition, folder / "maps", on_progress=stages)
        stages(None)
    return stages.spent, exr_alone(folder, written), memory, composition, written


def report(size_px: int, runs: list) -> None:
    spent, exr, memory, composition, written = zip(*runs, strict=True)
    alone = median_of(exr)
    middle = {stage: median_of([one[stage] for one in spent]) for stage in spent[0]}
    total = sum(middle.values(), Spent(0.0, 0.0))
    print(
        f"demo: {len(composition[0].layers)} layers, {composition[0].surface.n_triangles} triangles, {len(written[0])} "
        f"tiles of {size_px} px, {len(runs)} run(s), kernels loaded"
    )
    print_heads()
    print_rows([seconds_row(stage, one) for stage, one in middle.items()])
    print_rows(
        [
            seconds_row("all stages", total),
            rate_row("texels while composing", len(written[0]) * size_px**2, middle["compose"]),
            seconds_row("OpenEXR alone, the same heights, float ZIP", alone),
            ("compose / OpenEXR", middle["compose"] / alone, "x"),
            ("(compose + write) / OpenEXR", (middle["compose"] + middle["write"]) / alone, "x"),
            ("all stages / OpenEXR                       (target <= 3)", total / alone, "x"),
            ("peak anonymous memory                   (target <= 1024)", max(m.anonymous_mib for m in memory), "MiB"),
            ("peak resident memory, with file pages", max(m.resident_mib for m in memory), "MiB"),
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=8192, help="rows and columns of a tile")
    parser.add_argument("--repeats", type=int, default=1, help="runs; medians are printed")
    parser.add_argument("--skip-first-run", action="store_true", help="do not compile the kernels anew")
    parser.add_argument("--only-small", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if asked.only_small:
            compose_small(folder)
            return
        print_setting()
        if not asked.skip_first_run:
            cold, kept = first_run(folder)
            print(f"new process, demo at {SMALL_PX} px")
            print_heads()
            print_rows([seconds_row("no compiled kernels yet", cold), seconds_row("with kept kernels", kept)])
            compiling = Spent(cold.clock_s - kept.clock_s, cold.cpu_s - kept.cpu_s)
            print_rows([seconds_row("compiling, the difference", compiling)])
        compose_small(folder)
        report(asked.size, [run_once(asked.size, folder) for _ in range(max(1, asked.repeats))])


if __name__ == "__main__":
    main()
