"""The panels of a patch's sheet: each a heading, a drawing with numbered edges, and a caption."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poredepth.patch.texture import TextureParameters
from poredepth.patch.types import HeightPatch
from poredepth.recipe.rules import BANDS_DEFAULT_MM
from poredepth.units import UM_PER_MM
from poredepth.view import sheet_diagrams as diagrams
from poredepth.view.callouts import INK, ODD
from poredepth.view.clay import INK_RGB, Light
from poredepth.view.page import QUIET, Frame, Page, Scale, number_edges
from poredepth.view.scalebar import choose_bar
from poredepth.view.sheet_diagrams import Sizes
from poredepth.view.sheet_measures import Measured, height_counts
from poredepth.view.sheet_pictures import close_relief, coloured_heights, ramp_ends_um, reduced_relief

#: The light of all pictures on a sheet.
LIGHT = Light()
#: Lags that are shown at most, mm.
MOST_LAG_MM = 5.0
#: Steps of the histogram, and how many Sq its ends may lie from the mean.
N_STEPS, ENDS_SQ = 96, 8.0
#: Skewness beyond which a patch is told to be one-sided: own choice.
SKEWED = 0.3
#: Room for numbers left of a drawing, in heights of text.
_NUMBERS = 2.9
#: Room for labels above a diagram, in heights of text, and its height over its width.
_LEAD, _DIAGRAM_RATIO = 2.2, 0.68
#: A plane that makes more than this share of the square of Sq is told: own choice.
_TILTED = 0.2

Row = tuple[str, str]


@dataclass(frozen=True)
class Cell:
    """Room for a panel: left, top and width, pixels."""

    left: int
    top: int
    width: int

    def drawing(self, sizes: Sizes) -> tuple[int, int, int]:
        """Left, top and width of what stands right of numbers and below the heading."""
        numbers = round(_NUMBERS * sizes.text)
        return self.left + numbers, self.top + round(1.9 * sizes.title), self.width - numbers


def _heading(page: Page, cell: Cell, text: str, sizes: Sizes) -> None:
    page.text(cell.left, cell.top + sizes.title, text, sizes.title, anchor="ls")


def _caption(page: Page, cell: Cell, top: float, text: str, sizes: Sizes) -> int:
    return round(page.paragraph(cell.left, top + 0.5 * sizes.text, cell.width, text, sizes.text))


def _fitted(extent: tuple[float, float], width_px: int, height_px: int) -> tuple[int, int]:
    """Rows and columns of the largest picture of an extent (down, right) that fits; thin ones keep a few pixels."""
    px_per_unit = min(height_px / extent[0], width_px / extent[1])
    return tuple(max(4, round(side * px_per_unit)) for side in extent)


def _extent(patch: HeightPatch) -> tuple[float, float]:
    return patch.height_extent_mm, patch.width_mm


def relief_panel(page: Page, cell: Cell, patch: HeightPatch, sizes: Sizes) -> int:
    """The middle of the patch, a pixel a texel, under raking light; returns the row below."""
    _heading(page, cell, "Relief, close", sizes)
    left, top, width = cell.drawing(sizes)
    close = close_relief(patch, width, width, LIGHT)
    rows, cols = close.image.shape[:2]
    page.picture(left, top, close.image)
    low_x = close.left * patch.texel_mm
    low_y = (patch.height_mm.shape[0] - close.top - close.shape[0]) * patch.texel_mm
    x = Scale(low_x, low_x + close.shape[1] * patch.texel_mm)
    y = Scale(low_y, low_y + close.shape[0] * patch.texel_mm)
    row = number_edges(page, Frame(left, top, cols, rows, x, y), sizes.text, x_unit="mm")
    row = _bar_and_light(page, left, row, patch.texel_mm / close.px_per_texel, cols, sizes)
    side = "one pixel" if close.px_per_texel == 1 else f"{close.px_per_texel} x {close.px_per_texel} pixels"
    what = "The whole patch" if close.shape == patch.height_mm.shape else "The middle"
    text = f"{what}, {side} a texel of {UM_PER_MM * patch.texel_mm:g} um; heights x 1."
    return _caption(page, cell, row, text, sizes)


def _bar_and_light(page: Page, left: int, top: float, mm_per_px: float, width_px: int, sizes: Sizes) -> int:
    """Scale bar, and a dial whose hand points from where the light comes."""
    bar = choose_bar(max(width_px, 12 * sizes.text), mm_per_px)
    radius = 0.9 * sizes.text
    middle = top + radius + 0.5 * sizes.text
    thick = 2 * sizes.line
    page.rule(left, middle - thick, left + bar.length_px, middle + thick, INK)
    x = page.text(left + bar.length_px + 0.5 * sizes.text, middle, bar.label, sizes.text, anchor="lm")
    x += 3 * sizes.text + radius
    turn = np.linspace(0, 2 * np.pi, 73)
    page.line(np.column_stack([x + radius * np.cos(turn), middle + radius * np.sin(turn)]), QUIET, sizes.line)
    for deg in range(0, 360, 45):
        way = np.array([np.cos(np.radians(deg)), -np.sin(np.radians(deg))])
        page.line([(x, middle) + 0.8 * radius * way, (x, middle) + radius * way], QUIET, sizes.line)
    way = np.array([np.cos(np.radians(LIGHT.azimuth_deg)), -np.sin(np.radians(LIGHT.azimuth_deg))])
    page.line([(x, middle), (x, middle) + 1.25 * radius * way], ODD, 2 * sizes.line)
    text = f"light from {LIGHT.azimuth_deg:g} deg, {LIGHT.elevation_deg:g} deg high"
    page.text(x + radius + 0.6 * sizes.text, middle, text, sizes.text, anchor="lm")
    return round(middle + radius + 0.3 * sizes.text)


def tiling_panel(page: Page, cell: Cell, patch: HeightPatch, sizes: Sizes) -> int:
    """Three by three copies of a patch that tiles, or the whole of one that does not, under raking light."""
    left, top, width = cell.drawing(sizes)
    n = 3 if patch.periodic else 1
    _heading(page, cell, "Tiled, 3 x 3" if n == 3 else "The whole patch", sizes)
    shape = _fitted(_extent(patch), width // n, width // n)
    one = reduced_relief(patch, shape, LIGHT)
    page.picture(left, top, np.tile(one, (n, n, 1)))
    frame = Frame(
        left, top, n * shape[1], n * shape[0], Scale(0, n * patch.width_mm), Scale(0, n * patch.height_extent_mm)
    )
    if n == 3:
        _tick_corners(page, left, top, shape, sizes)
    row = number_edges(page, frame, sizes.text, x_unit="mm")
    px = patch.width_mm / shape[1]
    row = _bar_and_light(page, left, row, px, frame.width, sizes)
    if n == 3:
        text = (
            "Small crosses stand at the corners of the middle copy. Look for lines between them: there should be none."
        )
    else:
        text = "This patch does not tile, so there are no copies beside it."
    return _caption(page, cell, row, f"{text} Slopes are averaged over {_number(px)} mm a pixel.", sizes)


def _tick_corners(page: Page, left: int, top: int, shape: tuple[int, int], sizes: Sizes) -> None:
    """Small crosses at the corners of the middle tile; too small tiles have none."""
    arm = round(0.3 * sizes.text)
    if min(shape) < 6 * arm:
        return
    for row in (top + shape[0], top + 2 * shape[0]):
        for col in (left + shape[1], left + 2 * shape[1]):
            page.rule(col - arm, row, col + arm, row + 1, tuple(INK_RGB.tolist()))
            page.rule(col, row - arm, col + 1, row + arm, tuple(INK_RGB.tolist()))


def heights_panel(page: Page, cell: Cell, patch: HeightPatch, measured: Measured, sizes: Sizes) -> int:
    """The whole patch as heights, with its ramp."""
    _heading(page, cell, "Heights", sizes)
    left, top, width = cell.drawing(sizes)
    shape = _fitted(_extent(patch), width, width)
    low, high = ramp_ends_um(patch)
    page.picture(left, top, coloured_heights(patch, shape, (low, high)))
    frame = Frame(left, top, shape[1], shape[0], Scale(0, patch.width_mm), Scale(0, patch.height_extent_mm))
    page.outline(frame.box, QUIET)
    row = number_edges(page, frame, sizes.text, x_unit="mm")
    if high > low:
        legend = (left, row + round(0.6 * sizes.text), width, round(0.9 * sizes.text))
        row = diagrams.draw_legend(page, legend, Scale(low, high), "um", sizes)
        text = f"Ramp from {low:.1f} to {high:.1f} um: all but 0.1 % of the texels."
    else:
        text = f"Flat: every texel is at {_number(low)} um."
    if measured.tilt_ratio > _TILTED:
        text += f" Tilted: a plane makes {100 * measured.tilt_ratio:.0f} % of Sq squared; level it first."
    if patch.inside is not None and measured.waves is not None:
        _outline_part(page, frame, patch, measured.part, sizes)
        text += " Spectrum and directions are of the outlined part, the largest upright one inside."
    return _caption(page, cell, row, text, sizes)


def _outline_part(page: Page, frame: Frame, patch: HeightPatch, part: tuple[slice, slice], sizes: Sizes) -> None:
    rows, cols = patch.height_mm.shape
    x = np.array([part[1].start, part[1].stop]) / cols * frame.x.high
    y = (1 - np.array([part[0].start, part[0].stop]) / rows) * frame.y.high
    corners = frame.at(x[[0, 1, 1, 0, 0]], y[[0, 0, 1, 1, 0]])
    page.line(corners, ODD, 1.5 * sizes.line)


def likeness_panel(page: Page, cell: Cell, patch: HeightPatch, measured: Measured, sizes: Sizes) -> int:
    """Autocorrelation around lag 0."""
    _heading(page, cell, "Autocorrelation", sizes)
    left, top, width = cell.drawing(sizes)
    if measured.correlation is None:
        return _nothing(page, cell, sizes)
    found = measured.parameters
    cut, reach_mm = _lags(measured.correlation, patch.texel_mm, found)
    shape = _fitted(cut.shape, width, width)
    frame = diagrams.draw_likeness(page, (left, top, shape[1], shape[0]), cut, reach_mm, found.sal_mm, sizes)
    row = number_edges(page, frame, sizes.text, x_unit="moved by, mm")
    low = min(float(cut.min()), 0.0)
    legend = (left, row + round(0.6 * sizes.text), width, round(0.9 * sizes.text))
    row = diagrams.draw_legend(page, legend, Scale(low, 1.0), "autocorrelation", sizes, mark=diagrams.CONTOUR)
    most = "at most " if found.str_is_bound else ""
    sal = f"Sal {_number(found.sal_mm)} mm (dashed circle)" if np.isfinite(found.sal_mm) else "Sal beyond the patch"
    text = f"{sal}, Str {most}{_fixed(found.str_ratio)}. Line: {diagrams.CONTOUR:g}."
    return _caption(page, cell, row, text, sizes)


def _lags(correlation: np.ndarray, texel_mm: float, found: TextureParameters) -> tuple[np.ndarray, float]:
    """The middle of an autocorrelation, out to at most 5 mm, and how far it reaches along its longer side.

    Less far where relief soon stops being alike, so that the contour can be seen: 8 Sal, or 2.5 times the longest way
    to the contour.
    """
    contour_mm = max(8 * found.sal_mm, 2.5 * found.sal_mm / found.str_ratio)
    most = max(2, round((min(MOST_LAG_MM, contour_mm) if np.isfinite(contour_mm) else MOST_LAG_MM) / texel_mm))
    middle = [side // 2 for side in correlation.shape]
    reach = [min(m, side - 1 - m, most) for m, side in zip(middle, correlation.shape, strict=True)]
    cut = correlation[tuple(slice(m - r, m + r + 1) for m, r in zip(middle, reach, strict=True))]
    return cut, max(reach) * texel_mm


def waves_panel(page: Page, cell: Cell, measured: Measured, sizes: Sizes) -> int:
    """Sq per octave over wavelength."""
    _heading(page, cell, "Spectrum", sizes)
    if measured.waves is None:
        return _nothing(page, cell, sizes, _no_waves(measured))
    left, top, width = cell.drawing(sizes)
    lead = round(_LEAD * sizes.text)
    height = round(_DIAGRAM_RATIO * width)
    marks = sorted(BANDS_DEFAULT_MM.values())
    frame = diagrams.draw_waves(page, (left, top + lead, width, height), measured.waves, marks, sizes)
    row = number_edges(page, frame, sizes.text, x_unit="wavelength, mm")
    strongest = measured.waves.length_mm[int(np.argmax(measured.waves.sq_um))]
    drawn = [f"{mm:g}" for mm in marks if frame.x.low < mm < frame.x.high]
    beyond = [f"{mm:g}" for mm in marks if f"{mm:g}" not in drawn]
    text = f"Sq of each octave of wavelengths, um; most at {_number(strongest)} mm."
    if drawn:
        text += f" Marks: the bands part at {' and '.join(drawn)} mm."
    if beyond:
        text += f" Where the bands part at {' and '.join(beyond)} mm is beyond the patch."
    text += f" Texels carry nothing below {_number(measured.waves.length_mm[0])} mm."
    return _caption(page, cell, row, text, sizes)


def direction_panel(page: Page, cell: Cell, patch: HeightPatch, measured: Measured, sizes: Sizes) -> int:
    """How the relief runs: a rose of slopes, with the lay that is measured and the one that is stated."""
    _heading(page, cell, "Directions", sizes)
    if measured.waves is None:
        return _nothing(page, cell, sizes, _no_waves(measured))
    left, top, width = cell.drawing(sizes)
    lead = round(_LEAD * sizes.text)
    side = round(_DIAGRAM_RATIO * width)
    box = (cell.left + (cell.width - side) // 2, top + lead, side, side)
    lines = [(patch.lay_deg, QUIET)]
    lay_deg = measured.parameters.std_deg
    if np.isfinite(lay_deg):
        lines.append((lay_deg, ODD))
        text = f"Lay measured: {lay_deg:.1f} deg (orange)."
    else:
        text = "No lay: the relief is alike in all directions."
    frame = diagrams.draw_rose(page, box, measured.waves, lines, sizes)
    text += (
        f" Stated: {patch.lay_deg % 180:g} deg (grey). The farther out, the steeper the sides of what runs that way; "
        "dotted: alike in all directions."
    )
    return _caption(page, cell, frame.bottom + 2.45 * sizes.text + 2 * round(0.3 * sizes.text), text, sizes)


def counts_panel(page: Page, cell: Cell, patch: HeightPatch, measured: Measured, sizes: Sizes) -> int:
    """How often heights are met."""
    _heading(page, cell, "Histogram of heights", sizes)
    found = measured.parameters
    if found is None:
        return _nothing(page, cell, sizes)
    left, top, width = cell.drawing(sizes)
    lead, height = round(_LEAD * sizes.text), round(_DIAGRAM_RATIO * width)
    ends_um = max(-found.sv_um, -ENDS_SQ * found.sq_um), min(found.sp_um, ENDS_SQ * found.sq_um)
    count = height_counts(patch, *ends_um, N_STEPS)
    frame = diagrams.draw_counts(page, (left, top + lead, width, height), count, ends_um, found.sq_um, sizes)
    row = number_edges(page, frame, sizes.text, x_unit="um above the mean")
    if found.ssk < -SKEWED:
        side = "more depth than height, as skin with pores and furrows has"
    elif found.ssk > SKEWED:
        side = "more height than depth; skin is mostly the other way: is it inside out?"
    else:
        side = "as much height as depth"
    text = (
        f"Percent of texels per um; dotted: a bell of the same Sq. Sq {_number(found.sq_um)} um; "
        f"Ssk {_fixed(found.ssk)}: {side}; Sku {_fixed(found.sku)}. From {-found.sv_um:.1f} to {found.sp_um:.1f} um."
    )
    return _caption(page, cell, row, text, sizes)


def facts_panel(page: Page, cell: Cell, rows: Sequence[Row], sizes: Sizes) -> int:
    """Names and values in two columns."""
    _heading(page, cell, "Facts", sizes)
    top = cell.drawing(sizes)[1]
    names = min(0.36 * cell.width, 9 * sizes.text)
    for name, value in rows:
        below = page.paragraph(cell.left, top, names - sizes.text, name.strip(), sizes.text)
        beside = page.paragraph(cell.left + names, top, cell.width - names, value, sizes.text, ink=INK)
        top = round(max(below, beside) + 0.25 * sizes.text)
        page.rule(cell.left, top, cell.left + cell.width, top + 1, diagrams.GRID)
        top += round(0.35 * sizes.text)
    return round(top)


def own_facts(patch: HeightPatch, measured: Measured) -> list[Row]:
    """Rows for a sheet that is given none."""
    rows = [("size", size_text(patch)), ("stated lay", f"{patch.lay_deg % 180:g} deg")]
    found = measured.parameters
    if found is None:
        return [*rows, ("relief", "flat")]
    lay = f"{found.std_deg:.1f} deg" if np.isfinite(found.std_deg) else "none"
    return [
        *rows,
        ("measured lay", lay),
        ("Sa, Sq", f"{_number(found.sa_um)}, {_number(found.sq_um)} um"),
        ("Ssk, Sku", f"{_fixed(found.ssk)}, {found.sku:.2f}"),
        ("Sp, Sv, Sz", f"{_number(found.sp_um)}, {_number(found.sv_um)}, {_number(found.sz_um)} um"),
        ("Sdq, Sdr", f"{_number(found.sdq)}, {_number(100 * found.sdr)} %"),
        ("Sal, Str", f"{_number(found.sal_mm)} mm, {_fixed(found.str_ratio)}"),
    ]


def size_text(patch: HeightPatch) -> str:
    """Size on the skin, texels, and whether it tiles."""
    rows, cols = patch.height_mm.shape
    return (
        f"{_number(patch.width_mm)} x {_number(patch.height_extent_mm)} mm, {cols} x {rows} texels of "
        f"{UM_PER_MM * patch.texel_mm:.4g} um, {'tiles' if patch.periodic else 'does not tile'}"
    )


def _no_waves(measured: Measured) -> str:
    if measured.parameters is None:
        return "Flat: there is no relief to measure."
    return "The largest upright part inside is flat, or too small to tell waves apart."


def _nothing(page: Page, cell: Cell, sizes: Sizes, text: str = "Flat: there is no relief to measure.") -> int:
    """What stands in the place of a drawing that cannot be made."""
    return _caption(page, cell, cell.drawing(sizes)[1], text, sizes)


def _fixed(value: float) -> str:
    """Two decimals, and no minus before zeros."""
    return "unknown" if not np.isfinite(value) else f"{round(value, 2) + 0.0:.2f}"


def _number(value: float) -> str:
    return f"{value:.3g}"
