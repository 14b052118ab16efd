"""The sheet of a patch shows what it says: read back from its pixels and from the words beside them."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from shared_data import FOLDER

from poredepth.errors import PatchError
from poredepth.patch.types import HeightPatch
from poredepth.view import sheet_panels
from poredepth.view.callouts import INK, MARK, ODD
from poredepth.view.clay import BACKGROUND_RGB
from poredepth.view.page import Page, Word
from poredepth.view.patch_sheet import drawn_sheet, patch_sheet
from poredepth.view.relief import raking_relief
from poredepth.view.scalebar import choose_bar
from poredepth.view.sheet_diagrams import Sizes
from poredepth.view.sheet_panels import Cell
from poredepth.view.sheet_pictures import BLANK_RGB, reduced_relief

TEXEL_MM = 0.02
HEADINGS = ["Relief, close", "Tiled, 3 x 3", "Heights", "Autocorrelation", "Facts", "Spectrum", "Directions"]
HEADINGS.append("Histogram of heights")
SIZES = Sizes(20, 25, 1.25)


def noise(shape=(120, 150), sigma=2.0, mode="wrap", seed=1, sq_mm=0.01):
    """Smooth random heights, mm; by default they tile."""
    height = gaussian_filter(np.random.default_rng(seed).standard_normal(shape), sigma, mode=mode)
    return (sq_mm * height / height.std()).astype(np.float32)


def grating(length_mm, turn_deg, shape=(500, 500), amplitude_mm=0.01):
    """A sine wave whose furrows run at ``turn_deg``, anticlockwise from the right; rows run down."""
    rows, cols = np.indices(shape) + 0.5
    across = np.radians(turn_deg + 90)
    along = TEXEL_MM * (cols * np.cos(across) - rows * np.sin(across))
    return amplitude_mm * np.sin(2 * np.pi * along / length_mm)


class Sheet:
    """A drawn sheet: its pixels and its words."""

    def __init__(self, patch: HeightPatch, facts=(), **options):
        self.page, bottom = drawn_sheet(patch, facts, **{"title": None, "width_px": 1800} | options)
        self.image = self.page.pixels(bottom)
        self.headings = {w.text: w for w in self.page.words if w.text in [*HEADINGS, "The whole patch"]}

    def box(self, heading: str) -> tuple[int, int, int, int]:
        """Left, top, right and bottom of a panel: up to the next panel to the right and the next row."""
        left, top = (int(x) for x in self.headings[heading].box[:2])
        others = [w.box for w in self.headings.values()]
        right = min([x for x, y, *_ in others if x > left + 50 and abs(y - top) < 12], default=self.image.shape[1])
        bottom = min([y for _, y, *_ in others if y > top + 50], default=self.image.shape[0])
        return left, top, int(right), int(bottom)

    def words(self, heading: str) -> list[Word]:
        left, top, right, bottom = self.box(heading)
        return [w for w in self.page.words if left - 1 <= w.box[0] < right - 5 and top <= w.box[1] < bottom - 12]

    def text(self, heading: str) -> str:
        return " ".join(w.text for w in self.words(heading)[1:])

    def pixels_of(self, heading: str, ink) -> np.ndarray:
        """Places (n, 2), x and y, of pixels of exactly one colour in a panel."""
        left, top, right, bottom = self.box(heading)
        rows, cols = np.nonzero((self.image[top:bottom, left:right] == ink).all(axis=2))
        return np.column_stack([cols + left + 0.5, rows + top + 0.5])


def middle_of(words: list[Word], text: str) -> tuple[float, float]:
    [word] = [w for w in words if w.text == text]
    left, top, right, bottom = word.box
    return 0.5 * (left + right), 0.5 * (top + bottom)


@pytest.fixture(scope="module")
def grating_sheet():
    return Sheet(HeightPatch("grating", grating(1.0, 90.0), TEXEL_MM))


def test_the_spectrum_of_a_grating_peaks_at_its_wavelength_and_at_its_sq(grating_sheet):
    """A sine of amplitude a has Sq a / sqrt(2) (closed form); read off by the numbers written on the edges."""
    words = grating_sheet.words("Spectrum")
    curve = grating_sheet.pixels_of("Spectrum", MARK)
    top = curve[curve[:, 1] == curve[:, 1].min()]
    x_edge = [w for w in words if re.fullmatch(r"[\d.]+", w.text) and w.box[1] > curve[:, 1].max()]
    y_edge = [w for w in words if re.fullmatch(r"[\d.]+", w.text) and w not in x_edge and w.box[2] < curve[:, 0].min()]
    assert abs(top[:, 0].mean() - middle_of(x_edge, "1")[0]) <= 2.0
    (_, one), (_, ten) = middle_of(y_edge, "1"), middle_of(y_edge, "10")
    read_um = 10 ** ((one - top[0, 1]) / (one - ten))
    assert read_um == pytest.approx(10 / np.sqrt(2), rel=0.04)
    assert "most at 1 mm" in grating_sheet.text("Spectrum")


def test_marks_stand_at_the_cutoffs_and_at_two_texels(grating_sheet):
    """Dashes of the marks' colour, at the places the numbers on the edge give: log axis, by hand."""
    words = grating_sheet.words("Spectrum")
    marks = grating_sheet.pixels_of("Spectrum", ODD)
    edge = [w for w in words if w.box[1] > marks[:, 1].max()]
    (tenth, _), (one, _) = middle_of(edge, "0.1"), middle_of(edge, "1")
    for mm in (0.04, 0.8, 2.5):
        expected = one + (one - tenth) * np.log10(mm)
        assert (np.abs(marks[:, 0] - expected) < 1.6).sum() > 100


