"""One page that shows all tiles of a set as they lie in UV: their relief, their heights, and how the files are read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from poredepth.errors import PoredepthError
from poredepth.output.tiles import tile_indices, tile_number
from poredepth.units import UM_PER_MM
from poredepth.view.callouts import INK
from poredepth.view.clay import Light
from poredepth.view.page import GRID, PAPER_RGB, QUIET, Page, Scale, broken
from poredepth.view.preview import save_png
from poredepth.view.scalebar import choose_bar
from poredepth.view.sheet_diagrams import Sizes, draw_legend
from poredepth.view.tile_pictures import (
    ReducedTile,
    SkinOf,
    fitting_exaggeration,
    heights_picture,
    reduced_tile,
    relief_picture,
)

CONTACT_SHEET_NAME = "contact-sheet.png"
#: Narrowest page whose words can be read.
LEAST_WIDTH_PX = 900
#: Margin, room between parts, text, headings and title of a page of this width, pixels.
_FULL_WIDTH_PX, _MARGIN, _GAP, _TEXT, _HEADING, _TITLE = 1800, 60, 56, 20, 25, 36
#: A tile is drawn no larger than this share of the page, and tiles stand this share of the page apart.
_MOST_TILE, _APART = 0.48, 0.008
#: Share of pixels at either end that the ramp leaves to its end colours.
_BEYOND_RAMP = 0.0005
#: Mean code of a ground that needs light letters.
_DARK = 120


@dataclass(frozen=True)
class _Grid:
    """Places of tiles on the page: ``side_px`` and ``room_px`` below each for words; 1001 is the lowest to the left."""

    left: int
    top: int
    n_cols: int
    n_rows: int
    side_px: int
    apart_px: int
    room_px: int

    def corner(self, u_index: int, v_index: int) -> tuple[int, int]:
        """Left and top of the tile at u, v."""
        down = (self.n_rows - 1 - v_index) * (self.side_px + self.apart_px + self.room_px)
        return self.left + u_index * (self.side_px + self.apart_px), self.top + down

    @property
    def bottom(self) -> int:
        return self.top + self.n_rows * (self.side_px + self.room_px) + (self.n_rows - 1) * self.apart_px


def contact_sheet(
    heights_mm: Mapping[int, np.ndarray],
    texel_mm: float,
    *,
    title: str = "Displacement map",
    formula: str = "",
    skin_of: SkinOf | None = None,
    width_px: int = 1800,
) -> np.ndarray:
    """Draw the page.

    Parameters
    ----------
    heights_mm : float32 (rows, cols), mm, by tile number; memory maps are read once, by rows
    texel_mm : median size of a texel on the skin
    title, formula : first lines of the page; the formula says how values become heights
    skin_of : says which texels hold skin: bool (rows, cols) of a tile's window; default: those that are not exactly 0
    width_px : of the page, 900 or more

    Returns
    -------
    uint8 (rows, width_px, 3), sRGB

    Raises
    ------
    PoredepthError : no tiles, or a page too narrow to read
    MapFileError : a tile number outside 1001 to 1100

    Notes
    -----
    A pixel shows the mean of the skin under it.  Relief finer than a pixel is averaged away, not aliased.
    """
    page, bottom = drawn_contact_sheet(
        heights_mm, texel_mm, title=title, formula=formula, skin_of=skin_of, width_px=width_px
    )
    return page.pixels(bottom)


def write_contact_sheet(folder: Path | str, image: np.ndarray) -> Path:
    """Write the page into ``folder`` as PNG; MapFileError if that fails."""
    return save_png(image, Path(folder) / CONTACT_SHEET_NAME)


def drawn_contact_sheet(
    heights_mm: Mapping[int, np.ndarray],
    texel_mm: float,
    *,
    title: str,
    formula: str,
    skin_of: SkinOf | None,
    width_px: int,
) -> tuple[Page, int]:
    """The page of `contact_sheet`, and how many of its rows are drawn on."""
    if not heights_mm:
        raise PoredepthError("contact sheet: got no tiles; allowed: one or more")
    if width_px < LEAST_WIDTH_PX:
        raise PoredepthError(f"contact sheet: width_px is {width_px}; allowed: {LEAST_WIDTH_PX} or more; 1800 suits")
    scale = width_px / _FULL_WIDTH_PX
    sizes = Sizes(round(scale * _TEXT), round(scale * _HEADING), scale * 1.25)
    margin, gap = round(scale * _MARGIN), round(scale * _GAP)
    page = Page(width_px)
    row = _title(page, margin, (title, formula), round(scale * _TITLE), sizes) + gap
    grid = _grid(page, margin, row, heights_mm, sizes)
    tiles = {
        tile: reduced_tile(
            heights_mm[tile],
            grid.side_px,
            texel_mm,
            None if skin_of is None else lambda window, tile=tile: skin_of(tile, window),
        )
        for tile in sorted(heights_mm)
    }
    row = _draw_relief(page, grid, tiles, texel_mm, sizes) + gap
    return page, _draw_heights(page, grid, tiles, row, sizes) + margin // 2


def _title(page: Page, margin: int, words: tuple[str, str], size_px: int, sizes: Sizes) -> int:
    width = page.width_px - 2 * margin
    page.text(margin, margin + 0.6 * size_px, broken(words[0], size_px, width)[0], size_px, anchor="ls")
    row = margin + size_px
    return round(page.paragraph(margin, row, width, words[1], sizes.text)) if words[1] else row


def _grid(page: Page, margin: int, top: int, heights_mm: Mapping[int, np.ndarray], sizes: Sizes) -> _Grid:
    at = [tile_indices(tile) for tile in heights_mm]
    n_cols, n_rows = max(u for u, _ in at) + 1, max(v for _, v in at) + 1
    apart = round(_APART * page.width_px)
    side = (page.width_px - 2 * margin - (n_cols - 1) * apart) // n_cols
    side = min(side, round(_MOST_TILE * page.width_px))
    # numbers and ranges take one line beside each other, or a few below each other in narrow tiles
    lines = 1 if side > 20 * sizes.text else 3
    return _Grid(margin, top + round(1.4 * sizes.title), n_cols, n_rows, side, apart, round(1.5 * lines * sizes.text))


def _heading(page: Page, grid: _Grid, text: str, sizes: Sizes) -> None:
    page.text(grid.left, grid.top - round(0.5 * sizes.title), text, sizes.title, anchor="ls")


def _draw_relief(page: Page, grid: _Grid, tiles: Mapping[int, ReducedTile], texel_mm: float, sizes: Sizes) -> int:
    """All tiles under raking light, with their facts, and a scale bar; returns the row below."""
    _heading(page, grid, "Relief", sizes)
    light, factor = Light(), fitting_exaggeration(list(tiles.values()))
    for u in range(grid.n_cols):
        for v in range(grid.n_rows):
            number = tile_number(u, v)
            if number not in tiles:
                _draw_nothing(page, grid, (u, v), sizes)
                continue
            left, top = grid.corner(u, v)
            page.picture(left, top, relief_picture(tiles[number], light, factor))
            page.outline((left, top, left + grid.side_px, top + grid.side_px), QUIET)
            _facts(page, grid, (left, top + grid.side_px), number, tiles[number], sizes)
    step_mm = next(iter(tiles.values())).step_mm[0]
    bar = choose_bar(2 * grid.side_px, step_mm)
    middle = grid.bottom + 1.2 * sizes.text
    page.rule(grid.left, middle - 2 * sizes.line, grid.left + bar.length_px, middle + 2 * sizes.line, INK)
    page.text(grid.left + bar.length_px + 0.5 * sizes.text, middle, bar.label, sizes.text, anchor="lm")
    text = (
        f"Tiles as they lie in UV: u to the right, v upwards. Light from {light.azimuth_deg:g} deg (0 is the right, 90 "
        f"the top), {light.elevation_deg:g} deg high. Heights x {factor:g}. A pixel is the mean of {step_mm:.2g} mm of "
        f"skin at the median texel of {UM_PER_MM * texel_mm:.3g} um: relief finer than that is not shown here."
    )
    width = page.width_px - 2 * grid.left
    return round(page.paragraph(grid.left, middle + sizes.text, width, text, sizes.text))


def _facts(page: Page, grid: _Grid, at: tuple[int, int], number: int, tile: ReducedTile, sizes: Sizes) -> None:
    """Number, range and share of skin below a tile."""
    left, top = at[0], at[1] + 0.35 * sizes.text
    words = [f"{tile.low_mm:+.3f} to {tile.high_mm:+.3f} mm", f"skin on {100 * tile.skin_ratio:.0f} %"]
    words = words if tile.skin_ratio > 0 else ["no skin"]
    if grid.room_px < 3 * sizes.text:
        after = page.text(left, top + sizes.text, str(number), sizes.title, anchor="ls")
        page.text(after + sizes.text, top + sizes.text, ", ".join(words), sizes.text, ink=QUIET, anchor="ls")
        return
    page.text(left, top + sizes.text, str(number), sizes.title, anchor="ls")
    for word in words:
        top = page.paragraph(left, top + 1.25 * sizes.text, grid.side_px, word, round(0.8 * sizes.text)) - sizes.text


def _draw_nothing(page: Page, grid: _Grid, at: tuple[int, int], sizes: Sizes) -> None:
    """The place of a tile that the set does not have."""
    left, top = grid.corner(*at)
    page.outline((left, top, left + grid.side_px, top + grid.side_px), GRID)
    middle = left + grid.side_px / 2, top + grid.side_px / 2
    page.text(*middle, f"no {tile_number(*at)}", sizes.text, ink=QUIET, anchor="mm")


def _draw_heights(page: Page, grid: _Grid, tiles: Mapping[int, ReducedTile], top: int, sizes: Sizes) -> int:
    """All tiles as heights on one ramp, half as large, and the ramp beside them; returns the row below."""
    side, apart = grid.side_px // 2, grid.apart_px // 2
    small = _Grid(grid.left, top + round(1.4 * sizes.title), grid.n_cols, grid.n_rows, side, apart, 0)
    _heading(page, small, "Heights", sizes)
    ends = _ramp_ends_mm(tiles)
    for number, tile in tiles.items():
        left, row = small.corner(*tile_indices(number))
        image = heights_picture(tile, ends)[: 2 * side, : 2 * side]
        image = image.reshape(side, 2, side, 2, 3).mean(axis=(1, 3)).round().astype(np.uint8)
        page.picture(left, row, image)
        page.outline((left, row, left + side, row + side), QUIET)
        if side > 3 * sizes.text:
            ink = INK if image[: 2 * sizes.text, : 3 * sizes.text].mean() > _DARK else PAPER_RGB
            page.text(left + 0.3 * sizes.text, row + 0.3 * sizes.text, str(number), sizes.text, ink=ink)
    beside = small.left + small.n_cols * (side + apart) + 2 * sizes.text
    width = page.width_px - grid.left - beside
    return max(small.bottom, _draw_ramp(page, (beside, small.top, width), ends, tiles, sizes))


def _draw_ramp(page: Page, at: tuple[int, int, int], ends, tiles: Mapping[int, ReducedTile], sizes: Sizes) -> int:
    left, top, width = at
    low, high = (UM_PER_MM * end for end in ends)
    ratio = sum(tile.skin_ratio for tile in tiles.values()) / len(tiles)
    text = f"{len(tiles)} tile{'s' if len(tiles) > 1 else ''}, skin on {100 * ratio:.0f} % of the texels."
    if high > low:
        mark = 0.0 if low < 0 < high else None
        box = (left, top, width - 2 * sizes.text, round(0.9 * sizes.text))
        top = draw_legend(page, box, Scale(low, high), "height, um", sizes, mark=mark) + round(0.5 * sizes.text)
        zero = " The gap in the ramp is no displacement." if mark is not None else ""
        text = f"One ramp for all tiles, {low:.1f} to {high:.1f} um: all but 0.1 % of the pixels.{zero} {text}"
    else:
        text = f"Flat: all skin is at {low:.3g} um. {text}"
    return round(page.paragraph(left, top, width, text, sizes.text))


def _ramp_ends_mm(tiles: Mapping[int, ReducedTile]) -> tuple[float, float]:
    """Heights at the ends of the ramp, mm: all but a share of 0.0005 of the pixels at either end."""
    known = np.concatenate([tile.mean_mm[np.isfinite(tile.mean_mm)] for tile in tiles.values()])
    if len(known) == 0:
        return 0.0, 0.0
    low, high = np.quantile(known, (_BEYOND_RAMP, 1 - _BEYOND_RAMP))
    return float(low), float(high)
