"""How the cost grows: with the map's size, with the mesh's triangles, with prints; previews and new processes.

    python tests/benchmarks/bench_scaling.py [--large] [--only maps meshes previews processes placing] [--repeats 3]

Cost per texel counts texels on skin; both mixing and finding skin points are in it, and no file is written.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
from measuring import (
    Spent,
    clocked,
    demo_recipe,
    demo_recipe_file,
    median_of,
    median_spent,
    on_threads,
    print_heads,
    print_rows,
    print_setting,
    process_spent,
    seconds_row,
    side_by_side,
)
from meshes import grid
from recipes import pore_patch, scatter_layer

from poredepth import Composition, prepare, preview, recipe_from_dict
from poredepth.mix.blocks import window_height_mm
from poredepth.mix.compile import Joining, compile_patch_layer
from poredepth.mix.edges import Edges
from poredepth.mix.layers import Factors, LayingGround
from poredepth.patch.bands import Cutoffs
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.raster.window import Window, row_blocks
from poredepth.surface.directions import DirectionField, direction_field, edge_turns
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.regions import region_triangles
from poredepth.surface.skin import Surface, refined, surface_from_mesh

#: A sheet bent over a cylinder: about 10 thousand triangles, one chart, no point about which a line field must turn.
SHEET_MM, SHEET_QUADS, SHEET_RADIUS_MM = 180.0, 71, 80.0
PRINT_MM = 14.0
#: Longest edges that split the sheet's triangles by none, 4, 16 and 100.
LONGEST_EDGES_MM = (5.0, 2.0, 1.0, 0.4)
#: Beyond this many triangles, directions are not solved for: on meshes split this finely it takes minutes.
MOST_SOLVED_TRIANGLES = 100_000
WINDOW_PX = 1024
PREVIEW_REGION = "cheek_left"


@cache
def demo() -> Composition:
    return prepare(demo_recipe(8192))


def tile_sample(size_px: int, n_blocks: int = 8) -> list[Window]:
    """Blocks as a composition cuts them (what is done once a block counts), spread over the tile."""
    blocks = list(row_blocks(Window(0, 0, size_px, size_px)))
    return [blocks[i] for i in np.unique(np.linspace(0, len(blocks) - 1, n_blocks).astype(int))]


def fill_work(layers, ground, raster, blocks: list[Window], tile: int = 1001):
    """Work that makes the blocks on two threads, and how many of their texels are on skin."""
    n_texels = sum(int((raster.skin_points(tile, block).triangle >= 0).sum()) for block in blocks)
    return lambda: on_threads(lambda block: window_height_mm(layers, ground, raster, tile, block), blocks), n_texels


def per_texel(works: dict, counts: dict, repeats: int) -> dict[str, tuple[float, float]]:
    """Nanoseconds a texel, by the clock and by processor time."""
    spent = side_by_side(works, repeats)
    return {name: (1e9 * one.clock_s / counts[name], 1e9 * one.cpu_s / counts[name]) for name, one in spent.items()}


def print_costs(costs: dict[str, tuple[float, float]]) -> None:
    base, *others = costs
    print_heads()
    print_rows([(name, cost, "ns a texel") for name, cost in costs.items()])
    print_rows([(f"{name} / {base}", _over(costs[name], costs[base]), "x") for name in others])


def _over(cost: tuple[float, float], base: tuple[float, float]) -> tuple[float, float]:
    return cost[0] / base[0], cost[1] / base[1]


def maps(repeats: int, large: bool) -> None:
    """Cost per texel against the map's size: the demo with all layers, and one scatter layer over the whole skin."""
    sizes = (2048, 4096, 8192, *((16384,) if large else ()))
    grain = next(layer for layer in demo().layers if not layer.in_uv and layer.region is None)
    for title, layers in (("all layers of the demo", demo().layers), ("its grain layer alone", (grain,))):
        print(f"cost per texel by map size, {title}, tile 1001, two threads (target: flat within 10 %)")
        works, counts = {}, {}
        for size_px in sizes:
            name = f"{size_px} px"
            works[name], counts[name] = fill_work(layers, demo().ground, demo().raster(size_px), tile_sample(size_px))
        print_costs(per_texel(works, counts, repeats))


def bent_sheet() -> Surface:
    position, faces = grid(SHEET_MM, SHEET_MM, SHEET_QUADS, SHEET_QUADS)
    angle = position[:, 0] / SHEET_RADIUS_MM
    bent = np.column_stack([-np.cos(angle), position[:, 1] / SHEET_RADIUS_MM, np.sin(angle)]) * SHEET_RADIUS_MM
    return surface_from_mesh(PolygonMesh.from_arrays(bent, faces, position[:, :2] / SHEET_MM, faces), "mm")


def field_along(surface: Surface) -> DirectionField:
    """The y axis, which lies in the sheet: on the finest meshes, solving for a field would take minutes."""
    along = surface.frame @ np.array([0.0, 1.0, 0.0])
    return DirectionField(np.exp(2j * np.arctan2(along[:, 1], along[:, 0])), edge_turns(surface))