@pytest.mark.parametrize("turn_deg", [20.0, 75.0, 130.0])
def test_the_line_of_the_lay_runs_along_the_furrows(turn_deg):
    sheet = Sheet(HeightPatch("turned", grating(0.5, turn_deg, (300, 340)), TEXEL_MM, False, lay_deg=turn_deg + 40))
    places = sheet.pixels_of("Directions", ODD)
    x, y = (places - places.mean(axis=0)).T
    drawn_deg = np.degrees(0.5 * np.arctan2(2 * (x * -y).mean(), (x * x).mean() - (y * y).mean())) % 180
    assert drawn_deg == pytest.approx(turn_deg, abs=0.4)
    text = sheet.text("Directions")
    assert float(re.search(r"measured: ([\d.]+) deg", text)[1]) == pytest.approx(turn_deg, abs=0.5)
    assert f"Stated: {(turn_deg + 40) % 180:g} deg" in text


def test_relief_alike_in_all_directions_has_no_lay():
    sheet = Sheet(HeightPatch("even", noise((300, 300)), TEXEL_MM))
    assert "No lay" in sheet.text("Directions")
    assert len(sheet.pixels_of("Directions", ODD)) == 0


def test_the_ramp_of_heights_is_numbered_and_coloured_as_the_picture():
    """A plane from 0 to 50 um: the colour at a place of the picture is that of the ramp at its height."""
    height = np.tile(np.linspace(0, 0.05, 400), (400, 1))
    sheet = Sheet(HeightPatch("ramp", height, TEXEL_MM, False))
    assert re.search(r"Ramp from 0\.0 to 50\.0 um", sheet.text("Heights"))
    assert "a plane makes 100 % of Sq squared" in sheet.text("Heights")
    words = sheet.words("Heights")
    (_, unit_row) = middle_of(words, "um")
    legend = [w for w in words if re.fullmatch(r"\d+", w.text) and 0 < unit_row - w.box[3] < 40]
    row_of_ramp = int(min(w.box[1] for w in legend)) - 18
    mm_row = middle_of(words, "mm")[1]
    edge = [w for w in words if re.fullmatch(r"[\d.]+", w.text) and 0 < mm_row - w.box[3] < 40]
    left, right = middle_of(edge, "1")[0], middle_of(edge, "7")[0]
    for um in (10, 20, 40):
        x_ramp = round(middle_of(legend, f"{um}")[0])
        x_picture = round(left + (um / 50 * 8 - 1) / 6 * (right - left))
        on_ramp, in_picture = sheet.image[row_of_ramp, x_ramp], sheet.image[int(edge[0].box[1]) - 150, x_picture]
        assert np.abs(on_ramp.astype(int) - in_picture).max() <= 2


