"""Make the demo's patches: python demo_data/make/patches.py [FOLDER]

Writes 16-bit TIFF height pictures and a README with their numbers, and prints the recipe's ``patches:`` block.
The same bytes come out every time (with the same versions of numpy, scipy and zlib).
"""

from __future__ import annotations

import math
import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile

from poredepth.patch.read import load_patch
from poredepth.patch.synthesise import synthesise
from poredepth.units import UM_PER_MM

FOLDER = Path(__file__).resolve().parent.parent / "patches"
SOURCE, LICENCE, CONSENT = "made by poredepth's own synthesis", "MIT", "synthetic, no person"
ZERO = 0.5
LARGEST_CODE = 65535


@dataclass(frozen=True)
class DemoPatch:
    """``kind`` and ``region`` name a preset of the synthesis; ``what`` is one line for the README."""

    name: str
    what: str
    size_mm: float
    texel_um: int
    seed: int
    kind: str
    region: str


PATCHES = (
    DemoPatch("cheek_pores", "furrow net with pores, 60 per cm2", 20.0, 20, 1, "pores", "cheek"),
    DemoPatch("nose_pores", "larger, deeper pores, 120 per cm2", 12.0, 20, 2, "pores", "nose"),
    DemoPatch("forehead_lines", "fine lines along the lay, crossed at 70 degrees", 20.0, 20, 1, "lines", "forehead"),
    DemoPatch("wrinkles", "branching creases along the lay", 30.0, 40, 3, "wrinkles", "forehead"),
    DemoPatch("grain", "even fine noise, wavelengths 80 to 250 um", 10.0, 20, 5, "grain", "skin"),
)


def friendly_um(least_um: float) -> int:
    """Smallest round number of micrometres that is not below ``least_um``: in steps of 5, 10, 20 or 50."""
    step = next(step for step, most in ((5, 50), (10, 100), (20, 300), (50, math.inf)) if least_um <= most)
    return math.ceil(least_um / step) * step


def write_tiff(path: Path, codes: np.ndarray, texel_um: float) -> None:
    """Write 16-bit codes beside the target first, so that a stopped run leaves no half file."""
    per_cm = 10.0 * UM_PER_MM / texel_um
    part = path.with_suffix(".part")
    tifffile.imwrite(
        part,
        codes,
        photometric="minisblack",
        compression="zlib",
        compressionargs={"level": 9},
        maxworkers=1,
        metadata=None,
        software=False,
        resolution=(per_cm, per_cm),
        resolutionunit="CENTIMETER",
    )
    os.replace(part, path)


def make_patch(patch: DemoPatch, folder: Path) -> dict:
    """Make, write and re-read one patch; its row of numbers."""
    asked = {"region": patch.region, "size_mm": patch.size_mm, "texel_um": patch.texel_um, "seed": patch.seed}
    height_um = synthesise(patch.kind, **asked).height_mm.astype(np.float64) * UM_PER_MM
    full_um = friendly_um(2.0 * np.abs(height_um).max())
    path = folder / f"{patch.name}.tif"
    write_tiff(path, np.round((height_um / full_um + ZERO) * LARGEST_CODE).astype(np.uint16), patch.texel_um)
    read = load_patch(patch.name, path, texel_um=patch.texel_um, height_um=full_um, zero=ZERO)
    off_um = np.abs(read.height_mm * UM_PER_MM - height_um).max()
    if off_um > 0.501 * full_um / LARGEST_CODE + 1e-5:
        raise SystemExit(f"{path}: read back {off_um:g} um off, more than half a code")
    return {"patch": patch, "height_um": full_um, "bytes": path.stat().st_size, **_parameters(height_um)}


def _parameters(height_um: np.ndarray) -> dict:
    """Sq (um), Ssk and Sku of ISO 25178-2, and the range (um)."""
    about_mean = height_um - height_um.mean()
    sq = math.sqrt((about_mean**2).mean())
    return {
        "sq_um": sq,
        "ssk": (about_mean**3).mean() / sq**3,
        "sku": (about_mean**4).mean() / sq**4,
        "low_um": height_um.min(),
        "high_um": height_um.max(),
    }


def recipe_block(rows: list[dict]) -> str:
    """The ``patches:`` block of a recipe that lies beside the folder."""
    text = ["patches:"]
    for row in rows:
        patch = row["patch"]
        text += [
            f"  {patch.name}:",
            f"    file: patches/{patch.name}.tif",
            f"    texel_um: {patch.texel_um}",
            f"    height_um: {row['height_um']}",
            f"    zero: {ZERO}",
            "    lay_deg: 0",
            f"    source: {SOURCE}",
            f"    licence: {LICENCE}",
            f"    consent: {CONSENT}",
        ]
    return "\n".join(text) + "\n"


def readme(rows: list[dict]) -> str:
    """The folder's README."""
    table = [
        "| file | what | size mm | texels | texel_um | height_um | Sq um | Ssk | Sku | range um | kB |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        patch = row["patch"]
        count = round(patch.size_mm * UM_PER_MM / patch.texel_um)
        table.append(
            f"| {patch.name}.tif | {patch.what} | {patch.size_mm:g} x {patch.size_mm:g} | {count} x {count} "
            f"| {patch.texel_um} | {row['height_um']} | {row['sq_um']:.2f} | {row['ssk']:.2f} | {row['sku']:.2f} "
            f"| {row['low_um']:.1f} to {row['high_um']:+.1f} | {row['bytes'] / 1000:.0f} |"
        )
    return (
        "# Demo patches\n\n"
        f"Height pictures {SOURCE} ({CONSENT}; licence {LICENCE}), written by `python demo_data/make/patches.py`.\n"
        "16-bit TIFF, one channel, white outward: height of a texel in um = (code / 65535 - 0.5) * height_um.\n"
        "All continue over their borders, have mean height 0 and their lay along +u (lay_deg 0; the grain has none).\n"
        "Depths and densities are in the plausible range for skin, not measured from anyone (docs/synthesis.md).\n\n"
        + "\n".join(table)
        + "\n\n```yaml\n"
        + recipe_block(rows)
        + "```\n"
    )


def main(folder: Path = FOLDER) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    rows = [make_patch(patch, folder) for patch in PATCHES]
    part = folder / "README.part"
    part.write_text(readme(rows), encoding="utf-8")
    os.replace(part, folder / "README.md")
    print(recipe_block(rows), end="")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:2]))
