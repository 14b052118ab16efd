"""Makes the pictures of docs/mixing.md: `python docs/pictures_mixing.py`.

A plate of skin, 36 x 18 mm, under raking light; below each the heights along its middle.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from pictures import save
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter

from poredepth import Composition, HeightPatch, PolygonMesh, compose, compose_parts, load_recipe, prepare
from poredepth import recipe_from_dict as recipe_of
from poredepth.demo import demo_recipe_file
from poredepth.sources import load_patches
from poredepth.view.relief import raking_relief

WIDE_MM, HIGH_MM, SIZE_PX = 36.0, 18.0, 1200
TEXEL_MM = WIDE_MM / SIZE_PX
INK, LINE, FAINT = (40, 40, 46), (30, 74, 120), (205, 205, 208)
PANEL_PX, PLOT_PX = 620, 130


def place_mm() -> tuple[np.ndarray, np.ndarray]:
    """x and y of the texels of the plate's tile, (SIZE_PX, SIZE_PX); the plate is its lower half."""
    at = (np.arange(SIZE_PX) + 0.5) * TEXEL_MM
    return np.meshgrid(at, WIDE_MM - at)


def plate(layers: list[dict], maps: Mapping[str, np.ndarray], **keys) -> Composition:
    """Layers on the plate; its right half is the region ``right``; maps are heights in mm by layer name."""
    nx, ny = 24, 12
    x, y = np.meshgrid(np.linspace(0, WIDE_MM, nx + 1), np.linspace(0, HIGH_MM, ny + 1))
    position = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    at = np.arange(x.size).reshape(x.shape)
    faces = np.stack([at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]], axis=2).reshape(-1, 4)
    side = np.where(position[faces, 0].mean(axis=1) > WIDE_MM / 2, "right", "left").tolist()
    mesh = PolygonMesh.from_arrays(position, faces.tolist(), position[:, :2] / WIDE_MM, faces.tolist(), groups=side)
    patches = {name: patch for name, patch in PATCHES.items() if any(layer.get("patch") == name for layer in layers)}
    data = {
        "poredepth": 1,
        "mesh": {"file": "plate", "unit": "mm"},
        "seed": 3,
        "directions": [{"points": [[0, 9, 0], [36, 9, 0]]}],
        "regions": {"right": {"group": "right", "feather_mm": 5}},
        "patches": {name: {"file": "patch", "texel_um": 1, "height_um": 1} for name in patches},
        "layers": layers,
        "output": {"size_px": SIZE_PX},
        **keys,
    }
    tiles = {name: {1001: height_mm.astype(np.float32)} for name, height_mm in maps.items()}
    return prepare(recipe_of(data, check_files=False), mesh=mesh, patches=patches, maps=tiles)


def laid(name: str, **keys) -> dict:
    return {"name": name, "patch": name, "place": "scatter", "print_mm": 8, **keys}


def painted(name: str, **keys) -> dict:
    return {"name": name, "map": name, "scale_mm": 1.0, **keys}