def tiling(patch):
    """The panel of copies alone, as pixels of the picture and as words."""
    page, cell = Page(900), Cell(20, 20, 800)
    bottom = sheet_panels.tiling_panel(page, cell, patch, SIZES)
    left, top, width = cell.drawing(SIZES)
    return page.pixels(bottom)[top:, left:], page, width


def test_no_line_shows_where_copies_meet_and_one_does_if_they_do_not():
    """Steps between columns at the border are as those within, in the pixels of the panel itself."""
    smooth = noise((400, 400), 6.0)
    torn = noise((400, 400), 6.0, mode="nearest")
    found = {}
    for name, height in (("smooth", smooth), ("torn", torn)):
        pixels, _, width = tiling(HeightPatch(name, height, TEXEL_MM))
        tile = width // 3
        picture = pixels[: 3 * tile, : 3 * tile, 1].astype(float)
        np.testing.assert_array_equal(picture[20 : tile - 20, :tile], picture[20 : tile - 20, tile : 2 * tile])
        steps = np.abs(np.diff(picture[20 : tile - 20], axis=1)).mean(axis=0)
        meet = [k * tile + d for k in (1, 2) for d in (-2, -1, 0)]
        within = np.delete(steps, [0, *meet])  # the first column has the slope over the border, too
        found[name] = (steps[meet].mean() - within.mean()) / within.std()
    assert abs(found["smooth"]) < 2.5
    assert found["torn"] > 10


def test_the_middle_copy_is_ticked_at_its_corners_only():
    patch = HeightPatch("x", noise((90, 90), 3.0), TEXEL_MM)
    pixels, _, width = tiling(patch)
    tile = width // 3
    one = reduced_relief(patch, (tile, tile), sheet_panels.LIGHT)
    differs = (pixels[: 3 * tile, : 3 * tile] != np.tile(one, (3, 3, 1))).any(axis=2)
    rows, cols = np.nonzero(differs)
    near_row, near_col = (np.abs(at[:, None] - [tile, 2 * tile]).min(axis=1) for at in (rows, cols))
    assert (np.maximum(near_row, near_col) <= 8).all()
    assert 20 < len(rows) < 4 * 26


def test_a_patch_that_does_not_tile_is_shown_once():
    sheet = Sheet(HeightPatch("once", noise(mode="nearest"), TEXEL_MM, False))
    assert "Tiled, 3 x 3" not in sheet.headings
    assert "does not tile" in sheet.text("The whole patch")


