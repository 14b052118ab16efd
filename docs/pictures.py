"""Makes the pictures of the README and of docs/ from the shipped demo: `python docs/pictures.py`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from poredepth import Composition, HeightPatch, load_recipe, load_surface, prepare, preview, recipe_from_dict
from poredepth.demo import demo_recipe_file
from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.raster.texels import TileRaster
from poredepth.recipe.anatomy import PARTS
from poredepth.recipe.model_layers import LayerSpec, PatchSpec
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.parts import face_partition
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import refined
from poredepth.view.directions import direction_picture
from poredepth.view.head import head_picture
from poredepth.view.patch_sheet import patch_sheet
from poredepth.view.plate import head_plate
from poredepth.view.relief import raking_relief

IMAGES = Path(__file__).parent / "images"

#: The piece of docs/registered.md: middle on the demo head, side and pixel, mm; stretch, shear and turn of the picture.
MIDDLE_MM, SIDE_MM, TEXEL_MM = np.array([42.0, -40.0, 80.0]), 36.0, 0.03
STRETCH = np.array([[np.cos(0.35), -np.sin(0.35)], [np.sin(0.35), np.cos(0.35)]]) @ [[1.12, 0.08], [0.0, 0.93]]

#: Linear colours of the parts: blues, sand and violets that also differ in lightness, so that neighbours part without
#: red against green.  Left and right are alike.
PART_LINEAR = {
    "forehead": (0.30, 0.50, 0.72),
    "glabella": (0.80, 0.66, 0.30),
    "temple": (0.78, 0.74, 0.64),
    "eyelids": (0.56, 0.34, 0.62),
    "nose_bridge": (0.10, 0.25, 0.50),
    "nose_tip": (0.86, 0.60, 0.22),
    "nose_wing": (0.55, 0.70, 0.88),
    "cheek": (0.84, 0.72, 0.44),
    "upper_lip": (0.34, 0.24, 0.46),
    "lips": (0.80, 0.52, 0.72),
    "chin": (0.32, 0.48, 0.70),
    "jaw": (0.20, 0.17, 0.32),
    "neck": (0.72, 0.72, 0.74),
    "ear": (0.56, 0.34, 0.62),
    "scalp": (0.42, 0.40, 0.40),
    "rest": (1.0, 1.0, 1.0),
}


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


def flat_skin(side_mm: float, patch: HeightPatch, print_mm: float) -> Composition:
    """A flat square with one scattered layer."""
    corner = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float) * side_mm
    uv = corner[:, :2] / side_mm * 0.98 + 0.01
    mesh = PolygonMesh.from_arrays(corner, [[0, 1, 2, 3]], uv, [[0, 1, 2, 3]])
    data = {
        "poredepth": 1,
        "mesh": {"file": "flat", "unit": "mm"},
        "directions": [{"points": [[0, 0, 0], [side_mm, 0, 0]]}],
        "patches": {patch.name: {"file": "patch", "texel_um": 1, "height_um": 1}},
        "layers": [{"name": "pores", "patch": patch.name, "place": "scatter", "print_mm": print_mm}],
    }
    return prepare(recipe_from_dict(data, check_files=False), mesh=mesh, patches={patch.name: patch})


def prints_that_meet(patch: HeightPatch) -> np.ndarray:
    """Left: random pieces, cross-faded widely by a plain average. Right: matched pieces, as scatter lays them."""
    ours = flat_skin(28.0, patch, 8.0)
    ground, layer = ours.ground, ours.layers[0]
    every = np.ones(ground.surface.n_triangles, bool)
    spec = ScatterSpec(8.0, 8.0, matched=False, seed=0, name="pores")
    prints = scatter(ground.surface, ground.field, every, [patch], spec)
    averaged = replace(
        ours, layers=(replace(layer, bands=layer.bands.with_prints(replace(prints, keep_contrast=False))),)
    )
    shown = [preview(made, None, map_size_px=1400, size_px=1024, elevation_deg=25).image for made in (averaged, ours)]
    gap = np.full((shown[0].shape[0], 16, 3), 255, np.uint8)
    return np.hstack([shown[0], gap, shown[1]])


def forehead_lines() -> np.ndarray:
    """One sheet of wrinkles over the demo head's forehead and temples."""
    demo = load_recipe(demo_recipe_file())
    data = {
        "poredepth": 1,
        "mesh": {"file": str(demo.path("head.obj")), "unit": "cm"},
        "directions": [{"file": str(demo.path("guides.obj"))}],
        "regions": {
            "forehead": {"group": "forehead", "feather_mm": 8},
            "left": {"center": [6.4, 5.8, 2.6], "radius_mm": 18, "feather_mm": 8},
            "right": {"center": [-6.4, 5.8, 2.6], "radius_mm": 18, "feather_mm": 8},
            "band": {"union": ["forehead", "left", "right"]},
            "frown": {"center": [0, 1.6, 9.4], "radius_mm": 24, "feather_mm": 6},
            "eye left": {"center": [3.2, 0.2, 7.9], "radius_mm": 27, "feather_mm": 6},
            "eye right": {"center": [-3.2, 0.2, 7.9], "radius_mm": 27, "feather_mm": 6},
            "brow": {"subtract": ["band", "frown", "eye left", "eye right"]},
        },
        "patches": {"wrinkles": {"file": str(demo.path("patches/wrinkles.tif"))}},
        "layers": [
            {
                "name": "lines",
                "patch": "wrinkles",
                "place": "spread",
                "region": "brow",
                "size": 1.6,
                "along_ratio": 2,
                "gain": 2.5,
            }
        ],
    }
    made = prepare(recipe_from_dict(data))
    return head_picture(made, crop=((0.0, 4.0, 9.0), 165.0), size_px=1300, azimuth_deg=25, pitch_deg=-12)


