"""The plate: coordinates read off its grid are true, marks lie where they should, names keep apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heads import MARKS_CM, demo_mesh
from meshes import moved, sphere_mesh

from poredepth.errors import PoredepthError
from poredepth.surface.skin import surface_from_mesh
from poredepth.view.callouts import MARK, ODD, spaced
from poredepth.view.plate import PAPER, SUPERSAMPLES, VIEWS, _grid_places, _laid_out, head_plate, landmark_rows

CENTRE_CM = np.array([2.0, 1.0, -3.0])


@pytest.fixture(scope="module")
def ball():
    """A ball of 5 cm about (2, 1, -3) cm, its skin's left half (x above 2) to be told apart by a tint."""
    mesh = moved(sphere_mesh(5.0, 20), np.eye(3), CENTRE_CM)
    return surface_from_mesh(mesh, "cm")


def blue(image):
    return image[..., 2].astype(int) - image[..., 0] > 12


def panels_of(surface, height_px, views=tuple(VIEWS)):
    return _laid_out(surface, height_px * SUPERSAMPLES, views, 0.0)[0]


def test_the_outline_of_a_ball_lies_at_its_coordinates_on_the_grid_in_every_view(ball):
    tint = np.tile([0.1, 0.1, 0.9], (ball.n_triangles, 1))
    image = head_plate(ball, height_px=400, tint=tint)
    skin = blue(image)
    for panel, axis in zip(panels_of(ball, 400), (2, 0, 2), strict=True):
        part = skin[:, round(panel.left_px / 2) - 20 : round((panel.left_px + panel.width_px) / 2) + 20]
        cols = np.flatnonzero(part.any(axis=0)) + round(panel.left_px / 2) - 20
        rows = np.flatnonzero(part.any(axis=1))
        (_, across, x_value, x_labelled), (_, down, y_value, y_labelled) = _grid_places(ball, panel)
        read_x = np.interp([cols[0], cols[-1] + 1], *_rising(across / SUPERSAMPLES, x_value))
        read_y = np.interp([rows[0], rows[-1] + 1], *_rising(down / SUPERSAMPLES, y_value))
        assert np.sort(read_x) == pytest.approx(CENTRE_CM[axis] + [-5, 5], abs=0.03)
        assert np.sort(read_y) == pytest.approx(CENTRE_CM[1] + [-5, 5], abs=0.03)
        assert np.allclose(np.diff(x_value[x_labelled]), np.diff(x_value[x_labelled])[0])
        assert set(np.abs(np.diff(y_value[y_labelled]))) == {2.0}


def _rising(at, value):
    order = np.argsort(at)
    return at[order], value[order]


