"""The kernel alone: one full-coverage scatter layer, against a general-purpose library for the same number of look-ups.

    python tests/benchmarks/bench_engine.py [--size 8192]

The library is scipy (`ndimage.map_coordinates`, cubic, on ready coefficients); OpenCV's `remap` (bicubic) is timed as
well where the cv2 package is installed.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from meshes import flat_mesh  # noqa: E402
from recipes import composed_of, pore_patch, scatter_layer  # noqa: E402

from poredepth.mix.blocks import Blocking, fill_tile  # noqa: E402
from poredepth.raster.kernels import LEAST_SHARE  # noqa: E402
from poredepth.surface.points import random_skin_points  # noqa: E402

LIBRARY_TEXELS = 1 << 20


def live_prints_per_texel(composition) -> float:
    """Mean number of prints that count at a skin point."""
    prints = composition.layers[0].prints
    points = random_skin_points(composition.surface, 4000, np.random.default_rng(0))
    live = 0
    for t, b in zip(points.triangle, points.barycentric, strict=True):
        w = prints.corner_weight[prints.start[t] : prints.start[t + 1]] @ b
        live += int((np.maximum(w / w.max(), 0) ** prints.sharpness >= LEAST_SHARE).sum())
    return live / len(points)


def seconds(work, repeats: int = 3) -> float:
    """Median of some runs after one that does not count."""
    work()
    spent = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        spent.append(time.perf_counter() - began)
    return float(np.median(spent))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=8192)
    size_px = parser.parse_args().size
    composition = composed_of(flat_mesh(120, 120, 40), "mm", {"pores": pore_patch()}, [scatter_layer("pores", 9.0)])
    raster, out = composition.raster(size_px), np.zeros((size_px, size_px), np.float32)
    live = live_prints_per_texel(composition)
    print(f"{size_px} px, one scatter layer, {live:.2f} live prints a texel")
    for threads in (1, 2):
        blocking = Blocking(n_threads=threads)
        spent = seconds(
            lambda b=blocking: fill_tile(composition.layers, composition.ground, raster, 1001, out, b), repeats=1
        )
        rate = out.size / spent
        print(f"  ours, {threads} threads: skin points, look-ups, blend, all   {rate / 1e6:8.1f} M texel/s")
    rng = np.random.default_rng(0)
    n = int(LIBRARY_TEXELS * live)
    picture = np.asarray(pore_patch().height_mm)
    rows = np.repeat(np.arange(n // 1024 + 1), 1024)[:n] * 0.7 % 900 + 20 + rng.random(n)
    cols = np.tile(np.arange(1024), n // 1024 + 1)[:n] * 0.7 % 900 + 20
    at = np.stack([rows, cols])
    spent = seconds(lambda: ndimage.map_coordinates(picture, at, order=3, prefilter=False, mode="grid-wrap"))
    library = LIBRARY_TEXELS / spent
    print(
        f"  scipy map_coordinates, cubic, look-ups alone {library / 1e6:14.1f} M texel/s; ours {rate / library:.1f} x"
    )
    try:
        import cv2
    except ImportError:
        return
    cv2.setNumThreads(2)
    x, y = (a.astype(np.float32).reshape(-1, 1024) for a in (cols[: n // 1024 * 1024], rows[: n // 1024 * 1024]))
    spent = seconds(lambda: cv2.remap(picture, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_WRAP))
    library = LIBRARY_TEXELS / spent
    print(
        f"  OpenCV remap, bicubic, look-ups alone        {library / 1e6:14.1f} M texel/s; ours {rate / library:.2f} x"
    )


if __name__ == "__main__":
    main()
