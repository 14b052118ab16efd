"""The diagrams of a patch's sheet: waves, directions, likeness to itself, heights by how often."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image
from scipy import ndimage

from poredepth.view.callouts import MARK, ODD
from poredepth.view.page import GRID, PAPER_RGB, QUIET, Frame, Page, Scale, font_of, number_edges
from poredepth.view.ramp import ramp_rgb
from poredepth.view.sheet_measures import Waves

#: Likeness at which Sal and Str of ISO 25178-2 are read.
CONTOUR = 0.2
#: Decades of height below its peak that the diagram of waves shows.
DECADES = 3.5


@dataclass(frozen=True)
class Sizes:
    """Lengths of a page, pixels: ``text`` of most words, ``title`` of panels, ``line`` of drawn lines."""

    text: int
    title: int
    line: float


def draw_waves(page: Page, box: tuple[int, int, int, int], waves: Waves, marks: Sequence[float], sizes: Sizes) -> Frame:
    """Sq per octave over wavelength, with marks at the finest wave texels carry and at wavelengths ``marks``, mm.

    ``box`` : left, top, width, height of the frame, pixels.  Marks beyond the frame are left out.
    """
    finest = float(waves.length_mm[0])
    x = Scale(finest / 1.25, float(waves.length_mm[-1]) * 1.15, is_log=True)
    peak = float(waves.sq_um.max())
    y = Scale(max(peak * 10.0**-DECADES, float(waves.sq_um.min()) * 0.8), peak * 1.6, is_log=True)
    frame = Frame(*box, x, y)
    for value in frame.rows_to_number(sizes.text):
        row = frame.at(x.low, value)[1]
        page.rule(frame.left, row - 0.5, frame.right, row + 0.5, GRID)
    labels = [(finest, "2 texels"), *((mm, f"{mm:g}") for mm in marks if x.low < mm < x.high)]
    _mark_lengths(page, frame, sorted(labels), sizes)
    seen = waves.sq_um >= y.low
    page.line(frame.at(waves.length_mm[seen], waves.sq_um[seen]), MARK, 1.6 * sizes.line)
    page.outline(frame.box, QUIET)
    return frame


def _mark_lengths(page: Page, frame: Frame, labels: list[tuple[float, str]], sizes: Sizes) -> None:
    """Upright lines with their labels above the frame, on two rows so that near ones do not meet."""
    ends = [-np.inf, -np.inf]
    for mm, text in labels:
        at = float(frame.at(mm, frame.y.low)[0])
        half = 0.5 * font_of(sizes.text).getlength(text)
        left = max(at - half, frame.left)
        row = 0 if left > ends[0] + 0.4 * sizes.text else 1
        ends[row] = left + 2 * half
        top = frame.top - round((0.4 + 1.1 * row) * sizes.text)
        page.upright(at, top, frame.bottom, ODD, sizes.line)
        page.text(left, top - 0.2 * sizes.text, text, sizes.text, ink=ODD, anchor="ls")


def draw_rose(page: Page, box, waves: Waves, lines: Sequence[tuple[float, tuple]], sizes: Sizes) -> Frame:
    """How steep the relief is across each direction, as the distance from the middle; ring 1 is alike in all.

    ``lines`` : directions in degrees, anticlockwise from the right, and their ink, drawn through the middle
    """
    reach = max(1.25, 1.06 * float(waves.steepness_ratio.max()))
    frame = Frame(*box, Scale(-reach, reach), Scale(-reach, reach))
    turn = np.radians(np.arange(0, 361, 2))
    for radius in (1.0, reach):
        ring = frame.at(radius * np.cos(turn), radius * np.sin(turn))
        page.line(
            ring,
            GRID if radius > 1 else QUIET,
            sizes.line,
            dash_px=None if radius > 1 else (2.4 * sizes.line, 3.2 * sizes.line),
        )
    for deg in range(0, 180, 45):
        x, y = np.cos(np.radians(deg)), np.sin(np.radians(deg))
        page.line(frame.at(reach * np.array([-x, x]), reach * np.array([-y, y])), GRID, sizes.line)
    n = len(waves.steepness_ratio)
    at = np.pi / n * np.arange(2 * n + 1)
    petal = np.tile(waves.steepness_ratio, 3)[: 2 * n + 1]
    outline = frame.at(petal * np.cos(at), petal * np.sin(at))
    page.area(outline, MARK, 0.22)
    page.line(outline, MARK, 1.3 * sizes.line)
    for deg, ink in lines:
        x, y = reach * np.cos(np.radians(deg)), reach * np.sin(np.radians(deg))
        page.line(frame.at(np.array([-x, x]), np.array([-y, y])), ink, 1.5 * sizes.line)
    for deg, anchor, dx, dy in ((0, "lm", 1, 0), (45, "lb", 1, -1), (90, "mb", 0, -1), (135, "rb", -1, -1)):
        x, y = frame.at(reach * np.cos(np.radians(deg)), reach * np.sin(np.radians(deg)))
        pad = 0.35 * sizes.text
        page.text(x + dx * pad, y + dy * pad, f"{deg}", sizes.text, ink=QUIET, anchor=anchor)
    return frame


def draw_likeness(page: Page, box, correlation: np.ndarray, reach_mm: float, sal_mm: float, sizes: Sizes) -> Frame:
    """Autocorrelation around lag 0 as colours, the contour 0.2 around the middle, and a circle of radius Sal.

    ``correlation`` : float (2 n + 1, 2 m + 1), lag 0 in the middle; ``reach_mm`` : from there to the middle of the
    last texel of the longer side
    """
    left, top, width, height = box
    rows, cols = correlation.shape
    frame = Frame(left, top, width, height, *(_lags(side, max(rows, cols), reach_mm) for side in (cols, rows)))
    seen = Image.fromarray(correlation.astype(np.float32)).resize((width, height), Image.Resampling.BILINEAR)
    seen = np.asarray(seen, np.float32)
    low = min(float(seen.min()), 0.0)
    image = ramp_rgb((seen - low) / (1 - low)).astype(np.float32)
    share = contour_share(seen, CONTOUR, 1.5 * sizes.line)
    image += share[..., None] * (np.array(PAPER_RGB, np.float32) - image)
    page.picture(left, top, np.rint(image).astype(np.uint8))
    if np.isfinite(sal_mm) and sal_mm < frame.x.high:
        turn = np.linspace(0, 2 * np.pi, 181)
        page.line(
            frame.at(sal_mm * np.cos(turn), sal_mm * np.sin(turn)),
            PAPER_RGB,
            sizes.line,
            dash_px=(3.2 * sizes.line, 3.2 * sizes.line),
        )
    page.outline(frame.box, QUIET)
    return frame


def _lags(side: int, longest: int, reach_mm: float) -> Scale:
    """Ends of an axis of lags: outer edges of its texels."""
    high = reach_mm * side / max(longest - 1, 1)
    return Scale(-high, high)


def contour_share(values: np.ndarray, level: float, width_px: float) -> np.ndarray:
    """How much of each pixel the contour around the middle's high part covers, float32 (rows, cols), 0 to 1."""
    label, _ = ndimage.label(values >= level)
    middle = label == label[values.shape[0] // 2, values.shape[1] // 2]
    if label[values.shape[0] // 2, values.shape[1] // 2] == 0:
        return np.zeros(values.shape, np.float32)
    down, right = (np.gradient(values, axis=axis) if values.shape[axis] > 1 else 0 for axis in (0, 1))
    away_px = np.abs(values - level) / np.maximum(np.hypot(down, right), 1e-6)
    share = np.clip(0.5 * width_px + 0.5 - away_px, 0, 1)
    near = ndimage.binary_dilation(middle, iterations=3) & ~ndimage.binary_erosion(middle, iterations=3, border_value=1)
    return (share * near).astype(np.float32)


def draw_legend(page: Page, box, scale: Scale, unit: str, sizes: Sizes, mark: float | None = None) -> int:
    """A level ramp with its numbers and unit; returns the row below."""
    left, top, width, height = box
    page.picture(left, top, np.tile(ramp_rgb(np.linspace(0, 1, width))[None], (height, 1, 1)))
    frame = Frame(left, top, width, height, scale, Scale(0, 1))
    if mark is not None:
        x = frame.at(mark, 0)[0]
        page.rule(x - sizes.line, top, x + sizes.line, top + height, PAPER_RGB)
    page.outline(frame.box, QUIET)
    return number_edges(page, frame, sizes.text, sides="x", x_unit=unit)


def draw_counts(page: Page, box, count: np.ndarray, ends_um: tuple[float, float], sq_um: float, sizes: Sizes) -> Frame:
    """Share of texels by height, with marks at the mean and one Sq either side, and the bell of the same Sq.

    ``count`` : (n,), of equal steps between ``ends_um``, um above the mean; all texels together are ``count.sum()``
    """
    low, high = ends_um
    step = (high - low) / len(count)
    percent = 100 * count / max(count.sum(), 1) / step
    bell_at = np.linspace(low, high, 241)
    bell = 100 / (sq_um * np.sqrt(2 * np.pi)) * np.exp(-0.5 * (bell_at / sq_um) ** 2)
    frame = Frame(*box, Scale(low, high), Scale(0, 1.12 * float(max(percent.max(), bell.max()))))
    edge = np.repeat(low + step * np.arange(len(count) + 1), 2)
    outline = frame.at(edge, np.concatenate([[0], np.repeat(percent, 2), [0]]))
    page.area(outline, MARK, 0.30)
    page.line(outline, MARK, sizes.line)
    page.line(frame.at(bell_at, bell), QUIET, sizes.line, dash_px=(3.2 * sizes.line, 3.2 * sizes.line))
    for value in (-sq_um, 0.0, sq_um):
        if low <= value <= high:
            x = float(frame.at(value, 0)[0])
            page.upright(x, frame.top - 0.3 * sizes.text, frame.bottom, ODD, sizes.line)
    _sq_labels(page, frame, sq_um, sizes)
    page.outline(frame.box, QUIET)
    return frame


def _sq_labels(page: Page, frame: Frame, sq_um: float, sizes: Sizes) -> None:
    """Names of the marks, those of Sq moved aside where they would meet the mean's."""
    row = frame.top - 0.5 * sizes.text
    x = frame.at(np.array([-sq_um, 0.0, sq_um]), 0)[:, 0]
    apart = 0.5 * (font_of(sizes.text).getlength("mean") + font_of(sizes.text).getlength("+Sq")) + 0.4 * sizes.text
    page.text(x[1], row, "mean", sizes.text, ink=ODD, anchor="ms")
    if frame.left <= x[0]:
        page.text(min(x[0], x[1] - apart), row, "-Sq", sizes.text, ink=ODD, anchor="ms")
    if x[2] <= frame.right:
        page.text(max(x[2], x[1] + apart), row, "+Sq", sizes.text, ink=ODD, anchor="ms")