def test_lines_are_drawn_at_the_places_of_the_grid(ball):
    image = head_plate(ball, height_px=400, views=("front",))
    [panel] = panels_of(ball, 400, ("front",))
    _, across, _, labelled = _grid_places(ball, panel)[0]
    # below the ball, on the paper, between two lines across
    row = round((panel.top_px + 100 * panel.px_per_mm) / SUPERSAMPLES) + 3
    dark = PAPER.astype(int)[0] - image[row, :, 0].astype(int)
    for place in across[labelled]:
        assert dark[round(place) // 2 - 1 : round(place) // 2 + 2].max() > 25


def test_the_heads_left_is_on_the_right_of_the_front_and_alone_in_the_left_side(ball):
    left = ball.corner_mm[..., 0].mean(axis=1) > 20
    tint = np.where(left[:, None], [0.1, 0.1, 0.9], [0.7, 0.6, 0.5])
    image = blue(head_plate(ball, height_px=300, tint=tint, grid=False))
    share = []
    for panel in panels_of(ball, 300):
        low, high = panel.left_px / 2, (panel.left_px + panel.width_px) / 2
        halves = image[:, round(low) : round(low + high) // 2], image[:, round(low + high) // 2 : round(high)]
        share.append([half.mean() for half in halves])
    assert share[0] == [0, 0]
    assert share[1][0] < 0.01 < 0.5 < share[1][1]
    assert min(share[2]) > 0.5


def test_both_profiles_look_at_the_front():
    """The nose tip of the demo head is the skin nearest to the front view in both side views."""
    surface = surface_from_mesh(demo_mesh(), "cm")
    image = head_plate(surface, height_px=300, tint=np.tile([0.1, 0.1, 0.9], (surface.n_triangles, 1)), grid=False)
    right, front, left = panels_of(surface, 300)
    row = round((front.top_px + (front.high_mm + 40.0) * front.px_per_mm) / 2)
    cols = np.flatnonzero(blue(image)[row])
    nose = [cols[cols < front.left_px / 2].max(), cols[cols > (front.left_px + front.width_px) / 2].min()]
    assert nose[0] == pytest.approx((right.left_px + right.width_px) / 2, abs=2)
    assert nose[1] == pytest.approx(left.left_px / 2, abs=2)


def test_nothing_but_the_numbers_depends_on_the_unit(ball):
    inches = replace(ball, mm_per_unit=25.4)
    mark_cm = {"top": (2.0, 6.0, -3.0)}
    mark_inch = {"top": tuple(np.array(mark_cm["top"]) / 2.54)}
    a = head_plate(ball, mark_cm, height_px=200, grid=False)
    assert np.array_equal(a, head_plate(inches, mark_inch, height_px=200, grid=False))
    assert not np.array_equal(head_plate(ball, height_px=200), head_plate(inches, height_px=200))


def _near(image, ink, col, row, reach=6):
    part = image[max(row - reach, 0) : row + reach, max(col - reach, 0) : col + reach].astype(int)
    return (np.abs(part - ink).max(axis=2) < 40).sum()


def test_marks_are_at_their_points_and_only_where_they_are_seen(ball):
    marks = {"front": (2.0, 1.0, 2.0), "left": (7.0, 1.0, -3.0), "stray": (2.0, 4.0, 4.5)}
    assert landmark_rows(ball, marks)["front"].off_mm < 0.3
    assert landmark_rows(ball, marks)["stray"].off_mm == pytest.approx(10 * (np.hypot(3, 7.5) - 5), abs=0.2)
    image = head_plate(ball, marks, height_px=400, grid=False)
    for name, ink, seen in (("front", MARK, (True, True, True)), ("left", MARK, (False, True, True)),
                            ("stray", ODD, (True, True, True))):  # fmt: skip
        for panel, expected in zip(_panels_with_names(ball, marks, 400), seen, strict=True):
            x, y, _ = panel.on_sheet(np.array([marks[name]]) * 10)[0] / SUPERSAMPLES
            assert (_near(image, ink, round(x), round(y)) > 4) == expected, (name, panel.title)


def _panels_with_names(surface, marks, height_px):
    from PIL import ImageFont

    from poredepth.view.plate import FONT_PX, _mark_text

    font = ImageFont.load_default(size=FONT_PX * SUPERSAMPLES)
    texts = [_mark_text(name, row.off_mm) for name, row in landmark_rows(surface, marks).items()]
    room = max(map(font.getlength, texts)) + 40 * SUPERSAMPLES
    return _laid_out(surface, height_px * SUPERSAMPLES, tuple(VIEWS), room)[0]


def test_it_is_a_light_plate(ball):
    image = head_plate(surface_from_mesh(demo_mesh(), "cm"), MARKS_CM, unit_name="cm", height_px=300)
    assert np.array_equal(image[0, 0], PAPER)
    assert np.median(image) > 200
    assert np.percentile(image, 1) > 60


def test_names_keep_apart_and_stay_near():
    assert spaced(np.array([10.0, 50.0, 90.0]), 20, 0, 200) == pytest.approx([10, 50, 90])
    assert spaced(np.array([50.0, 50.0]), 20, 0, 200) == pytest.approx([40, 60])
    assert spaced(np.array([100.0, 104.0, 108.0]), 20, 0, 200) == pytest.approx([84, 104, 124])
    assert spaced(np.array([2.0, 3.0]), 20, 0, 200) == pytest.approx([0, 20])
    assert spaced(np.array([198.0, 199.0]), 20, 0, 200) == pytest.approx([180, 200])
    crowd = spaced(np.sort(np.random.default_rng(0).uniform(0, 100, 30)), 7, 0, 300)
    assert np.diff(crowd).min() >= 7 - 1e-9
    assert crowd[0] >= 0 and crowd[-1] <= 300
    assert len(spaced(np.empty(0), 7, 0, 300)) == 0


def test_a_plate_without_pixels_is_refused(ball):
    with pytest.raises(PoredepthError, match="height_px is 5; allowed: 100 or more"):
        head_plate(ball, height_px=5)