def test_the_close_relief_is_the_middle_of_the_patch_a_pixel_a_texel():
    """Bit for bit the raking relief of the middle, whose slopes at the cut know the texels beyond it."""
    height = noise((900, 1000), 3.0)
    sheet = Sheet(HeightPatch("close", height, TEXEL_MM))
    step = TEXEL_MM * np.eye(2)
    whole = raking_relief(np.pad(height, 1, mode="wrap"), step[0], step[1])[1:-1, 1:-1]
    left, top, _, _ = sheet.box("Relief, close")
    cell = Cell(left, round(sheet.headings["Relief, close"].box[3]) - 25, 812)
    x, y, side = cell.drawing(SIZES)
    expected = whole[(900 - side) // 2 :, (1000 - side) // 2 :][:side, :side]
    shifts = [(dy, dx) for dy in range(-8, 9) for dx in range(-2, 3)]
    assert any((sheet.image[y + dy :, x + dx :][:side, :side] == expected).all() for dy, dx in shifts)
    assert "one pixel a texel of 20 um; heights x 1" in sheet.text("Relief, close")
    assert "light from 135 deg" in sheet.text("Relief, close")


def test_the_scale_bar_is_as_long_as_it_says():
    sheet = Sheet(HeightPatch("bar", noise((800, 800)), TEXEL_MM))
    bar = choose_bar(754, TEXEL_MM)
    rows = sheet.pixels_of("Relief, close", INK)
    label_row = middle_of(sheet.words("Relief, close"), bar.label)[1]
    on_bar = rows[np.abs(rows[:, 1] - label_row) < 1]
    first = on_bar[:, 0].min()
    run = on_bar[on_bar[:, 0] < first + bar.length_px + 3]
    assert len(np.unique(run[:, 0])) == pytest.approx(float(bar.label.split()[0]) / TEXEL_MM, abs=1)


def test_the_contour_and_sal_of_a_known_autocorrelation():
    """Noise under a Gaussian of sigma has exp(-r^2 / 4 sigma^2): 0.2 at 2 sigma sqrt(ln 5) (closed form)."""
    sheet = Sheet(HeightPatch("gauss", noise((1200, 1200), 5.0), TEXEL_MM))
    expected_mm = 2 * 5 * TEXEL_MM * np.sqrt(np.log(5))
    told_mm = float(re.search(r"Sal ([\d.]+) mm", sheet.text("Autocorrelation"))[1])
    assert told_mm == pytest.approx(expected_mm, rel=0.03)
    words = sheet.words("Autocorrelation")
    unit_row = middle_of(words, "moved by, mm")[1]
    edge_row = max(w.box[1] for w in words if 0 < unit_row - w.box[3] < 40)
    edge = {float(w.text): 0.5 * (w.box[0] + w.box[2]) for w in words if abs(w.box[1] - edge_row) < 3}
    low, high = min(edge), max(edge)
    px_per_mm = (edge[high] - edge[low]) / (high - low)
    left, top, right, _ = sheet.box("Autocorrelation")
    frame_bottom = round(edge_row) - 15
    # the contour is of the paper's colour, which is bluer than the bright end of the ramp
    blue = sheet.image[top + 55 : frame_bottom, left + 60 : right - 60, 2].astype(int)
    rows, cols = np.nonzero(blue > 215)
    away = np.hypot(cols - cols.mean(), rows - rows.mean())
    assert np.quantile(away, 0.9) / px_per_mm == pytest.approx(expected_mm, rel=0.04)


def test_the_histogram_tells_skewness_and_which_way_it_is():
    """Heights of -exp: skewness of the exponential distribution is 2, kurtosis 9 (closed form)."""
    height = -0.01 * np.random.default_rng(3).exponential(size=(500, 500))
    sheet = Sheet(HeightPatch("pored", height, TEXEL_MM))
    text = sheet.text("Histogram of heights")
    assert float(re.search(r"Ssk (-?\d+\.\d+)", text)[1]) == pytest.approx(-2, abs=0.06)
    assert float(re.search(r"Sku (\d+\.\d+)", text)[1]) == pytest.approx(9, abs=0.8)
    assert "more depth than height" in text
    assert "inside out" in Sheet(HeightPatch("bumps", -height, TEXEL_MM)).text("Histogram of heights")


def test_facts_are_printed_and_long_ones_broken():
    facts = [("file", "a/" * 60 + "end.tif"), ("texels", "1000 x 1000")]
    sheet = Sheet(HeightPatch("facts", noise(), TEXEL_MM), facts)
    words = sheet.words("Facts")[1:]
    assert "".join(w.text for w in words) == "file" + "a/" * 60 + "end.tif" + "texels" + "1000 x 1000"
    assert len(words) > 5


def test_outside_is_background_and_the_rest_is_measured():
    """A disc of noise on wild heights: what is told is that of the noise."""
    height = noise((300, 340), 2.0, mode="nearest")
    rows, cols = np.indices(height.shape)
    inside = np.hypot(rows - 150, cols - 170) < 120
    sheet = Sheet(HeightPatch("disc", np.where(inside, height, 3.0), TEXEL_MM, False, inside=inside))
    expected_um = 1000 * height[inside].std(dtype=float)
    told = float(re.search(r"Sq ([\d.]+) um", sheet.text("Histogram of heights"))[1])
    assert told == pytest.approx(expected_um, rel=0.006)
    assert len(sheet.pixels_of("The whole patch", BACKGROUND_RGB)) > 0.3 * 700**2 * (1 - np.pi * 120**2 / (300 * 340))
    assert len(sheet.pixels_of("Heights", BLANK_RGB)) > 5000
    assert len(sheet.pixels_of("Heights", ODD)) > 500
    assert "outlined part" in sheet.text("Heights")


def test_flat_relief_is_said_to_be_flat():
    sheet = Sheet(HeightPatch("flat", np.full((64, 96), 0.013), TEXEL_MM))
    assert "Flat: every texel is at 13 um" in sheet.text("Heights")
    for heading in ("Autocorrelation", "Spectrum", "Directions", "Histogram of heights"):
        assert sheet.text(heading) == "Flat: there is no relief to measure."


def test_a_plane_has_no_waves():
    height = np.tile(0.001 * np.arange(300), (200, 1))
    sheet = Sheet(HeightPatch("plane", height, TEXEL_MM, False))
    assert "too small to tell waves apart" in sheet.text("Spectrum")


@pytest.mark.parametrize("shape", [(4, 4), (64, 1024), (700, 20), (4, 900)])
@pytest.mark.parametrize("periodic", [True, False])
def test_no_words_meet_on_any_sheet(shape, periodic):
    patch = HeightPatch("x" * 80, noise(shape, 1.0), TEXEL_MM, periodic)
    page, bottom = drawn_sheet(patch, (), title=None, width_px=900)
    for number, word in enumerate(page.words):
        left, top, right, low = word.box
        assert left >= 0 and right <= 900 and low <= bottom, word
        for other in page.words[:number]:
            apart = left >= other.box[2] or right <= other.box[0] or top >= other.box[3] or low <= other.box[1]
            assert apart, (word, other)


def test_the_same_patch_gives_the_same_bits():
    patch = HeightPatch("again", noise((300, 400)), TEXEL_MM)
    np.testing.assert_array_equal(patch_sheet(patch), patch_sheet(patch))


def test_a_title_replaces_the_name():
    image = patch_sheet(HeightPatch("a", noise(), TEXEL_MM), title="Cheek", width_px=900)
    assert image.dtype == np.uint8 and image.shape[1:] == (900, 3)
    page, _ = drawn_sheet(HeightPatch("a", noise(), TEXEL_MM), (), title="Cheek", width_px=900)
    assert page.words[0].text == "Cheek"


def test_a_sheet_too_narrow_is_refused():
    with pytest.raises(PatchError, match="width_px is 500; allowed: 900 or more"):
        patch_sheet(HeightPatch("a", noise(), TEXEL_MM), width_px=500)


def test_a_measured_surface_with_a_strong_lay():
    """Measured relief whose lay runs upright (see the note beside the data); stands without it."""
    path = FOLDER / "groove_616.npy"
    if not path.is_file():
        return
    texel_mm = json.loads(path.with_suffix(".json").read_text())["mm_per_px_x"]
    sheet = Sheet(HeightPatch("groove", np.load(path), texel_mm, False))
    told = float(re.search(r"measured: ([\d.]+) deg", sheet.text("Directions"))[1])
    assert abs(told - 90) < 2
    assert "Sq 93.4 um" in sheet.text("Histogram of heights")
