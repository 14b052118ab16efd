"""A page to draw on: paper, words, smooth lines, and frames whose edges carry numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from poredepth.view.callouts import INK
from poredepth.view.clay import PAPER_LINEAR, srgb_codes

#: sRGB of the paper, of words that stand back, of lines of a grid.
PAPER_RGB = tuple(srgb_codes(PAPER_LINEAR).tolist())
QUIET, GRID = (96, 99, 104), (214, 209, 199)
#: Lines are drawn larger by this and brought down.
SUPERSAMPLES = 4

Box = tuple[float, float, float, float]


@lru_cache
def font_of(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.load_default(size=size_px)


@dataclass(frozen=True)
class Word:
    """Text on the page and the box it takes: left, top, right, bottom, pixels."""

    text: str
    box: Box


class Page:
    """Paper of a fixed width that grows downwards as it is drawn on; ``words`` keeps what was written where."""

    def __init__(self, width_px: int):
        self.words: list[Word] = []
        self._image = Image.new("RGB", (width_px, width_px), PAPER_RGB)

    @property
    def width_px(self) -> int:
        return self._image.width

    def _make_room(self, bottom: float) -> None:
        width, height = self._image.size
        if bottom >= height:
            taller = Image.new("RGB", (width, int(bottom) + width), PAPER_RGB)
            taller.paste(self._image)
            self._image = taller

    def pixels(self, height_px: int) -> np.ndarray:
        """The top ``height_px`` rows, uint8 (rows, cols, 3), sRGB."""
        self._make_room(height_px)
        return np.asarray(self._image)[:height_px].copy()

    def picture(self, left: int, top: int, image: np.ndarray) -> None:
        """Lay down uint8 (rows, cols, 3), pixel for pixel."""
        self._make_room(top + image.shape[0])
        self._image.paste(Image.fromarray(image), (left, top))

    def text(self, x: float, y: float, text: str, size_px: int, *, ink=INK, anchor: str = "lt") -> float:
        """Write one line at a place, anchored as PIL does; returns where it ends to the right, pixels."""
        self._make_room(y + 2 * size_px)
        draw, font = ImageDraw.Draw(self._image), font_of(size_px)
        box = draw.textbbox((x, y), text, font=font, anchor=anchor)
        draw.text((x, y), text, fill=ink, font=font, anchor=anchor)
        self.words.append(Word(text, box))
        return box[2]

    def paragraph(self, x: float, y: float, width_px: float, text: str, size_px: int, *, ink=QUIET) -> float:
        """Write text broken into lines no wider than given, the first one's top at ``y``; returns the next line's."""
        for line in broken(text, size_px, width_px):
            # all lines stand on the font's own base line, however tall their letters are
            self.text(x, y + size_px, line, size_px, ink=ink, anchor="ls")
            y += round(1.36 * size_px)
        return y

    def rule(self, left: float, top: float, right: float, bottom: float, ink) -> None:
        """Fill whole pixels: for straight upright or level lines that shall be crisp."""
        self._make_room(bottom)
        box = (round(left), round(top), max(round(right), round(left) + 1), max(round(bottom), round(top) + 1))
        self._image.paste(ink, box)

    def outline(self, box: Box, ink, width_px: int = 1) -> None:
        """A frame around a box, outside of it."""
        left, top, right, bottom = (round(x) for x in box)
        w = width_px
        self.rule(left - w, top - w, right + w, top, ink)
        self.rule(left - w, bottom, right + w, bottom + w, ink)
        self.rule(left - w, top, left, bottom, ink)
        self.rule(right, top, right + w, bottom, ink)

    def line(self, points, ink, width_px: float, *, dash_px: tuple[float, float] | None = None) -> None:
        """A smooth line through points, float (n, 2), pixels; ``dash_px`` are the lengths of dashes and gaps."""
        points = np.asarray(points, float)
        pieces = [points] if dash_px is None else dashes(points, *dash_px)

        def draw_on(draw: ImageDraw.ImageDraw, place: Callable[[np.ndarray], list]) -> None:
            for piece in pieces:
                draw.line(place(piece), fill=255, width=max(1, round(width_px * SUPERSAMPLES)), joint="curve")

        self._smooth(points, width_px + 1, draw_on, ink)

    def upright(self, x: float, top: float, bottom: float, ink, width_px: float) -> None:
        """A dashed upright line, moved by up to half a pixel so that it is crisp."""
        x = np.floor(x) + 0.5
        self.line([(x, top), (x, bottom)], ink, width_px, dash_px=(5 * width_px, 3 * width_px))

    def area(self, points, ink, share: float = 1.0) -> None:
        """A filled polygon, float (n, 2), pixels, that covers what is below by ``share``."""
        points = np.asarray(points, float)
        self._smooth(points, 1, lambda draw, place: draw.polygon(place(points), fill=round(255 * share)), ink)

    def _smooth(self, points: np.ndarray, pad: float, draw_on: Callable, ink) -> None:
        low = np.floor(points.min(axis=0) - pad).astype(int)
        high = np.ceil(points.max(axis=0) + pad).astype(int)
        self._make_room(high[1])
        mask = Image.new("L", tuple(((high - low) * SUPERSAMPLES).tolist()))
        draw_on(ImageDraw.Draw(mask), lambda p: [tuple(q) for q in ((p - low) * SUPERSAMPLES - 0.5).tolist()])
        self._image.paste(ink, tuple(low.tolist()), mask.reduce(SUPERSAMPLES))


def dashes(points: np.ndarray, dash_px: float, gap_px: float) -> list[np.ndarray]:
    """Parts (m, 2) of a line (n, 2) that dashes cover."""
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    out = []
    for start in np.arange(0, along[-1], dash_px + gap_px):
        end = min(start + dash_px, along[-1])
        at = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
        out.append(np.column_stack([np.interp(at, along, points[:, k]) for k in (0, 1)]))
    return out


def broken(text: str, size_px: int, width_px: float) -> list[str]:
    """Lines of a text, no wider than ``width_px``: broken at blanks, words too long for a line anywhere."""
    font, lines = font_of(size_px), [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) <= width_px:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        for letter in word:
            if lines[-1] and font.getlength(lines[-1] + letter) > width_px:
                lines.append("")
            lines[-1] += letter
    return lines


@dataclass(frozen=True)
class Scale:
    """Numbers along an edge, from ``low`` to ``high``; ``is_log``: their logarithm is even."""

    low: float
    high: float
    is_log: bool = False

    def share(self, value):
        """Where values lie, 0 at ``low``, 1 at ``high``."""
        if self.is_log:
            return np.log(np.asarray(value, float) / self.low) / np.log(self.high / self.low)
        return (np.asarray(value, float) - self.low) / (self.high - self.low)

    def ticks(self, length_px: float, least_px: float, size_px: int, *, is_upright: bool = False) -> list[float]:
        """Round numbers to write along an edge: as many as keep ``least_px``, and their own room, apart."""
        for values in self._log_choices() if self.is_log else self._even_choices():
            at = self.share(values) * length_px
            widest = 0 if is_upright else max((font_of(size_px).getlength(f"{v:g}") for v in values), default=0)
            if len(values) < 2 or np.diff(at).min() >= max(least_px, widest + 0.8 * size_px):
                return [float(v) for v in values]
        return []

    def _even_choices(self):
        power = int(np.floor(np.log10((self.high - self.low) / 50)))
        for exponent in range(power, power + 5):
            for digit in (1, 2, 5):
                step = float(f"{digit}e{exponent}")
                slack = 1e-9 * (self.high - self.low) / step
                number = np.arange(np.ceil(self.low / step - slack), np.floor(self.high / step + slack) + 1)
                yield [float(f"{n * step:.10g}") + 0.0 for n in number]

    def _log_choices(self):
        decades = range(int(np.floor(np.log10(self.low))), int(np.ceil(np.log10(self.high))) + 1)
        for digits in ((1, 2, 3, 4, 5, 6, 8), (1, 2, 5), (1, 3), (1,)):
            values = [float(f"{digit}e{decade}") for decade in decades for digit in digits]
            yield [v for v in values if self.low * (1 - 1e-9) <= v <= self.high * (1 + 1e-9)]
        for step in range(2, 40):
            values = [float(f"1e{decade}") for decade in decades if decade % step == 0]
            yield [v for v in values if self.low <= v <= self.high]


@dataclass(frozen=True)
class Frame:
    """A drawing on the page: its left, top, width and height in pixels, what x (rightwards) and y (upwards) mean."""

    left: int
    top: int
    width: int
    height: int
    x: Scale
    y: Scale

    @property
    def right(self) -> int:
        return self.left + self.width

    @property
    def bottom(self) -> int:
        return self.top + self.height

    @property
    def box(self) -> Box:
        return self.left, self.top, self.right, self.bottom

    def rows_to_number(self, size_px: int) -> list[float]:
        """Values of y that are written along the left edge in letters of a size."""
        found = self.y.ticks(self.height, 2.6 * size_px, size_px, is_upright=True)
        return found if len(found) > 1 else self.y.ticks(self.height, 1.2 * size_px, size_px, is_upright=True)

    def at(self, x, y) -> np.ndarray:
        """Pixels on the page of numbers (n,): float64 (n, 2)."""
        x_px = self.left + self.x.share(x) * self.width
        return np.stack(np.broadcast_arrays(x_px, self.bottom - self.y.share(y) * self.height), axis=-1)


def number_edges(page: Page, frame: Frame, size_px: int, *, sides: Sequence[str] = "xy", x_unit: str = "") -> int:
    """Write numbers and ticks along the left and the lower edge; returns the row below them, pixels.

    ``x_unit`` is written below the numbers, in the middle.
    """
    tick = round(0.3 * size_px)
    if "y" in sides:
        for value in frame.rows_to_number(size_px):
            y = frame.at(frame.x.low, value)[1]
            page.rule(frame.left - 1 - tick, y - 0.5, frame.left - 1, y + 0.5, QUIET)
            page.text(frame.left - 1.7 * tick, y, f"{value:g}", size_px, ink=QUIET, anchor="rm")
    for value in frame.x.ticks(frame.width, 2.2 * size_px, size_px):
        x = frame.at(value, frame.y.low)[0]
        page.rule(x - 0.5, frame.bottom + 1, x + 0.5, frame.bottom + 1 + tick, QUIET)
        page.text(x, frame.bottom + 2 * tick, f"{value:g}", size_px, ink=QUIET, anchor="mt")
    row = frame.bottom + 2 * tick + round(1.25 * size_px)
    if x_unit:
        page.text(0.5 * (frame.left + frame.right), row, x_unit, size_px, ink=QUIET, anchor="mt")
        row += round(1.2 * size_px)
    return row
