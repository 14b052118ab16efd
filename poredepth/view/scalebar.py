"""A strip below a picture with a scale bar in mm and one line of caption."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from poredepth.view.clay import BACKGROUND_RGB, INK_RGB, STRIP_RGB

#: Share of the picture's width the bar comes near to.
BAR_SHARE = 0.2
#: Narrower pictures are set on a wider ground, so that the caption can be read.
LEAST_WIDTH_PX = 360
_BAR_THICK_PX = 5


@dataclass(frozen=True, slots=True)
class ScaleBar:
    """A bar of ``length_mm``, drawn ``length_px`` long, with its label."""

    length_mm: float
    length_px: int

    @property
    def label(self) -> str:
        return f"{self.length_mm:g} mm"


def choose_bar(width_px: int, mm_per_px: float) -> ScaleBar:
    """The bar of 1, 2 or 5 x 10^n mm whose length is nearest (in ratio) to a fifth of the width.

    Parameters
    ----------
    width_px : width of the picture; mm_per_px : mm on the skin of one pixel along the picture's x, above 0
    """
    target_mm = BAR_SHARE * width_px * mm_per_px
    power = np.floor(np.log10(target_mm))
    candidates = [float(f"{digit}e{int(power + shift)}") for shift in (-1, 0, 1) for digit in (1, 2, 5)]
    length_mm = min(candidates, key=lambda mm: abs(np.log(mm / target_mm)))
    return ScaleBar(length_mm, max(1, round(length_mm / mm_per_px)))


def with_scale_bar(
    image: np.ndarray,
    mm_per_px: float,
    caption: str,
    *,
    ground_rgb: np.ndarray = BACKGROUND_RGB,
    strip_rgb: np.ndarray = STRIP_RGB,
    ink_rgb: np.ndarray = INK_RGB,
) -> np.ndarray:
    """The picture with a strip below it: scale bar, its label, and the caption.

    Parameters
    ----------
    image : uint8 (rows, cols, 3); its pixels are kept as they are, at the top and, if narrow, in the middle
    mm_per_px : mm on the skin of one pixel along the picture's x
    caption : one line; shortened when it does not fit
    ground_rgb, strip_rgb, ink_rgb : uint8 (3,), sRGB: beside a narrow picture, of the strip, of bar and text

    Returns
    -------
    uint8 (rows + strip, max(cols, LEAST_WIDTH_PX), 3)
    """
    rows, cols = image.shape[:2]
    width_px = max(cols, LEAST_WIDTH_PX)
    font_px = int(np.clip(width_px / 52, 13, 22))
    strip_px = round(3.9 * font_px)
    canvas = np.empty((rows + strip_px, width_px, 3), np.uint8)
    canvas[:rows] = ground_rgb
    canvas[rows:] = strip_rgb
    left = (width_px - cols) // 2
    canvas[:rows, left : left + cols] = image
    bar = choose_bar(cols, mm_per_px)
    margin = font_px
    top = rows + round(0.85 * font_px)
    canvas[top : top + _BAR_THICK_PX, margin : margin + bar.length_px] = ink_rgb
    return _with_text(
        canvas,
        font_px,
        [
            ((margin + bar.length_px + 0.6 * font_px, top + _BAR_THICK_PX / 2), bar.label),
            ((margin, rows + 2.75 * font_px), caption),
        ],
        ink_rgb,
    )


def _with_text(canvas: np.ndarray, font_px: int, texts, ink_rgb: np.ndarray) -> np.ndarray:
    """Write lines, each ((x, y of its middle), text), in ink."""
    picture = Image.fromarray(canvas)
    draw = ImageDraw.Draw(picture)
    font = ImageFont.load_default(size=font_px)
    for (x, y), text in texts:
        room_px = canvas.shape[1] - x - font_px / 2
        draw.text((x, y), _shortened(text, font, room_px), fill=tuple(ink_rgb.tolist()), font=font, anchor="lm")
    return np.asarray(picture).copy()


def _shortened(text: str, font, room_px: float) -> str:
    if font.getlength(text) <= room_px:
        return text
    while text and font.getlength(text + "...") > room_px:
        text = text[:-1]
    return text.rstrip() + "..."
