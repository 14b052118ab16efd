"""Makes the pictures of exported sets: `python docs/pictures_export.py`.

The contact sheet of the demo, and a piece of cheek as each of the maps that follow from its heights.
"""

from __future__ import annotations

import numpy as np
from pictures import save
from PIL import Image, ImageDraw, ImageFont

from poredepth import compose, load_recipe, prepare
from poredepth.demo import demo_recipe_file
from poredepth.derived.context import Deriving
from poredepth.derived.heights import MapHeights
from poredepth.derived.kinds import KINDS
from poredepth.raster.window import Window
from poredepth.view.contact_sheet import contact_sheet
from poredepth.view.ramp import ramp_rgb
from poredepth.view.relief import raking_relief

SIZE_PX, SIDE_PX, PANEL_PX, TITLE_PX, GAP_PX = 8192, 256, 400, 34, 12
#: Tile and middle of the piece, u and v: the left cheek.
TILE, MIDDLE_UV = 1001, (0.66, 0.42)


def panels(context: Deriving, window: Window, texel_mm: float) -> dict[str, np.ndarray]:
    """Pictures uint8 (rows, cols, 3) by title."""
    quantity = {
        name: kind.quantity(context, TILE, window)
        for name, kind in KINDS.items()
        if not kind.is_low and name != "slopes"
    }
    step = texel_mm * np.eye(2)
    out = {"heights, lit": raking_relief(context.heights.block(TILE, window), step[0], step[1], elevation_deg=24)}
    for name in ("normal", "normal-object"):
        out[name] = np.rint(127.5 + 127.5 * quantity[name]).clip(0, 255).astype(np.uint8)
    for name, low, high in (("cavity", 0.0, 0.06), ("curvature", -6.0, 6.0), ("occlusion", 0.6, 1.0)):
        share = (quantity[name][..., 0] - low) / (high - low)
        out[f"{name}, {low:g} to {high:g} {KINDS[name].unit}".removesuffix(" 1")] = ramp_rgb(share.clip(0, 1))
    return out


def drawn(pictures: dict[str, np.ndarray]) -> np.ndarray:
    """The panels in two rows, titles above."""
    across = -(-len(pictures) // 2)
    page = Image.new("RGB", (across * (PANEL_PX + GAP_PX) - GAP_PX, 2 * (PANEL_PX + TITLE_PX)), (250, 247, 240))
    pen, font = ImageDraw.Draw(page), ImageFont.load_default(20)
    for number, (title, picture) in enumerate(pictures.items()):
        left, top = (number % across) * (PANEL_PX + GAP_PX), (number // across) * (PANEL_PX + TITLE_PX)
        pen.text((left, top + 6), title, (40, 40, 40), font)
        panel = Image.fromarray(picture).resize((PANEL_PX, PANEL_PX), Image.Resampling.NEAREST)
        page.paste(panel, (left, top + TITLE_PX))
    return np.asarray(page)


def main() -> None:
    composition = prepare(load_recipe(demo_recipe_file()))
    raster = composition.raster(SIZE_PX)
    maps = compose(composition, size_px=SIZE_PX)
    heights_mm = {tile: one.height_mm for tile, one in maps.items()}
    sheet = contact_sheet(
        heights_mm,
        maps[TILE].texel_mm,
        title="head.yaml, float-zero",
        formula="height_mm = (value - 0.0) * 1.0",
        skin_of=lambda tile, window: raster.skin_points(tile, window).triangle.reshape(window.shape) >= 0,
    )
    save(sheet, "contact_sheet.jpg", 1100, quality=85)
    context = Deriving(MapHeights(raster, heights_mm, composition.skin)).prepare("cavity", "occlusion")
    row, col = round((1 - MIDDLE_UV[1]) * SIZE_PX), round(MIDDLE_UV[0] * SIZE_PX)
    window = Window(row - SIDE_PX // 2, col - SIDE_PX // 2, SIDE_PX, SIDE_PX)
    page = drawn(panels(context, window, maps[TILE].texel_mm))
    save(page, "derived.jpg", page.shape[1], quality=85)


if __name__ == "__main__":
    main()