def sheet_composition(surface: Surface) -> tuple[Composition, Spent]:
    """One scatter layer on the sheet, and what laying it takes."""
    data = {
        "poredepth": 1,
        "mesh": {"file": "array", "unit": "mm"},
        "patches": {"pores": {"file": "array", "texel_um": 1, "height_um": 1}},
        "layers": [scatter_layer("pores", PRINT_MM)],
        "output": {"size_px": 4096},
    }
    recipe = recipe_from_dict(data, check_files=False)
    ground = LayingGround(surface, field_along(surface), Edges(surface, {}), recipe.seed)
    made = []
    spec, patches, joining = recipe.layers[0], {"pores": pore_patch()}, Joining(Cutoffs(2.5, 0.8))
    laying = clocked(lambda: made.append(compile_patch_layer(spec, patches, Factors(), ground, joining)))
    return Composition(recipe, {"pores": pore_patch()}, ground, tuple(made)), laying


def meshes(repeats: int) -> None:
    """Cost per texel against the number of triangles; what solving for directions and laying cost beside it."""
    print(
        "cost per texel by mesh size, bent sheet of 180 mm, one scatter layer, 4096 px (target: <= 1.5 x)", flush=True
    )
    coarse, works, counts, rows = bent_sheet(), {}, {}, []
    sheet_composition(coarse)  # kernels are loaded
    for edge_mm in LONGEST_EDGES_MM:
        surface = refined(coarse, edge_mm)
        name = f"{surface.n_triangles} triangles"
        if surface.n_triangles <= MOST_SOLVED_TRIANGLES:
            rows.append(seconds_row(f"{name}: solving for directions", clocked(lambda: direction_field(surface, []))))  # noqa: B023
        composition, laying = sheet_composition(surface)
        n_prints = composition.layers[0].prints.n_prints
        rows.append((f"{name}: laying 1000 prints ({n_prints} laid)", _per_thousand(laying, n_prints), "s"))
        raster = composition.raster()
        works[name], counts[name] = fill_work(composition.layers, composition.ground, raster, tile_sample(4096))
    print_costs(per_texel(works, counts, repeats))
    print_rows(rows)


def _per_thousand(spent: Spent, n_prints: int) -> tuple[float, float]:
    return 1000 * spent.clock_s / n_prints, 1000 * spent.cpu_s / n_prints


def placing(repeats: int) -> None:
    """Seconds for 1000 prints of each scatter layer of the demo, patch pyramids not counted; matched and at random."""
    print("laying 1000 prints, demo head")
    print_heads()
    recipe, ground, rows = demo().recipe, demo().ground, []
    for spec in recipe.layers:
        if spec.place != "scatter":
            continue
        where = region_triangles(ground.surface, ground.regions[spec.region] if spec.region else None)
        for matched in (True, False):
            how = ScatterSpec(spec.print_mm, spec.effective_overlap_mm, spec.turn_deg, matched, ground.seed, spec.name)
            made = []
            patch = demo().patches[spec.patch]
            runs = [
                clocked(lambda: made.append(scatter(ground.surface, ground.field, where, [patch], how)))  # noqa: B023
                for _ in range(max(1, repeats - 2))
            ]
            name = f"{spec.name}, {'matched' if matched else 'at random'} ({made[0].n_prints} laid)"
            rows.append((name, _per_thousand(median_of(runs), made[0].n_prints), "s"))
    print_rows(rows)


def previews(repeats: int) -> None:
    print(f"preview of {WINDOW_PX} x {WINDOW_PX} texels of an 8192 px map, region {PREVIEW_REGION}")
    print_heads()
    warm = median_spent(lambda: preview(demo(), PREVIEW_REGION, size_px=WINDOW_PX), repeats)
    print_rows([seconds_row("warm, everything laid                  (target <= 0.3)", warm)])


def processes(repeats: int) -> None:
    """New processes with compiled kernels in place."""
    command = [sys.executable, "-m", "poredepth"]
    with tempfile.TemporaryDirectory() as folder:
        picture = ["-o", str(Path(folder) / "seen.png"), "--size", "8192", "--window", str(WINDOW_PX)]
        asked = {
            "poredepth --help                        (target <= 0.3)": [*command, "--help"],
            "poredepth preview, 1024 x 1024             (target <= 2)": [
                *(*command, "preview", str(demo_recipe_file())),
                *("--region", PREVIEW_REGION, *picture),
            ],
        }
        rows = []
        for name, words in asked.items():
            process_spent(words)
            rows.append(seconds_row(name, median_of([process_spent(words) for _ in range(repeats)])))
    print("new processes")
    print_heads()
    print_rows(rows)


PARTS = ("maps", "meshes", "previews", "processes", "placing")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--large", action="store_true", help="16384 px as well")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS, help="parts to run")
    parser.add_argument("--repeats", type=int, default=3, help="timed runs; medians are printed")
    asked = parser.parse_args()
    print_setting()
    for part in asked.only:
        if part == "maps":
            maps(asked.repeats, asked.large)
        else:
            {"meshes": meshes, "previews": previews, "processes": processes, "placing": placing}[part](asked.repeats)


if __name__ == "__main__":
    main()
