"""A plate of 40 x 40 mm with a recipe, as files: the smallest job the command line can do."""

from __future__ import annotations

from pathlib import Path

import imageio.v3 as iio
import numpy as np
from meshes import flat_mesh

RECIPE = """\
poredepth: 1
mesh: {file: plate.obj, unit: mm}
seed: 3
directions:
  - {points: [[5, 20, 0], [35, 22, 0]]}
regions:
  middle: {center: [20, 20, 0], radius_mm: 12, feather_mm: 4}
patches:
  pores: {file: pores.png, texel_um: 50, height_um: 100, source: made here, licence: MIT, consent: synthetic}
layers:
  - {name: pores, patch: pores, region: middle, place: scatter, print_mm: 8}
output: {size_px: 256}
"""


def written_plate(folder: Path) -> Path:
    """Write mesh, patch and recipe into a folder."""
    mesh = flat_mesh(40, 40, 8)
    lines = [f"v {x} {y} {z}" for x, y, z in mesh.position] + [f"vt {u} {v}" for u, v in mesh.texcoord]
    for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True):
        lines.append("f " + " ".join(f"{i + 1}/{i + 1}" for i in mesh.face_position[a:b]))
    (folder / "plate.obj").write_text("\n".join(lines) + "\n")
    noise = np.random.default_rng(0).normal(0.5, 0.1, (200, 200)).clip(0, 1)
    iio.imwrite(folder / "pores.png", np.round(noise * 65535).astype(np.uint16))
    (folder / "plate.yaml").write_text(RECIPE)
    (folder / "plate.txt").write_text("no mesh")
    return folder
