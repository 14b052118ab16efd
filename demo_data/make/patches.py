"""Make the demo's patches: python demo_data/make/patches.py [FOLDER]

Writes 16-bit TIFF height pictures and a README with their numbers, and prints the recipe's ``patches:`` block.
The same bytes come out every time (with the same versions of numpy, scipy and zlib).
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from poredepth.patch.store import write_patch
from poredepth.patch.synthesise import synthesise
from poredepth.units import UM_PER_MM
from poredepth.view.patch_facts import measured_texture, patch_texture

FOLDER = Path(__file__).resolve().parent.parent / "patches"
SOURCE, LICENCE, CONSENT = "made by poredepth's own synthesis", "MIT", "synthetic, no person"


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
    DemoPatch("chin_pores", "pores of the chin, 80 per cm2", 12.0, 20, 4, "pores", "chin"),
    DemoPatch("forehead_lines", "fine lines along the lay, crossed at 70 degrees", 20.0, 20, 1, "lines", "forehead"),
    DemoPatch("wrinkles", "branching creases along the lay", 30.0, 40, 3, "wrinkles", "forehead"),
    DemoPatch("grain", "even fine noise, wavelengths 80 to 250 um", 10.0, 20, 5, "grain", "skin"),
)


def make_patch(patch: DemoPatch, folder: Path) -> dict:
    """Make and write one patch with its patch file; its row of numbers."""
    asked = {"region": patch.region, "size_mm": patch.size_mm, "texel_um": patch.texel_um, "seed": patch.seed}
    made = synthesise(patch.kind, **asked).patch(patch.name, LICENCE)
    found = measured_texture(made)
    written = write_patch(folder / f"{patch.name}.tif", made, format="tiff-16", texture=patch_texture(made, found))
    return {"patch": patch, "height_um": written.height_um, "bytes": written.path.stat().st_size, "texture": found}


def recipe_block(rows: list[dict]) -> str:
    """The ``patches:`` block of a recipe that lies beside the folder."""
    names = [row["patch"].name for row in rows]
    return "".join(["patches:\n", *(f"  {name}: {{file: patches/{name}.tif}}\n" for name in names)])


def readme(rows: list[dict]) -> str:
    """The folder's README."""
    table = [
        "| file | what | size mm | texels | texel_um | height_um | Sq um | Ssk | Sku | range um | kB |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        patch, found = row["patch"], row["texture"]
        count = round(patch.size_mm * UM_PER_MM / patch.texel_um)
        table.append(
            f"| {patch.name}.tif | {patch.what} | {patch.size_mm:g} x {patch.size_mm:g} | {count} x {count} "
            f"| {patch.texel_um} | {row['height_um']:g} | {found.sq_um:.2f} | {found.ssk:.2f} | {found.sku:.2f} "
            f"| {-found.sv_um:.1f} to {found.sp_um:+.1f} | {row['bytes'] / 1000:.0f} |"
        )
    return (
        "# Demo patches\n\n"
        f"Height pictures {SOURCE} ({CONSENT}; licence {LICENCE}), written by `python demo_data/make/patches.py`.\n"
        "16-bit TIFF, one channel, white outward: height of a texel in um = (code / 65535 - 0.5) * height_um. The\n"
        "patch file beside each (`NAME.patch.yaml`) says so, with every number it was made from.\n"
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