def heights(composition: Composition) -> np.ndarray:
    return compose(composition)[1001].height_mm[SIZE_PX // 2 :]


def _patches() -> dict[str, HeightPatch]:
    return load_patches(load_recipe(demo_recipe_file()), {})


PATCHES = _patches()


def furrow(at_mm: float, depth_mm: float, width_mm: float, slope: float = 0.0) -> np.ndarray:
    """A furrow across the plate at x = ``at_mm`` of its middle, ``width_mm`` wide at half its depth."""
    x, y = place_mm()
    across = (x - at_mm - slope * (y - HIGH_MM / 2)) / np.hypot(1, slope)
    return -depth_mm * np.exp(-np.log(2) * (2 * across / width_mm) ** 2)


def scan_noise(sq_mm: float) -> np.ndarray:
    noise = gaussian_filter(np.random.default_rng(2).normal(size=(SIZE_PX, SIZE_PX)), 2.0)
    return noise * sq_mm / noise.std()


def panel(title: str, height_mm: np.ndarray, limits_um: tuple[float, float]) -> np.ndarray:
    """A plate under raking light, and the heights along its middle."""
    step = TEXEL_MM * np.eye(2)
    relief = raking_relief(height_mm, step[0], step[1], elevation_deg=24)
    picture = Image.fromarray(relief).resize((PANEL_PX, PANEL_PX // 2), Image.Resampling.LANCZOS)
    canvas = Image.new("RGB", (PANEL_PX, 34 + PANEL_PX // 2 + PLOT_PX), (255, 255, 255))
    canvas.paste(picture, (0, 34))
    draw = ImageDraw.Draw(canvas)
    draw.text((4, 6), title, INK, ImageFont.load_default(19))
    top, low, high = 34 + PANEL_PX // 2 + 12, *limits_um
    row_um = 1000 * height_mm[height_mm.shape[0] // 2].astype(float)

    def down(um):
        return top + (high - um) / (high - low) * (PLOT_PX - 24)

    for um in (low, 0.0, high):
        draw.line([(58, down(um)), (PANEL_PX - 6, down(um))], FAINT)
        draw.text((52, down(um)), f"{um:g} um", INK, ImageFont.load_default(14), anchor="rm")
    across = 58 + (np.arange(len(row_um)) + 0.5) / len(row_um) * (PANEL_PX - 64)
    draw.line(list(zip(across, down(np.clip(row_um, low, high)), strict=True)), LINE, 2)
    return np.asarray(canvas)


def sheet(panels: list[np.ndarray], columns: int = 2) -> np.ndarray:
    gap = np.full((panels[0].shape[0], 18, 3), 255, np.uint8)
    rows = []
    for first in range(0, len(panels), columns):
        row = panels[first : first + columns]
        row += [np.full_like(panels[0], 255)] * (columns - len(row))
        rows.append(np.hstack([part for one in row for part in (one, gap)][:-1]))
    return np.vstack(rows)


def bands_picture() -> np.ndarray:
    c = plate([painted("sculpt"), laid("cheek_pores")], {"sculpt": furrow(18, 0.25, 4)})
    parts = compose_parts(c, "bands")
    shown = [panel("the mix", heights(c), (-320, 60))]
    limits = {"coarse": (-320, 60), "middle": (-80, 40), "fine": (-80, 40)}
    told = {"coarse": "coarse: longer than 2.5 mm", "middle": "middle: 0.8 to 2.5 mm", "fine": "fine: below 0.8 mm"}
    return sheet([*shown, *(panel(told[b], parts[b][1001].height_mm[SIZE_PX // 2 :], limits[b]) for b in told)])


def gain_picture() -> np.ndarray:
    scan = {"sculpt": furrow(18, 0.4, 4) + scan_noise(0.012)}
    layers = [painted("sculpt"), laid("cheek_pores")]
    cleaned = [painted("sculpt", gain={"fine": 0}), layers[1]]
    limits = (-500, 80)
    return sheet(
        [
            panel("a sculpt with scan noise", heights(plate(layers[:1], scan)), limits),
            panel("gain: {fine: 0}", heights(plate(cleaned[:1], scan)), limits),
            panel("pores on the noise", heights(plate(layers, scan)), limits),
            panel("pores on the cleaned sculpt", heights(plate(cleaned, scan)), limits),
        ]
    )


def replace_picture() -> np.ndarray:
    below = laid("forehead_lines")
    layers = [painted("sculpt"), below, laid("nose_pores", region="right", combine="replace", bands=["middle", "fine"])]
    form = {"sculpt": furrow(18, 0.2, 5)}
    return sheet(
        [
            panel("below: a furrow and lines", heights(plate(layers[:2], form)), (-260, 60)),
            panel("right half: middle and fine replaced by pores", heights(plate(layers, form)), (-260, 60)),
        ]
    )


def transition_picture() -> np.ndarray:
    def half(name: str, **keys) -> np.ndarray:
        return heights(plate([laid(name, **keys)], {}))

    kept = heights(
        plate([laid("cheek_pores"), laid("forehead_lines", gain=1.5, region="right", combine="replace")], {})
    )
    x = place_mm()[0][SIZE_PX // 2 :]
    w = np.clip((x - WIDE_MM / 2) / 5 + 0.5, 0, 1)
    w = w * w * (3 - 2 * w)
    plain = (1 - w) * half("cheek_pores") + w * half("forehead_lines", gain=1.5)
    return sheet([panel("a plain cross-fade over 5 mm", plain, (-90, 40)), panel("replace", kept, (-90, 40))])


def extreme_picture(combine: str) -> np.ndarray:
    sign = 1.0 if combine == "deepest" else -1.0
    maps = {"one": sign * furrow(18, 0.2, 2.0, 0.5), "two": sign * furrow(18, 0.2, 2.0, -0.5)}
    limits = (-420, 140) if sign > 0 else (-140, 420)
    what = "furrows" if sign > 0 else "ridges"

    def mixed(**keys) -> np.ndarray:
        return heights(plate([painted("one"), painted("two", **keys)], maps))

    return sheet(
        [
            panel(f"combine: add: {what} that cross count twice", mixed(), limits),
            panel(f"combine: {combine}, smooth_um: 60", mixed(combine=combine, smooth_um=60), limits),
        ]
    )


def thin_picture() -> np.ndarray:
    form = {"sculpt": furrow(18, 0.4, 4) - 0.5 * furrow(28, 0.4, 1.2)}
    pores = laid("nose_pores")
    thins = [
        ("everywhere", {}),
        ("deeper_than_um: 150", {"layer": "sculpt", "deeper_than_um": 150, "softness_um": 100}),
        ("curvature_over_per_mm: 0.3", {"layer": "sculpt", "curvature_over_per_mm": 0.3}),
        ("the same, form: ridges", {"layer": "sculpt", "curvature_over_per_mm": 0.3, "form": "ridges"}),
    ]
    layers = [[painted("sculpt"), pores | ({"thin_where": how} if how else {})] for _, how in thins]
    return sheet(
        [panel(title, heights(plate(one, form)), (-450, 260)) for (title, _), one in zip(thins, layers, strict=True)]
    )


def main() -> None:
    pictures = {
        "bands": bands_picture,
        "gain": gain_picture,
        "replace": replace_picture,
        "transition": transition_picture,
        "deepest": lambda: extreme_picture("deepest"),
        "highest": lambda: extreme_picture("highest"),
        "thin": thin_picture,
    }
    for name, make in pictures.items():
        save(make(), f"mixing_{name}.jpg", 1258, 86)
        print(name, flush=True)


if __name__ == "__main__":
    main()
