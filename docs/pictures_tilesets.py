"""Makes the picture of docs/tilesets.md: `python docs/pictures_tilesets.py`.

A coarse mip level of one tile (1002) of the demo head, without a gutter, with the gutter, and with the far gutter.
"""

from __future__ import annotations

import numpy as np
from pictures import save
from PIL import Image, ImageDraw, ImageFont

from poredepth.demo import demo_recipe_file
from poredepth.output.levels import box_levels
from poredepth.raster.far_gutter import fill_far_gutter
from poredepth.raster.texels import TileRaster
from poredepth.surface.skin import Surface, load_surface
from poredepth.view.ramp import ramp_rgb

SIZE_PX, LEVEL, PANEL_PX, GAP_PX, TITLE_PX = 2048, 5, 512, 12, 34
HIGHEST_MM = 0.45


def relief_mm(at_mm: np.ndarray) -> np.ndarray:
    """An offset, a wave of 90 mm and a fine one of 1.3 mm, at points of space (n, 3): that of the page's figures."""
    coarse = 0.3 + 0.1 * np.sin(2 * np.pi * at_mm @ np.array([0.6, 0.64, 0.48]) / 90)
    return coarse + 0.05 * np.sin(2 * np.pi * at_mm @ np.array([0.48, -0.6, 0.64]) / 1.3)


def level_mm(surface: Surface, gutter_px: int, far: bool) -> np.ndarray:
    raster = TileRaster(surface, SIZE_PX, gutter_px)
    points = raster.skin_points(1002, raster.whole())
    on = points.triangle >= 0
    height_mm = np.zeros(SIZE_PX**2, np.float32)
    height_mm[on] = relief_mm(surface.points_mm(points.triangle[on], points.barycentric[on].astype(float)))
    height_mm = height_mm.reshape(SIZE_PX, SIZE_PX)
    if far:
        fill_far_gutter(raster, 1002, height_mm)
    return box_levels([height_mm], height_mm.shape)[LEVEL - 1]


def main() -> None:
    surface = load_surface(demo_recipe_file().parent / "head.obj", "cm")
    panels = []
    for title, gutter_px, far in (
        ("no gutter", 0, False),
        ("the gutter, 16 texels", SIZE_PX // 128, False),
        ("the far gutter", SIZE_PX // 128, True),
    ):
        coarse = ramp_rgb(level_mm(surface, gutter_px, far) / HIGHEST_MM)
        panel = Image.new("RGB", (PANEL_PX + GAP_PX, PANEL_PX + TITLE_PX), "white")
        panel.paste(Image.fromarray(coarse).resize((PANEL_PX, PANEL_PX), Image.Resampling.NEAREST), (0, TITLE_PX))
        ImageDraw.Draw(panel).text((0, 4), title, (40, 40, 46), ImageFont.load_default(22))
        panels.append(np.asarray(panel))
    picture = np.hstack(panels)[:, :-GAP_PX]
    save(picture, "far_gutter.jpg", picture.shape[1], 90)


if __name__ == "__main__":
    main()
