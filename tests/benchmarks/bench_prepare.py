"""A large height picture prepared as a patch: each step, memory, and what libraries take for parts of the job.

    python tests/benchmarks/bench_prepare.py [--size 8192] [--texel-um 7.5]

The picture is synthesised skin, bent, tilted and cut so that it does not tile, in 16 bits.  Prints the steps of
``prepare_patch``, the facts that the command shows and the writing of the patch; beside them scipy's median of 5 x 5
(which spikes are looked for with), one pair of scipy transforms, and OpenEXR's own write of the same heights.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import OpenEXR
import scipy.fft
import tifffile
from measuring import PeakMemory, Spent, clocked, now, print_heads, print_rows, print_setting, seconds_row, since
from scipy import ndimage

from poredepth.demo import demo_recipe_file
from poredepth.patch.prepare import PrepareOptions, prepare_patch
from poredepth.patch.store import read_patch, write_patch
from poredepth.view.patch_facts import patch_facts

HEIGHT_UM = 600.0
STEPS = {
    "read": "read, size, height",
    "clean": "holes, spikes, terraces",
    "form": "form, polarity",
    "turn": "lay",
    "tile": "tiling",
    "measure": "zero, texture",
}


def picture(size_px: int, texel_um: float) -> np.ndarray:
    """Codes of a piece of bent, tilted skin whose net of furrows is laid out anew at every place."""
    patch = read_patch(demo_recipe_file().parent / "patches" / "cheek_pores.tif")
    rng = np.random.default_rng(0)
    step = texel_um / 1000 / patch.texel_mm
    wander = [ndimage.zoom(rng.normal(0, 40, (24, 24)), size_px / 24, order=3).astype(np.float32) for _ in range(2)]
    codes = np.empty((size_px, size_px), np.uint16)
    col = np.arange(size_px, dtype=np.float32)
    for top in range(0, size_px, 256):
        row = np.arange(top, min(top + 256, size_px), dtype=np.float32)[:, None]
        part = slice(top, top + 256)
        at = [step * row + wander[0][part], step * col + wander[1][part]]
        height_um = 1000 * ndimage.map_coordinates(patch.height_mm, at, order=1, mode="grid-wrap")
        height_um += 80 * (col / size_px - 0.5) + 60 * (row / size_px - 0.5) ** 2 + rng.normal(0, 0.3, height_um.shape)
        codes[part] = np.round((height_um / HEIGHT_UM + 0.5) * 65535)
    return codes


def steps_of(path: Path, texel_um: float):
    """The patch, and what each step took."""
    spent, last = {}, [None, now()]

    def step(name: str, done: int, total: int) -> None:
        if name == last[0]:
            return
        if last[0] is not None:
            spent[last[0]] = spent.get(last[0], Spent(0.0, 0.0)) + since(last[1])
        last[:] = [name, now()]

    options = PrepareOptions(texel_um=texel_um, height_um=HEIGHT_UM)
    made = prepare_patch(path, options, on_progress=step)
    step("end", 0, 1)
    return made, spent


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", type=int, default=8192)
    parser.add_argument("--texel-um", type=float, default=7.5)
    asked = parser.parse_args()
    print_setting()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.tif"
        tifffile.imwrite(path, picture(1024, asked.texel_um))
        steps_of(path, asked.texel_um)  # kernels are compiled
        tifffile.imwrite(path, picture(asked.size, asked.texel_um))
        with PeakMemory() as memory:
            whole = now()
            made, spent = steps_of(path, asked.texel_um)
            facts = clocked(lambda: patch_facts(made.patch, made.texture))
            written = clocked(lambda: write_patch(Path(folder) / "patch.tif", made.patch))
            took = since(whole)
        height_mm = made.patch.height_mm
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        target = str(Path(folder) / "alone.exr")
        exr = clocked(lambda: OpenEXR.File(header, {"Y": OpenEXR.Channel(height_mm)}).write(target))
        median = clocked(lambda: ndimage.median_filter(height_mm[:2048, :2048], 5))
        pair = clocked(lambda: scipy.fft.irfft2(scipy.fft.rfft2(height_mm, workers=2), s=height_mm.shape, workers=2))
    print(f"\n{asked.size} x {asked.size} pixels, patch {height_mm.shape[1]} x {height_mm.shape[0]} texels")
    print_heads()
    share = (asked.size / 2048) ** 2
    print_rows(
        [
            *(seconds_row(STEPS[name], one) for name, one in spent.items()),
            seconds_row("facts", facts),
            seconds_row("write, with reading back", written),
            seconds_row("all", took),
            seconds_row("OpenEXR alone (float ZIP)", exr),
            seconds_row("scipy median of 5 x 5", Spent(share * median.clock_s, share * median.cpu_s)),
            seconds_row("scipy transform and back", pair),
            ("all / OpenEXR", took / exr, ""),
        ]
    )
    print(f"peak anonymous / resident memory {memory.anonymous_mib:.0f} / {memory.resident_mib:.0f} MiB")


if __name__ == "__main__":
    main()
