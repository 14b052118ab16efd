"""Numbers along edges, broken text and lines of a page."""

import numpy as np
import pytest

from poredepth.view.page import PAPER_RGB, Frame, Page, Scale, broken, dashes, font_of


def test_even_and_logarithmic_scales():
    assert Scale(2, 6).share(3) == pytest.approx(0.25)
    assert Scale(0.1, 10, is_log=True).share([0.1, 1, 10]) == pytest.approx([0, 0.5, 1])
    frame = Frame(100, 50, 200, 80, Scale(0, 10), Scale(0, 4))
    np.testing.assert_allclose(frame.at([0, 10], [0, 4]), [[100, 130], [300, 50]])


@pytest.mark.parametrize("low", [-3.0, 0.0, 0.017])
@pytest.mark.parametrize("span", [1e-4, 0.3, 7.0, 20.48, 1234.0])
@pytest.mark.parametrize("is_log", [False, True])
def test_numbers_are_round_inside_and_apart(low, span, is_log):
    if is_log:
        low = abs(low) + 0.01
    scale = Scale(low, low + span, is_log)
    values = scale.ticks(400, 44, 20)
    assert all(low - 1e-9 * span <= v <= low + span * (1 + 1e-9) for v in values)
    at = 400 * scale.share(np.array(values))
    widths = [font_of(20).getlength(f"{v:g}") for v in values]
    for k in range(len(values) - 1):
        assert at[k + 1] - at[k] >= max(44, 0.5 * (widths[k] + widths[k + 1]))
    if not is_log and span < 1e3 and low + span < 1e3:
        step = np.diff(values)
        assert np.allclose(step, step[0]) and f"{step[0]:.3e}"[0] in "125"


def test_text_is_broken_at_blanks_and_within_long_words():
    font = font_of(20)
    for text in ("one two three four five six seven", "a" * 100, "short " + "b" * 70 + " end"):
        lines = broken(text, 20, 150)
        assert all(font.getlength(line) <= 150 for line in lines)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert broken("", 20, 100) == [""]


def test_dashes_cover_their_share():
    line = np.array([[0, 0], [3, 4], [3, 14.0]])
    parts = dashes(line, 2, 3)
    lengths = [np.hypot(*np.diff(part, axis=0).T).sum() for part in parts]
    assert lengths == pytest.approx([2, 2, 2])
    np.testing.assert_allclose(parts[1], [[3, 4], [3, 6]])


def test_a_line_has_the_ink_of_its_width():
    """Coverage summed across a slanted line is its width over the cosine of its slant (plain geometry)."""
    page = Page(200)
    page.line([(10, 20), (190, 80)], (0, 0, 0), 3.0)
    image = page.pixels(100).astype(float)
    ink = (1 - image[..., 0] / PAPER_RGB[0])[:, 60:140].sum(axis=0)
    assert ink.mean() == pytest.approx(3.0 / np.cos(np.arctan2(60, 180)), rel=0.08)


def test_the_page_grows_downwards_and_keeps_what_was_drawn():
    page = Page(100)
    page.rule(10, 5, 20, 6, (0, 0, 0))
    page.picture(0, 900, np.full((50, 50, 3), 7, np.uint8))
    image = page.pixels(1000)
    assert image.shape == (1000, 100, 3)
    assert (image[5, 10:20] == 0).all() and (image[900:950, :50] == 7).all()
    assert (image[990] == PAPER_RGB).all()
