"""Makes the pictures of the README and of docs/ from the shipped demo: `python docs/pictures.py`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from poredepth import Composition, HeightPatch, load_recipe, prepare, preview
from poredepth.demo import demo_recipe_file
from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.raster.texels import TileRaster
from poredepth.recipe.model import LayerSpec, PatchSpec
from poredepth.surface.points import SkinPoints
from poredepth.view.head import head_picture
from poredepth.view.relief import raking_relief

IMAGES = Path(__file__).parent / "images"

#: The piece of docs/registered.md: middle on the demo head, side and pixel, mm; stretch, shear and turn of the picture.
MIDDLE_MM, SIDE_MM, TEXEL_MM = np.array([42.0, -40.0, 80.0]), 36.0, 0.03
STRETCH = np.array([[np.cos(0.35), -np.sin(0.35)], [np.sin(0.35), np.cos(0.35)]]) @ [[1.12, 0.08], [0.0, 0.93]]


def save(image: np.ndarray, name: str, width_px: int, quality: int = 90) -> None:
    """Store a picture scaled to ``width_px`` as JPEG, small enough for the repository."""
    picture = Image.fromarray(image)
    height_px = round(picture.height * width_px / picture.width)
    scaled = picture.resize((width_px, height_px), Image.Resampling.LANCZOS)
    scaled.save(IMAGES / name, quality=quality, optimize=True)


def unwrapped_piece(composition: Composition) -> tuple[HeightPatch, list[dict]]:
    """A synthetic piece of a scan, and tie points: the skin of the demo's cheek, level grooves added, unwrapped round a
    vertical cylinder and stretched."""
    surface = composition.surface
    near = np.flatnonzero(np.linalg.norm(surface.corner_mm - MIDDLE_MM, axis=2).max(axis=1) < 1.5 * SIDE_MM)
    at = np.arctan2(surface.position_mm[:, 0], surface.position_mm[:, 2] + 10)
    flat = np.column_stack([at * np.hypot(MIDDLE_MM[0], MIDDLE_MM[2] + 10), surface.position_mm[:, 1]]) @ STRETCH.T
    middle = flat[np.argmin(np.linalg.norm(surface.position_mm - MIDDLE_MM, axis=1))]
    corners = surface.tri_vertex[near]
    unwrapped = replace(
        surface,
        tri_vertex=corners,
        tri_uv_vertex=corners,
        uv=(flat - middle) / SIDE_MM + 5.5,  # tile 1056, so that its surroundings lie in tiles too
        tri_face=np.arange(len(near)),
        tri_group=surface.tri_group[near],
    )
    raster = TileRaster(unwrapped, round(SIDE_MM / TEXEL_MM), 0)
    points = raster.skin_points(1056, raster.whole())
    position_mm = unwrapped.points_mm(points.triangle, points.barycentric.astype(float))
    height_mm = composed_mm(composition, SkinPoints(near[points.triangle].astype(np.int32), points.barycentric))
    level_mm = (position_mm[:, 1] - MIDDLE_MM[1] + 2.5) % 5 - 2.5
    height_mm = height_mm - 0.12 * np.exp(-0.5 * (level_mm / 0.25) ** 2)
    shape = (raster.size_px, raster.size_px)
    x, y = np.meshgrid(*(2 * (np.arange(raster.size_px) + 0.5) / raster.size_px - 1,) * 2)
    patch = HeightPatch("scan", height_mm.reshape(shape), TEXEL_MM, False, inside=x**4 + y**4 < 0.9)
    pixel = [(x, y) for y in (200, 600, 1000) for x in (200, 600, 1000)]
    ties = position_mm.reshape(*shape, 3)[tuple(np.array(pixel).T[::-1])] / composition.surface.mm_per_unit
    return patch, [{"px": [x + 0.5, y + 0.5], "at": at} for (x, y), at in zip(pixel, ties.tolist(), strict=True)]


def composed_mm(composition: Composition, points: SkinPoints) -> np.ndarray:
    """Pores alone, without the sculpted base, for texels of the piece."""
    layers = [layer for layer in composition.layers if not layer.in_uv]
    footprint_mm = np.full((composition.surface.n_triangles, 3), TEXEL_MM, np.float32)
    return mixed_height_mm(layers, composition.ground, Sampling(footprint_mm, 4096), points)


def registered_picture(composition: Composition) -> np.ndarray:
    """Left the piece as it is flat, right where its tie points put it on the bare head."""
    patch, ties = unwrapped_piece(composition)
    recipe = composition.recipe
    layer = LayerSpec(name="scan", patch="scan", place="registered", tie_points=ties, feather_mm=1.5)
    spec = PatchSpec(file="made here", texel_um=1000 * TEXEL_MM, height_um=1)
    laid = prepare(recipe.model_copy(update={"patches": {"scan": spec}, "layers": [layer]}), patches={"scan": patch})
    head = head_picture(laid, azimuth_deg=-40.0, crop=((3.8, -3.6, 8.2), 90.0), size_px=900, exaggeration=1.5)
    shown = np.where(patch.inside, patch.height_mm, np.nan)
    step = TEXEL_MM * np.eye(2)
    flat = raking_relief(shown, step[0], step[1], elevation_deg=30, exaggeration=1.5)
    flat = np.asarray(Image.fromarray(flat).resize((900, 900), Image.Resampling.LANCZOS))
    return np.hstack([flat, head])


def main() -> None:
    IMAGES.mkdir(exist_ok=True)
    composition = prepare(load_recipe(demo_recipe_file()))
    save(head_picture(composition, crop=((0.0, -2.0, 9.0), 150.0), size_px=1400), "head.jpg", 900)
    for region in ("cheek_left", "forehead"):
        save(preview(composition, region, map_size_px=8192, size_px=800).image, f"{region}.jpg", 800)
    save(registered_picture(composition), "registered.jpg", 1100, quality=84)


if __name__ == "__main__":
    main()
