"""Seams before and after they are made even, beside the error of reading inside charts and right beside seams.

    python tests/benchmarks/bench_seams.py [--size 4096 ...] [--mesh demo face]

The face is a real mesh beside the checkout (tests/shared_data.py), with one scatter layer; the demo has all its layers.
Prints what the two sides read apart at two points a texel and at others between them; the error of reading over the
whole skin (inside) and no farther than a texel from seams (beside); the largest change, how many texels are changed,
how many points are left as they are; what the pass takes, and the memory it takes meanwhile.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
from measuring import PeakMemory, clocked, demo_recipe, print_setting
from recipes import composed_of, pore_patch, scatter_layer
from shared_data import read_if_there

from poredepth import Composition, SkinPoints, compose, measure_seams, prepare
from poredepth.mix.seams import SeamCorrection
from poredepth.output import fit_calibration
from poredepth.raster.reading import bilinear, read_maps
from poredepth.raster.seams import seam_points
from poredepth.surface.seams import seam_edges

WORDS = ("untouched", "eased", "closed")
#: Points along seams a texel that no pass works with.
BETWEEN = 7.3


def face() -> Composition | None:
    mesh = read_if_there("face_nine_charts_cm.obj")
    guides = [
        {"points": [[-4, 5, 4], [0, 6, 6], [4, 5, 4]]},
        {"points": [[3, 0, 4.5], [5, -2, 3]]},
        {"points": [[-3, 0, 4.5], [-5, -2, 3]]},
    ]
    layers = [scatter_layer("pores", 12.0)]
    return None if mesh is None else composed_of(mesh, "cm", {"pores": pore_patch()}, layers, directions=guides)


def asked_for(composition: Composition, seams: str) -> Composition:
    recipe = composition.recipe
    return replace(composition, recipe=recipe.model_copy(update={
        "output": recipe.output.model_copy(update={"seams": seams})}))  # fmt: skip


def beside_seams(composition: Composition, size_px: int):
    """Random skin points no farther than a texel from a seam, and what reads them."""
    surface, raster, rng = composition.surface, composition.raster(size_px), np.random.default_rng(0)
    edges = seam_edges(surface)
    points = seam_points(raster, edges, 4.0)
    found = []
    for side in (0, 1):
        triangle = edges.triangle[points.edge, side]
        corner_uv = surface.corner_uv[triangle]
        along = edges.uv[points.edge, side, 1] - edges.uv[points.edge, side, 0]
        across = np.stack([-along[:, 1], along[:, 0]], 1)
        across /= np.maximum(np.linalg.norm(across, axis=1), 1e-30)[:, None]
        inward = np.sign((across * (corner_uv.mean(1) - points.uv[:, side])).sum(1))[:, None] * across
        uv = points.uv[:, side] + inward * rng.random((len(points), 1)) / size_px
        system = np.concatenate([corner_uv.transpose(0, 2, 1), np.ones((len(uv), 1, 3))], axis=1)
        ok = np.abs(np.linalg.det(system)) > 1e-14
        b = np.linalg.solve(system[ok], np.hstack([uv[ok], np.ones((ok.sum(), 1))])[..., None])[..., 0]
        inside = (b >= 0).all(1)
        found.append((triangle[ok][inside], b[inside], uv[ok][inside]))
    triangle, b, uv = (np.concatenate(part) for part in zip(*found, strict=True))
    skin = SkinPoints(triangle.astype(np.int32), b.astype(np.float32))
    return skin, bilinear(raster, uv, triangle)


def run(name: str, composition: Composition, size_px: int) -> None:
    raster = composition.raster(size_px)
    composition.seam_correction(16)  # kernels are loaded
    skin, reading = beside_seams(composition, size_px)
    true_mm = composition.height_mm(skin, size_px)
    print(f"{name}, {size_px} px, um")
    print(
        f"  {'seams':<10}{'rms':>8}{'99 %':>8}{'worst':>8} |{'between':>9}{'worst':>8} |{'inside':>8}{'99 %':>8} |"
        f"{'beside':>8}{'99 %':>8}{'worst':>8} |{'change':>8}{'texels':>9}{'left':>6} |"
        f"{'clock s':>8}{'cpu s':>7}{'MiB':>6}"
    )
    for seams in WORDS:
        one = asked_for(composition, seams)
        with PeakMemory() as idle:
            time.sleep(0.1)
        with PeakMemory() as memory:
            spent = clocked(lambda: one.seam_correction(size_px))  # noqa: B023
        correction = one.seam_correction(size_px) or SeamCorrection({})
        maps = compose(one, size_px=size_px)
        at, between = measure_seams(one, maps), measure_seams(one, maps, points_per_texel=BETWEEN)
        heights = {tile: height_map.height_mm for tile, height_map in maps.items()}
        read_mm = (read_maps(raster, heights, reading.texel.ravel()).reshape(-1, 4) * reading.weight).sum(1)
        off_um = 1000 * np.abs(read_mm - true_mm)
        print(
            f"  {seams:<10}{1000 * at.rms_mm:>8.4f}{1000 * at.p99_mm:>8.3f}{1000 * at.worst_mm:>8.2f} |"
            f"{1000 * between.rms_mm:>9.4f}{1000 * between.worst_mm:>8.2f} |"
            f"{1000 * at.reading_rms_mm:>8.3f}{1000 * at.reading_p99_mm:>8.2f} |"
            f"{np.sqrt(np.mean(off_um**2)):>8.3f}{np.percentile(off_um, 99):>8.2f}{off_um.max():>8.2f} |"
            f"{1000 * correction.largest_change_mm:>8.2f}{correction.n_texels:>9}{correction.n_left_out:>6} |"
            f"{spent.clock_s:>8.2f}{spent.cpu_s:>7.2f}{max(0, memory.anonymous_mib - idle.anonymous_mib):>6.0f}"
        )
    low, high = min(float(h.min()) for h in heights.values()), max(float(h.max()) for h in heights.values())
    print(
        f"  16-bit step of this map, fitted: {fit_calibration('tiff-16', 'mm', low, high).code_step_um:.4f} um",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, nargs="+", default=[4096])
    parser.add_argument("--mesh", nargs="+", choices=("demo", "face"), default=["face", "demo"])
    asked = parser.parse_args()
    print_setting()
    for name in asked.mesh:
        composition = face() if name == "face" else prepare(demo_recipe(4096))
        if composition is None:
            print("face: the mesh is not there")
            continue
        for size_px in asked.size:
            run(name, composition, size_px)


if __name__ == "__main__":
    main()
