"""One full-coverage scatter layer: the kernel's speed, beside general-purpose look-ups at the same coordinates.

    python tests/benchmarks/bench_engine.py [--size 8192] [--blocks 6] [--repeats 3]

Three grounds: a flat mesh of 60 x 60 mm and one of 120 x 120 mm that fill the tile, and the demo head's face tile.  The
general-purpose libraries are scipy (`ndimage.map_coordinates`, order 3, on ready coefficients) and, where the cv2
package is installed, OpenCV (`remap`, bicubic).  They get ready coordinates and only look up; ours starts from skin
points, finds the coordinates, looks up, filters for the texel and blends.  All on two threads.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from measuring import (
    N_THREADS,
    Spent,
    demo_recipe,
    on_threads,
    print_heads,
    print_rows,
    print_setting,
    rate_row,
    side_by_side,
)
from meshes import flat_mesh
from recipes import composed_of, pore_patch, scatter_layer
from scipy import ndimage

from poredepth import HeightPatch, prepare
from poredepth.mix.blocks import Blocking, fill_tile
from poredepth.mix.layers import CompiledLayer
from poredepth.patch.levels import PAD, build_levels
from poredepth.pipeline import Composition
from poredepth.raster.evaluate import add_prints
from poredepth.raster.meeting_kernels import LEAST_SHARE
from poredepth.raster.window import BLOCK_TEXELS, Window, row_blocks
from poredepth.surface.points import SkinPoints

try:
    import cv2
except ImportError:
    cv2 = None

#: OpenCV takes no picture side of 32768 or more.
COLS = 4096


@dataclass(frozen=True)
class Ground:
    """A composition of one full-coverage scatter layer, and the tile that is looked at."""

    name: str
    composition: Composition
    patch: HeightPatch
    tile: int = 1001

    @property
    def layer(self) -> CompiledLayer:
        return self.composition.layers[0]


def grounds() -> list[Ground]:
    layers = [scatter_layer("pores", 9.0)]
    flat = [
        Ground(f"flat {mm} x {mm} mm", composed_of(flat_mesh(mm, mm, n), "mm", {"pores": pore_patch()}, layers), patch)
        for mm, n, patch in ((60, 30, pore_patch()), (120, 60, pore_patch()))
    ]
    recipe = demo_recipe(1024)
    whole_skin = [spec for spec in recipe.layers if spec.patch is not None and spec.region is None][:1]
    demo = prepare(recipe.model_copy(update={"layers": whole_skin}))
    return [*flat, Ground("demo face tile", demo, demo.patches[whole_skin[0].patch])]


def some_blocks(whole: Window, n: int) -> list[Window]:
    """Blocks as `fill_tile` cuts them, evenly spread over the tile (an even number keeps both threads busy)."""
    blocks = list(row_blocks(whole, min(BLOCK_TEXELS, whole.n_rows * whole.n_cols // (n + 1))))
    return [blocks[i] for i in np.unique(np.linspace(0, len(blocks) - 1, n + 2).astype(int)[1:-1])]


def on_skin(points: SkinPoints) -> SkinPoints:
    has_skin = points.triangle >= 0
    return SkinPoints(points.triangle[has_skin], points.barycentric[has_skin])


def look_ups(points: SkinPoints, layer: CompiledLayer, patch: HeightPatch) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns (float32, in texels of the padded patch) of every live print: first those of rank 0 of all
    texels in order, then rank 1, ...: as smooth as a general-purpose library could wish."""
    prints, t, b = layer.prints, points.triangle, points.barycentric
    first, count = prints.start[t], (prints.start[t + 1] - prints.start[t]).astype(int)
    ranks = range(int(count.max()))
    weight = np.zeros((len(ranks), len(t)), np.float32)
    for k in ranks:
        row = np.minimum(first + k, len(prints.print_id) - 1)
        weight[k] = np.where(k < count, (b * prints.corner_weight[row]).sum(axis=1), 0)
    most = weight.max(axis=0)
    rows, cols = [], []
    for k in ranks:
        share = np.where(most > 0, np.maximum(weight[k], 0) / np.where(most > 0, most, 1), 0) ** prints.sharpness
        live = np.flatnonzero(share >= LEAST_SHARE)
        corner = prints.corner_mm[first[live] + k]
        at = np.einsum("nk,nkx->nx", b[live], corner)
        cols.append((at[:, 0] / patch.texel_mm) % patch.height_mm.shape[1] - 0.5 + PAD)
        rows.append((-at[:, 1] / patch.texel_mm) % patch.height_mm.shape[0] - 0.5 + PAD)
    return np.concatenate(rows).astype(np.float32), np.concatenate(cols).astype(np.float32)


