"""The contact sheet shows each tile where it lies, and averages that do not alias."""

from __future__ import annotations

import re
import tracemalloc

import numpy as np
import pytest

from poredepth.errors import MapFileError, PoredepthError
from poredepth.raster.window import Window
from poredepth.view.clay import BACKGROUND_RGB, Light
from poredepth.view.contact_sheet import contact_sheet, drawn_contact_sheet, write_contact_sheet
from poredepth.view.sheet_pictures import BLANK_RGB
from poredepth.view.tile_pictures import fitting_exaggeration, heights_picture, reduced_tile, relief_picture

OPTIONS = {"title": "Set", "formula": "height_mm = value", "skin_of": None, "width_px": 1800}


def words_of(heights_mm, texel_mm=0.05, **options):
    page, bottom = drawn_contact_sheet(heights_mm, texel_mm, **(OPTIONS | options))
    return {word.text: word.box for word in page.words}, page.pixels(bottom)


@pytest.mark.parametrize("shape, side", [((64, 64), 16), ((67, 129), 20), ((600, 1), 7), ((5, 5), 12), ((1, 1), 4)])
def test_pixels_are_means_of_the_skin_under_them(shape, side):
    """Against the integral of the map over each pixel, by sums of finely cut texels."""
    rng = np.random.default_rng(4)
    height = rng.normal(size=shape).astype(np.float32)
    skin = rng.random(shape) < 0.7
    skin.flat[0] = True
    tile = reduced_tile(height, side, 0.1, lambda window: skin[window.slices])
    fine = [np.repeat(np.repeat(x, side, 0), side, 1) for x in (np.where(skin, height, 0), skin)]
    total, share = (x.reshape(side, shape[0], side, shape[1]).mean(axis=(1, 3)) for x in fine)
    drawn = share >= 0.02
    np.testing.assert_allclose(tile.share, share, atol=1e-5)
    np.testing.assert_allclose(tile.mean_mm[drawn], (total / np.where(drawn, share, 1))[drawn], atol=2e-4)
    assert np.isnan(tile.mean_mm[~drawn]).all()
    assert (tile.low_mm, tile.high_mm) == (height[skin].min(), height[skin].max())
    assert tile.skin_ratio == skin.mean()
    assert tile.step_mm == pytest.approx((0.1 * shape[1] / side, 0.1 * shape[0] / side))


def test_waves_finer_than_a_pixel_vanish():
    """A wave of 3 texels in pixels of 32: a mean leaves at most 1 / (pi 32 / 3) of it; a sample leaves all of it."""
    col = np.arange(4096)
    height = np.broadcast_to(np.sin(2 * np.pi * col / 3), (256, 4096)).astype(np.float32)
    tile = reduced_tile(height, 128, 0.05, lambda window: np.ones(window.shape, bool))
    assert np.abs(tile.mean_mm).max() <= 1 / (np.pi * 32 / 3) + 1e-4


def test_texels_of_zero_are_no_skin_unless_told():
    height = np.zeros((40, 40), np.float32)
    height[:20] = 0.1
    tile = reduced_tile(height, 10, 0.1, None)
    assert tile.skin_ratio == 0.5 and np.isnan(tile.mean_mm[5:]).all()
    told = reduced_tile(height, 10, 0.1, lambda window: np.ones(window.shape, bool))
    assert told.skin_ratio == 1.0 and (told.low_mm, told.high_mm) == (0.0, np.float32(0.1))


def test_row_0_is_at_the_top_and_light_comes_from_its_side():
    rows, cols = np.indices((200, 200))
    hump = np.exp(-((rows - 50.0) ** 2 + (cols - 150.0) ** 2) / 400).astype(np.float32)
    tile = reduced_tile(hump, 100, 0.1, lambda window: np.ones(window.shape, bool))
    image = relief_picture(tile, Light(180.0, 18.0), 1.0).astype(int)
    # light from the left: brighter left of the hump at row 25, column 75
    assert image[25, 68, 0] > image[90, 10, 0] + 20 > image[25, 82, 0] + 60
    heights = heights_picture(tile, (0.0, 1.0)).astype(int)
    assert np.unravel_index(heights[..., 0].argmax(), (100, 100)) == pytest.approx((25, 75), abs=1)


def test_what_is_no_skin_is_ground():
    height = np.full((64, 64), 0.2, np.float32)
    height[:, 32:] = 0
    tile = reduced_tile(height, 32, 0.1, None)
    assert (relief_picture(tile, Light(), 1.0)[:, 20:] == BACKGROUND_RGB).all()
    assert (heights_picture(tile, (0, 1))[:, 20:] == BLANK_RGB).all()


