"""A registered layer beside a scatter layer of the same area, and the memory of a large scan.

    python tests/benchmarks/bench_registered.py [--size 4096] [--picture 4096] [--repeats 3]

A plate of 40 x 40 mm that fills the tile.  The registered picture of ``--picture`` pixels a side covers it whole; the
scatter layer lays the tests' pore patch on all of it.
"""

from __future__ import annotations

import argparse

import numpy as np
from measuring import PeakMemory, Spent, clocked, print_heads, print_rows, print_setting, rate_row, side_by_side
from meshes import flat_mesh
from recipes import composed_of, pore_patch, scatter_layer

from poredepth import HeightPatch
from poredepth.mix.blocks import fill_tile
from poredepth.pipeline import Composition

SIDE_MM = 40.0


def registered(side_px: int) -> Composition:
    """Noise of ``side_px`` pixels a side on the whole plate."""
    height_mm = np.random.default_rng(0).normal(0, 0.01, (side_px, side_px)).astype(np.float32)
    patch = HeightPatch("scan", height_mm, SIDE_MM / side_px, periodic=False)
    shares = [(0.1, 0.1), (0.9, 0.1), (0.1, 0.9), (0.9, 0.9), (0.5, 0.5), (0.9, 0.5)]
    ties = [{"px": [x * side_px, y * side_px], "at": [x * SIDE_MM, (1 - y) * SIDE_MM, 0]} for x, y in shares]
    layer = {"name": "scan", "patch": "scan", "place": "registered", "tie_points": ties}
    return composed_of(flat_mesh(SIDE_MM, SIDE_MM, 20), "mm", {"scan": patch}, [layer])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=4096, help="rows and columns of the tile")
    parser.add_argument("--picture", type=int, default=4096, help="pixels of the scan along a side")
    parser.add_argument("--repeats", type=int, default=3, help="timed runs; medians are printed")
    asked = parser.parse_args()
    print_setting()
    registered(64)  # kernels
    made: list[Composition] = []
    with PeakMemory() as memory:
        laying = clocked(lambda: made.append(registered(asked.picture)))
    scattered = composed_of(flat_mesh(SIDE_MM, SIDE_MM, 20), "mm", {"pores": pore_patch()}, [scatter_layer("pores", 9)])
    out = np.zeros((asked.size, asked.size), np.float32)

    def fill(c: Composition) -> None:
        fill_tile(c.layers, c.ground, c.raster(asked.size), 1001, out)

    fill(scattered)
    spent = side_by_side({"registered": lambda: fill(made[0]), "scatter": lambda: fill(scattered)}, asked.repeats)
    _print(laying, memory, spent, asked)


def _print(laying: Spent, memory: PeakMemory, spent: dict[str, Spent], asked: argparse.Namespace) -> None:
    print(f"picture of {asked.picture} x {asked.picture} pixels, tile of {asked.size} px")
    print_heads("by the clock", "of one core")
    n = asked.size**2
    print_rows(
        [
            rate_row("registered layer", n, spent["registered"]),
            rate_row("scatter layer", n, spent["scatter"]),
            ("time of registered / time of scatter    (target <= 1.5)", spent["registered"] / spent["scatter"], "x"),
        ]
    )
    print(f"laying {laying.clock_s:.2f} s by the clock; peak {memory.anonymous_mib:.0f} MiB anonymous")


if __name__ == "__main__":
    main()
