"""One sheet that shows what a height patch is: its relief, its heights, its waves, and whether it tiles."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.types import HeightPatch
from poredepth.view import sheet_panels as panels
from poredepth.view.page import QUIET, Page, broken
from poredepth.view.sheet_diagrams import Sizes
from poredepth.view.sheet_measures import measured
from poredepth.view.sheet_panels import Cell, Row

#: Narrowest sheet whose words can be read.
LEAST_WIDTH_PX = 900
#: Margin, room between panels, text, headings and title of a sheet of this width, pixels.
_FULL_WIDTH_PX, _MARGIN, _GAP, _TEXT, _HEADING, _TITLE = 1800, 60, 56, 20, 25, 36

Panel = Callable[[Page, Cell], int]


def patch_sheet(
    patch: HeightPatch, facts: Sequence[Row] = (), *, title: str | None = None, width_px: int = 1800
) -> np.ndarray:
    """Draw the sheet.

    Parameters
    ----------
    patch : any size; outside its ``inside`` there is background
    facts : rows of (name, value) to print; default: size and roughness
    title : default: the patch's name
    width_px : of the sheet, 900 or more; words and drawings grow with it, the close relief keeps a pixel a texel

    Returns
    -------
    uint8 (rows, width_px, 3), sRGB; as many rows as the panels take

    Raises
    ------
    PatchError : a sheet too narrow to read

    Notes
    -----
    Numbers are those of `poredepth.patch.texture`, of the patch as it is.  Of a patch with an ``inside`` the spectrum
    and the rose of directions are those of the largest upright rectangle inside, outlined in the picture of heights.
    """
    page, bottom = drawn_sheet(patch, facts, title=title, width_px=width_px)
    return page.pixels(bottom)


def drawn_sheet(patch: HeightPatch, facts: Sequence[Row], *, title: str | None, width_px: int) -> tuple[Page, int]:
    """The page of `patch_sheet`, and how many of its rows are drawn on."""
    if width_px < LEAST_WIDTH_PX:
        raise PatchError(f"sheet: width_px is {width_px}; allowed: {LEAST_WIDTH_PX} or more; 1800 suits a page")
    scale = width_px / _FULL_WIDTH_PX
    margin, gap = round(scale * _MARGIN), round(scale * _GAP)
    sizes = Sizes(round(scale * _TEXT), round(scale * _HEADING), scale * 1.25)
    found = measured(patch)
    page = Page(width_px)
    row = _title(page, margin, patch, title, round(scale * _TITLE), sizes) + gap // 2
    rows: list[list[Panel]] = [
        [
            lambda page, cell: panels.relief_panel(page, cell, patch, sizes),
            lambda page, cell: panels.tiling_panel(page, cell, patch, sizes),
        ],
        [
            lambda page, cell: panels.heights_panel(page, cell, patch, found, sizes),
            lambda page, cell: panels.likeness_panel(page, cell, patch, found, sizes),
            lambda page, cell: panels.facts_panel(page, cell, facts or panels.own_facts(patch, found), sizes),
        ],
        [
            lambda page, cell: panels.waves_panel(page, cell, found, sizes),
            lambda page, cell: panels.direction_panel(page, cell, patch, found, sizes),
            lambda page, cell: panels.counts_panel(page, cell, patch, found, sizes),
        ],
    ]
    for drawn in rows:
        width = (width_px - 2 * margin - (len(drawn) - 1) * gap) // len(drawn)
        row = max(panel(page, Cell(margin + k * (width + gap), row, width)) for k, panel in enumerate(drawn))
        row += round(0.7 * gap)
    return page, row


def _title(page: Page, margin: int, patch: HeightPatch, title: str | None, size_px: int, sizes: Sizes) -> int:
    """Title and size of the patch; returns the row below."""
    width = page.width_px - 2 * margin
    text = broken(patch.name if title is None else title, size_px, width)[0]
    page.text(margin, margin + 0.6 * size_px, text, size_px, anchor="ls")
    row = margin + round(1.0 * size_px)
    return round(page.paragraph(margin, row, width, panels.size_text(patch), sizes.text, ink=QUIET))
