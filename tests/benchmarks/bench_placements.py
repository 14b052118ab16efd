"""The three ways of laying a patch side by side: composing the same area, laying many prints, laying a large scan.

    python tests/benchmarks/bench_placements.py [--size 4096] [--picture 4096] [--repeats 3]

A plate of 40 x 40 mm that fills the tile.  The registered picture of ``--picture`` pixels a side covers it whole; the
scatter and spread layers lay the tests' pore patch on all of it.  Prints are laid on the whole demo head.
"""

from __future__ import annotations

import argparse
from functools import partial

import numpy as np
from measuring import PeakMemory, Spent, clocked, print_heads, print_rows, print_setting, rate_row, side_by_side
from meshes import flat_mesh
from recipes import composed_of, pore_patch, scatter_layer

from poredepth import HeightPatch, load_recipe
from poredepth.demo import demo_recipe_file
from poredepth.mix.blocks import fill_tile
from poredepth.pipeline import Composition, prepare_ground
from poredepth.placement.scatter import ScatterSpec, scatter

SIDE_MM = 40.0


def registered(side_px: int) -> Composition:
    """Noise of ``side_px`` pixels a side on the whole plate."""
    height_mm = np.random.default_rng(0).normal(0, 0.01, (side_px, side_px)).astype(np.float32)
    patch = HeightPatch("scan", height_mm, SIDE_MM / side_px, periodic=False)
    shares = [(0.1, 0.1), (0.9, 0.1), (0.1, 0.9), (0.9, 0.9), (0.5, 0.5), (0.9, 0.5)]
    ties = [{"px": [x * side_px, y * side_px], "at": [x * SIDE_MM, (1 - y) * SIDE_MM, 0]} for x, y in shares]
    layer = {"name": "scan", "patch": "scan", "place": "registered", "tie_points": ties}
    return composed_of(flat_mesh(SIDE_MM, SIDE_MM, 20), "mm", {"scan": patch}, [layer])


def laid_on_plate(layer: dict) -> Composition:
    """The pore patch on the whole plate."""
    return composed_of(
        flat_mesh(SIDE_MM, SIDE_MM, 20),
        "mm",
        {"pores": pore_patch()},
        [layer],
        regions={"all": {"center": [SIDE_MM / 2, SIDE_MM / 2, 0], "radius_mm": SIDE_MM}},
        directions=[{"points": [[5, 5, 0], [SIDE_MM - 5, 5, 0]]}],
    )


def many_prints() -> tuple[int, Spent]:
    """How many prints of 10 mm the demo head takes, and what laying them costs, the search for pieces included."""
    recipe = load_recipe(demo_recipe_file())
    ground = prepare_ground(recipe)
    every = np.ones(ground.surface.n_triangles, bool)
    how = ScatterSpec(10.0, 0.5, seed=1, name="pores")
    made = []
    spent = clocked(lambda: made.append(scatter(ground.surface, ground.field, every, [pore_patch()], how)))
    return made[0].n_prints, spent


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
    region = {"region": "all"}  # as spread needs one, so that both pay for it
    layers = {
        "registered": made[0],
        "spread": laid_on_plate({"name": "sheet", "patch": "pores", "place": "spread", **region}),
        "scatter": laid_on_plate(scatter_layer("pores", 9, **region)),
    }
    out = np.zeros((asked.size, asked.size), np.float32)

    def fill(c: Composition) -> None:
        fill_tile(c.layers, c.ground, c.raster(asked.size), 1001, out)

    for composition in layers.values():  # rasters
        fill(composition)
    spent = side_by_side({name: partial(fill, c) for name, c in layers.items()}, asked.repeats)
    _print(laying, memory, spent, asked)
    n_prints, placing = many_prints()
    print(f"{n_prints} prints on the demo head: {placing.clock_s:.1f} s by the clock (target: 5000 in 15 s)")


def _print(laying: Spent, memory: PeakMemory, spent: dict[str, Spent], asked: argparse.Namespace) -> None:
    print(f"picture of {asked.picture} x {asked.picture} pixels, tile of {asked.size} px")
    print_heads("by the clock", "of one core")
    print_rows([rate_row(f"{name} layer", asked.size**2, one) for name, one in spent.items()])
    print_rows(
        [
            (f"time of {name} / time of scatter    (target <= 1.5)", spent[name] / spent["scatter"], "x")
            for name in ("registered", "spread")
        ]
    )
    print(f"laying {laying.clock_s:.2f} s by the clock; peak {memory.anonymous_mib:.0f} MiB anonymous")


if __name__ == "__main__":
    main()
