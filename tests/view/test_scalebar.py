"""The scale bar is as long as it says."""

import re

import numpy as np
import pytest

from poredepth.view.clay import INK_RGB
from poredepth.view.scalebar import BAR_SHARE, LEAST_WIDTH_PX, choose_bar, with_scale_bar


def bar_length_px(canvas: np.ndarray, rows: int) -> int:
    """Longest run of ink in any row below the picture: letters are far narrower."""
    longest = 0
    for row in (canvas[rows:] == INK_RGB).all(axis=2):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
        longest = max([longest, *(edges[1::2] - edges[::2])])
    return int(longest)


@pytest.mark.parametrize("mm_per_px", [0.0037, 0.0101, 0.0336, 0.05, 0.2, 1.7])
@pytest.mark.parametrize("width_px", [200, 640, 1024, 2000])
def test_the_bar_in_the_picture_is_its_label_within_a_pixel(mm_per_px, width_px):
    image = np.full((100, width_px, 3), 150, np.uint8)
    canvas = with_scale_bar(image, mm_per_px, "cheek")
    label_mm = float(re.fullmatch(r"([\d.e+-]+) mm", choose_bar(width_px, mm_per_px).label)[1])
    assert abs(bar_length_px(canvas, 100) - label_mm / mm_per_px) <= 1


@pytest.mark.parametrize("mm_per_px", np.geomspace(0.001, 3, 40))
def test_the_bar_is_a_round_number_near_a_fifth_of_the_width(mm_per_px):
    bar = choose_bar(1000, mm_per_px)
    digit = float(f"{bar.length_mm:e}".split("e")[0])
    assert digit in (1.0, 2.0, 5.0)
    # the widest gap between neighbours is 2 to 5: nearest in ratio is off by sqrt(2.5) at most
    assert 1 / 1.59 <= bar.length_px / (BAR_SHARE * 1000) <= 1.59


def test_labels_read_as_people_write_them():
    assert choose_bar(1000, 0.025).label == "5 mm"
    assert choose_bar(1000, 0.0025).label == "0.5 mm"
    assert choose_bar(1000, 0.5).label == "100 mm"


def test_the_picture_itself_is_untouched():
    image = np.random.default_rng(1).integers(0, 255, (60, 500, 3), np.uint8)
    np.testing.assert_array_equal(with_scale_bar(image, 0.05, "x")[:60], image)
    narrow = with_scale_bar(image[:, :100], 0.05, "x")
    left = (LEAST_WIDTH_PX - 100) // 2
    np.testing.assert_array_equal(narrow[:60, left : left + 100], image[:, :100])


def test_a_long_caption_is_shortened_and_stays_inside():
    image = np.full((40, 360, 3), 150, np.uint8)
    canvas = with_scale_bar(image, 0.05, "a region with a very long name " * 5)
    ink_columns = np.flatnonzero((canvas[40:] == INK_RGB).all(axis=2).any(axis=0))
    assert 200 < ink_columns.max() < 360 - 5