@pytest.mark.parametrize("slope, factor", [(0.5, 1), (0.35, 1), (0.2, 1), (0.17, 2), (0.05, 5), (0.0034, 100), (0, 1)])
def test_heights_are_exaggerated_up_to_a_slope_of_0_35(slope, factor):
    height = np.broadcast_to(slope * 0.1 * np.arange(1, 101), (100, 100)).astype(np.float32)
    tile = reduced_tile(height, 50, 0.1, lambda window: np.ones(window.shape, bool))
    assert fitting_exaggeration([tile]) == factor


def test_tiles_lie_as_in_uv_with_their_facts():
    height = np.full((32, 32), 0.125, np.float32)
    height[0, 0] = -0.25
    height[16:] = 0
    page, _ = drawn_contact_sheet({1001: height, 1002: height, 1011: height}, 0.05, **OPTIONS)
    # numbers stand below tiles in the relief, in the corners of tiles in the heights: these have the smaller top
    x, y = {}, {}
    for word in page.words:
        if word.text in ("1001", "1002", "1011", "no 1012"):
            x.setdefault(word.text, word.box[0])
            y.setdefault(word.text, word.box[1])
    assert x["1001"] == pytest.approx(x["1011"], abs=3) and x["1001"] < x["1002"]
    assert y["1011"] < y["1001"] == y["1002"]
    assert x["no 1012"] > x["1002"] and y["no 1012"] < y["1002"]
    words = [word.text for word in page.words]
    assert "-0.250 to +0.125 mm, skin on 50 %" in words
    assert "Set" in words and "height_mm = value" in words and "height, um" in words
    assert any("3 tiles, skin on 50 % of" in text for text in words)


def test_the_scale_bar_is_as_long_as_it_says():
    words, image = words_of({1001: np.ones((512, 512), np.float32)}, texel_mm=0.1)
    [label] = [text for text in words if re.fullmatch(r"[\d.]+ mm", text)]
    left, top, _, bottom = words[label]
    row = image[round((top + bottom) / 2)]
    ink = np.flatnonzero((np.abs(row.astype(int) - (52, 56, 64)).sum(axis=1) < 6)[: int(left)])
    side_px = round(0.48 * 1800)
    assert len(ink) * 0.1 * 512 / side_px == pytest.approx(float(label.split()[0]), rel=0.01)


@pytest.mark.parametrize("tiles", [[1001], [1001, 1010], [1091], range(1001, 1101)])
def test_any_set_fits_the_page(tiles):
    rng = np.random.default_rng(1)
    page, bottom = drawn_contact_sheet(
        {tile: rng.normal(size=(16, 16)).astype(np.float32) for tile in tiles}, 0.05, **OPTIONS
    )
    for word in page.words:
        assert word.box[0] >= 40 and word.box[2] <= 1800 and word.box[3] <= bottom, word
    boxes = [w.box for w in page.words]
    for k, a in enumerate(boxes):
        for b in boxes[:k]:
            assert not (a[0] < b[2] - 1 and b[0] < a[2] - 1 and a[1] < b[3] - 1 and b[1] < a[3] - 1), (
                page.words[k],
                b,
            )


def test_flat_and_empty_sets_are_drawn():
    words, _ = words_of({1001: np.zeros((8, 8), np.float32)})
    assert "no skin" in words and any(text.startswith("Flat: all skin is at 0 um") for text in words)
    words, _ = words_of({1001: np.full((8, 8), 0.5, np.float32)})
    assert any(text.startswith("Flat: all skin is at 500 um") for text in words)


def test_wrong_sets_are_refused():
    height = np.ones((4, 4), np.float32)
    with pytest.raises(PoredepthError, match="no tiles"):
        contact_sheet({}, 0.1)
    with pytest.raises(PoredepthError, match="width_px is 800"):
        contact_sheet({1001: height}, 0.1, width_px=800)
    with pytest.raises(MapFileError, match="1001 to 1100"):
        contact_sheet({1101: height}, 0.1)


def test_a_large_map_passes_in_bounded_memory(tmp_path):
    """4096 x 4096 in a file: 64 MB of heights, read by blocks of a million texels; asked for each window once."""
    height = np.memmap(tmp_path / "heights", np.float32, "w+", shape=(4096, 4096))
    height[::7] = 0.01
    asked: list[tuple[int, Window]] = []
    tracemalloc.start()
    image = contact_sheet(
        {1001: height}, 0.05, width_px=900, skin_of=lambda t, w: asked.append((t, w)) or np.ones(w.shape, bool)
    )
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 40e6
    assert sum(window.n_rows for _, window in asked) == 4096 and {tile for tile, _ in asked} == {1001}
    path = write_contact_sheet(tmp_path, image)
    assert path.name == "contact-sheet.png" and path.stat().st_size > 1000