def parts_plate() -> np.ndarray:
    """The demo head with its parts, their names at a point deep inside each."""
    recipe = load_recipe(demo_recipe_file())
    surface = refined(load_surface(recipe.path(recipe.mesh.file), recipe.mesh.unit), 1.2)
    partition = face_partition(surface, recipe.landmarks)
    colour = np.array([PART_LINEAR[name.removesuffix("_left").removesuffix("_right")] for name in PARTS])
    score = partition.score[:, surface.tri_vertex].mean(axis=2)
    marks = {}
    for number, name in enumerate(PARTS):
        if (partition.part == number).any() and not name.endswith("_right"):
            vertex = int(np.argmax(partition.signed_mm(name, 40.0)))
            marks[name.removesuffix("_left")] = surface.position_mm[vertex] / surface.mm_per_unit
    return head_plate(
        surface, marks, height_px=1000, views=("front", "left side"), tint=colour[np.argmax(score, axis=0)], grid=False
    )


def sheet_of_pores(patch: HeightPatch) -> np.ndarray:
    """The sheet of the demo's cheek pores."""
    return patch_sheet(patch, title="Cheek pores")


def main() -> None:
    IMAGES.mkdir(exist_ok=True)
    save(parts_plate(), "parts.jpg", 1400)
    recipe = load_recipe(demo_recipe_file())
    surface = load_surface(recipe.path(recipe.mesh.file), recipe.mesh.unit)
    save(head_plate(surface, recipe.landmarks, unit_name=recipe.mesh.unit, height_px=560), "plate.jpg", 1900)
    composition = prepare(recipe)
    save(head_picture(composition, crop=((0.0, -2.0, 9.0), 150.0), size_px=1400), "head.jpg", 900)
    drawing = direction_picture(composition.ground, size_px=1024, azimuth_deg=24, pitch_deg=4)
    save(drawing.image, "directions.jpg", 900, quality=84)
    for region in ("cheek_left", "forehead"):
        save(preview(composition, region, map_size_px=8192, size_px=800).image, f"{region}.jpg", 800)
    save(prints_that_meet(composition.patches["cheek_pores"]), "prints_that_meet.jpg", 1400)
    save(sheet_of_pores(composition.patches["cheek_pores"]), "patch_sheet.jpg", 1100, quality=84)
    save(forehead_lines(), "forehead_lines.jpg", 800)
    save(registered_picture(composition), "registered.jpg", 1100, quality=84)


if __name__ == "__main__":
    main()
