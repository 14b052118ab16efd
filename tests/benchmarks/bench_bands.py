"""A map of the demo head low-passed along the skin at two cutoffs, the second made from the first.

    python tests/benchmarks/bench_bands.py [--size 8192] [--threads 2]

The head lies in two UV tiles, so a map of it is two pictures.  Prints what both cutoffs take, the memory above that of
the source; what OpenEXR takes to write the same pictures (float ZIP), and scipy.ndimage.gaussian_filter to filter them
in UV at both cutoffs (which knows nothing of stretch and seams); and the ratios.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from pathlib import Path

import numpy as np
import OpenEXR
from measuring import N_THREADS, PeakMemory, Spent, clocked, print_heads, print_rows, print_setting, seconds_row
from scipy import ndimage

from poredepth.demo import demo_recipe_file
from poredepth.patch.levels import build_levels
from poredepth.placement.mapped import map_prints
from poredepth.raster.evaluate import pack_pictures
from poredepth.raster.low_pass import SIGMA_RATIO, low_passed_map
from poredepth.surface.metric import median_texel_mm
from poredepth.surface.skin import load_surface

FINE_MM, COARSE_MM = 0.8, 2.5
TILES = (1001, 1002)


def picture(size_px: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((size_px, size_px), dtype=np.float32) * np.float32(0.02)


def both_cutoffs(surface, prints, pictures, n_threads: int) -> tuple[dict[str, Spent], float]:
    """What the two low passes take, and the MiB their pictures hold."""
    results = {}

    def fine() -> None:
        results["fine"] = low_passed_map(surface, prints, pictures, FINE_MM, n_threads=n_threads)

    def coarse() -> None:
        rest_mm = math.sqrt(COARSE_MM**2 - FINE_MM**2)
        results["coarse"] = low_passed_map(surface, *results["fine"], rest_mm, n_threads=n_threads)

    spent = {"fine": clocked(fine), "coarse": clocked(coarse)}
    held = sum(one[1].coefficients.nbytes for one in results.values()) / 2**20
    return spent, held


def alone(size_px: int, texel_mm: float) -> tuple[Spent, Spent]:
    """OpenEXR's write of the pictures, and scipy's filter of them, one after the other on one thread."""
    written = filtered = Spent(0.0, 0.0)
    with tempfile.TemporaryDirectory() as folder:
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        for seed in range(len(TILES)):
            one = picture(size_px, seed)
            written += clocked(lambda h=one: OpenEXR.File(header, {"Y": h}).write(str(Path(folder) / "a.exr")))
            for cutoff_mm in (FINE_MM, COARSE_MM):
                filtered += clocked(lambda h=one, c=cutoff_mm: ndimage.gaussian_filter(h, SIGMA_RATIO * c / texel_mm))
    return written, filtered


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=8192)
    parser.add_argument("--threads", type=int, default=N_THREADS)
    asked = parser.parse_args()
    print_setting()
    surface = load_surface(demo_recipe_file().parent / "head.obj", "cm")
    prints = map_prints(surface, TILES)
    small = pack_pictures([build_levels(picture(64, 0), 1 / 64, False)] * len(TILES), periodic=False)
    both_cutoffs(surface, prints, small, asked.threads)  # kernels are loaded
    pictures = pack_pictures(
        [build_levels(picture(asked.size, seed), 1 / asked.size, False) for seed in range(len(TILES))], periodic=False
    )
    with PeakMemory() as idle:
        time.sleep(0.2)
    with PeakMemory() as memory:
        spent, held_mib = both_cutoffs(surface, prints, pictures, asked.threads)
    both = spent["fine"] + spent["coarse"]
    source_mib = pictures.coefficients.nbytes / 2**20
    del pictures
    written, filtered = alone(asked.size, median_texel_mm(surface, asked.size))
    print(f"demo head, {surface.n_triangles} triangles, {len(TILES)} tiles of {asked.size} px, {asked.threads} threads")
    print_heads()
    print_rows(
        [
            seconds_row(f"cutoff {FINE_MM} mm", spent["fine"]),
            seconds_row(f"cutoff {COARSE_MM} mm, from the other", spent["coarse"]),
            seconds_row("both", both),
            seconds_row("OpenEXR alone, the same pictures, float ZIP", written),
            seconds_row("scipy.ndimage.gaussian_filter in UV, both cutoffs", filtered),
            ("both / OpenEXR", both / written, "x"),
            ("both / scipy", both / filtered, "x"),
            ("memory above the source's", max(0.0, memory.anonymous_mib - idle.anonymous_mib), "MiB"),
            ("  of it the results", held_mib, "MiB"),
            ("the source, its pyramid in it", source_mib, "MiB"),
        ]
    )


if __name__ == "__main__":
    main()
