import numpy as np
import pytest

from poredepth.patch.synthesise.periodic import make_tile, spread_points
from poredepth.patch.synthesise.strokes import LineFamily, Stroke, draw, grow_lines, taper


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 45.0])
def test_a_straight_furrow_has_the_asked_depth_and_section(angle_deg):
    tile, n = make_tile(4, 0.02), 50
    along = np.linspace(0, 4 if angle_deg != 45 else 4 * np.sqrt(2), n)
    turn = np.radians(angle_deg)
    path = np.column_stack([np.cos(turn) * along, np.sin(turn) * along]) + 0.01  # closes over the borders
    depth = draw(tile, [Stroke(path, np.full(n, 0.03), np.ones(n))], ((0.6, 0.05), (0.4, 0.12)))
    yx = np.mgrid[0:200, 0:200] * 0.02 + 0.01 - path[0, 0]
    across = np.sin(turn) * yx[1] - np.cos(turn) * yx[0]
    period = 4 * (np.cos(np.pi / 4) if angle_deg == 45 else 1)
    across = (across + period / 2) % period - period / 2
    # the line integral of a Gaussian is a Gaussian of the distance (closed form)
    expected = 0.03 * (0.6 * np.exp(-((across / 0.05) ** 2) / 2) + 0.4 * np.exp(-((across / 0.12) ** 2) / 2))
    assert np.abs(depth - expected).max() < 0.03 * 0.03  # the bilinear spread widens it by a fraction of a texel


def test_wider_strokes_are_as_deep_and_wider():
    tile, n = make_tile(4, 0.02), 50
    path = np.column_stack([np.linspace(0, 4, n), np.full(n, 2.01)])
    section = [
        draw(tile, [Stroke(path, np.full(n, 0.03), np.full(n, width))], ((1.0, 0.05),))[:, 0] for width in (0.8, 1.4)
    ]
    widths = [2.354820 * np.sqrt((s * (np.arange(200) * 0.02 - 2.0) ** 2).sum() / s.sum()) for s in section]
    assert [s.max() for s in section] == pytest.approx([0.03, 0.03], rel=0.05)
    # full width at half depth of a Gaussian is 2.3548 sigma (closed form)
    assert widths == pytest.approx([2.3548 * 0.04, 2.3548 * 0.07], rel=0.06)


def test_depth_does_not_ripple_where_the_path_points_are_uneven():
    tile, rng = make_tile(4, 0.02), np.random.default_rng(1)
    x = np.concatenate([[0.0], np.sort(rng.random(60)) * 4, [4.0]])
    stroke = Stroke(np.column_stack([x, np.full(len(x), 2.01)]), np.full(len(x), 0.03), np.ones(len(x)))
    bottom = draw(tile, [stroke], ((1.0, 0.05),))[100]
    assert np.ptp(bottom) < 1e-5


def test_lines_follow_the_field_keep_apart_and_are_bounded():
    tile, rng = make_tile(10, 0.05), np.random.default_rng(4)
    angle = np.full((tile.count, tile.count), np.radians(30))
    family = LineFamily(1.0, 6.0, 1.0)
    lines = grow_lines(tile, angle, spread_points(tile, 0.5, rng), family, rng)
    assert len(lines) > 10
    for line in lines:
        step = np.diff(line, axis=0)
        assert np.degrees(np.arctan2(-step[:, 1], step[:, 0])) == pytest.approx(30.0, abs=1e-6)  # rows run downwards
        assert 1.0 <= len(line) * family.step_mm <= 6.0 + 1e-9
    for k, line in enumerate(lines):
        others = np.vstack(lines[:k] + lines[k + 1 :])
        gap = (line[:, None] - others[None] + 5) % 10 - 5
        assert np.hypot(gap[..., 0], gap[..., 1]).min() > 0.2


def test_taper_runs_out_smoothly():
    rise = taper(101, 0.25)
    assert rise[[0, -1]].tolist() == [0.0, 0.0]
    assert rise[25:76] == pytest.approx(1.0)
    assert rise[12] + rise[13] == pytest.approx(1.0, abs=0.01)  # the middle of the rise