def texel_over_patch(points: SkinPoints, footprint_mm: np.ndarray, patch: HeightPatch) -> float:
    """Share of texels larger than the patch's: there ours looks up twice, in two levels of the pyramid."""
    size_mm = (points.barycentric * footprint_mm[points.triangle]).sum(axis=1)
    return float((size_mm > patch.texel_mm).mean())


def compare(ground: Ground, size_px: int, n_blocks: int, repeats: int) -> None:
    raster, layer = ground.composition.raster(size_px), ground.layer
    blocks = some_blocks(raster.whole(), n_blocks)
    raster.skin_points(ground.tile, Window(0, 0, 1, 1))

    def points_of(block: Window) -> SkinPoints:
        return raster.skin_points(ground.tile, block)

    points = [on_skin(one) for one in on_threads(points_of, blocks)]
    ones = [np.ones(len(one), np.float32) for one in points]
    out = [np.zeros(len(one), np.float32) for one in points]

    def add(i: int) -> None:
        add_prints(points[i], ones[i], 1.0, raster.footprint_mm, layer.prints, layer.pictures, out[i])

    # the margin of the coefficients is what spares the libraries a wrap, as it spares ours
    picture = build_levels(ground.patch)[0].coefficients
    at = [look_ups(one, layer, ground.patch) for one in points]
    n_texels, n_look_ups = sum(len(one) for one in points), sum(len(rows) for rows, _ in at)

    def scipy_look_up(pair) -> None:
        ndimage.map_coordinates(picture, np.stack(pair), np.float32, order=3, prefilter=False, mode="nearest")

    works = {
        "ours": lambda: on_threads(add, range(len(points))),
        "skin points": lambda: on_threads(points_of, blocks),
        "scipy": lambda: on_threads(scipy_look_up, at),
    }
    if cv2 is not None:
        cv2.setNumThreads(N_THREADS)
        maps = [tuple(a[: len(a) // COLS * COLS].reshape(-1, COLS) for a in pair) for pair in at]
        works["OpenCV"] = lambda: [
            cv2.remap(picture, cols, rows, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE) for rows, cols in maps
        ]
    spent = side_by_side(works, repeats)
    twice = np.mean([texel_over_patch(one, raster.footprint_mm, ground.patch) for one in points])
    print(
        f"{ground.name}, {size_px} px, {len(blocks)} blocks, {n_texels / 1e6:.1f} M texels on skin, "
        f"{n_look_ups / n_texels:.2f} live prints a texel, {100 * twice:.0f} % of texels larger than the patch's"
    )
    _print_rates(spent, n_texels)


def _print_rates(spent: dict[str, Spent], n_texels: int) -> None:
    both = spent["ours"] + spent["skin points"]
    rows = [
        rate_row("add_prints, skin points given           (target >= 70)", n_texels, spent["ours"]),
        rate_row("skin points alone", n_texels, spent["skin points"]),
        rate_row("both", n_texels, both),
    ]
    for name in ("scipy", "OpenCV"):
        if name not in spent:
            continue
        goal = "       (target >= 2)" if name == "OpenCV" else ""
        rows += [
            rate_row(f"{name}, the same number of look-ups and nothing else", n_texels, spent[name]),
            (f"time of {name} / time of add_prints{goal}", spent[name] / spent["ours"], "x"),
            (f"time of {name} / time with skin points", spent[name] / both, "x"),
        ]
    print_heads("by the clock", "of one core")
    print_rows(rows)


def whole_tile(ground: Ground, size_px: int) -> None:
    """`fill_tile` as a composition runs it, into an array in memory, on one thread and on two."""
    raster = ground.composition.raster(size_px)
    out = np.zeros((size_px, size_px), np.float32)
    layers, skin = ground.composition.layers, ground.composition.ground

    def fill(n_threads: int) -> None:
        fill_tile(layers, skin, raster, ground.tile, out, Blocking(n_threads=n_threads))

    spent = side_by_side({"one": lambda: fill(1), "two": lambda: fill(N_THREADS)}, repeats=1)
    print_rows(
        [
            rate_row("fill_tile, whole tile, 1 thread", out.size, spent["one"]),
            rate_row("fill_tile, whole tile, 2 threads", out.size, spent["two"]),
            ("time on one thread / time on two", spent["one"] / spent["two"], "x"),
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=8192, help="rows and columns of the tile")
    parser.add_argument("--blocks", type=int, default=6, help="blocks of about a million texels that are compared")
    parser.add_argument("--repeats", type=int, default=3, help="timed runs; medians are printed")
    asked = parser.parse_args()
    print_setting()
    if cv2 is None:
        print("the cv2 package is not installed: no figures of OpenCV")
    for ground in grounds():
        compare(ground, asked.size, asked.blocks, asked.repeats)
        if ground.name.startswith("flat 60"):
            whole_tile(ground, asked.size)


if __name__ == "__main__":
    main()
