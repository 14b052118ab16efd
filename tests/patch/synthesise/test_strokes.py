import numpy as np
import pytest

from poredepth.patch.synthesise.periodic import make_tile, spread_points
from poredepth.patch.synthesise.strokes import (
    CREASE,
    FURROW,
    HAIRLINE,
    LineFamily,
    Stroke,
    StrokeRows,
    grow_lines,
    section,
    taper,
)


def drawn(tile, strokes, parts=FURROW):
    return StrokeRows(tile, strokes, parts).rows(0, tile.count).astype(float)


def level_stroke(y_mm, depth_mm, width_mm, n=50):
    """A furrow along a row that closes over the borders of a tile of 4 mm."""
    return Stroke(np.column_stack([np.linspace(0, 4, n), np.full(n, y_mm)]), np.full(n, depth_mm), np.full(n, width_mm))


def width_at_half(profile, texel_mm):
    """Width between the two places where a profile with one peak crosses half of it, linear between texels."""
    half, at = 0.5 * profile.max(), int(profile.argmax())
    right = at + int(np.argmax(profile[at:] < half))
    left = at - int(np.argmax(profile[at::-1] < half))
    right = right - 1 + (profile[right - 1] - half) / (profile[right - 1] - profile[right])
    left = left + 1 - (profile[left + 1] - half) / (profile[left + 1] - profile[left])
    return (right - left) * texel_mm


@pytest.mark.parametrize("parts", [FURROW, CREASE, HAIRLINE])
def test_a_section_is_whole_in_the_middle_half_at_half_width_and_runs_out(parts):
    assert sum(share for share, _ in parts) == pytest.approx(1.0)
    for part in section(parts):
        assert part.table[-1] == 0.0
        assert np.all(np.diff(part.table) <= 0)

    def at(half_widths):
        return sum(
            np.interp(half_widths**2, p.reach**2 * np.linspace(0, 1, len(p.table)), p.table) for p in section(parts)
        )

    assert at(0.0) == pytest.approx(1.0)
    assert at(1.0) == pytest.approx(0.5, abs=2e-3)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 45.0])
@pytest.mark.parametrize("width_mm", [0.11, 0.5])
def test_a_straight_furrow_has_the_asked_depth_and_width(angle_deg, width_mm):
    tile, n = make_tile(4, 0.01), 50
    along = np.linspace(0, 4 if angle_deg != 45 else 4 * np.sqrt(2), n)
    turn = np.radians(angle_deg)
    path = np.column_stack([np.cos(turn) * along, np.sin(turn) * along]) + 2.005  # closes over the borders
    depth = drawn(tile, [Stroke(path, np.full(n, 0.03), np.full(n, width_mm))])
    assert depth.max() == pytest.approx(0.03, rel=0.005)
    across = depth[:, 200] if angle_deg == 0 else depth[200]
    width = width_at_half(across, 0.01) * (np.sqrt(0.5) if angle_deg == 45 else 1.0)
    assert width == pytest.approx(width_mm, rel=0.02)


def test_depth_does_not_ripple_where_the_path_points_are_uneven():
    tile, rng = make_tile(4, 0.02), np.random.default_rng(1)
    x = np.concatenate([[0.0], np.sort(rng.random(60)) * 4, [4.0]])
    stroke = Stroke(np.column_stack([x, np.full(len(x), 2.01)]), np.full(len(x), 0.03), np.full(len(x), 0.1))
    assert np.ptp(drawn(make_tile(4, 0.02), [stroke])[100]) < 1e-5
    assert tile.count == 200


def test_furrows_that_meet_get_little_deeper_and_the_ridge_between_them_is_soft():
    tile = make_tile(4, 0.02)
    one, other = level_stroke(2.01, 0.03, 0.11), level_stroke(2.01, 0.03, 0.11)
    turned = Stroke(other.points_mm[:, ::-1], other.depth_mm, other.width_mm)
    crossing = drawn(tile, [one, turned])
    # 0.7 * 2^(1/6) + 0.3 * 2^(1/2): the rule of the two parts of the section, by hand
    assert crossing.max() == pytest.approx(0.03 * (0.7 * 2 ** (1 / 6) + 0.3 * 2**0.5), rel=0.01)
    left, right = level_stroke(1.75, 0.03, 0.11), level_stroke(2.25, 0.03, 0.11)
    bend = np.diff(drawn(tile, [left, right])[95:105, 50], n=2)
    alone = drawn(tile, [left])[:, 50]
    sharp = np.diff(np.maximum(alone, alone[::-1])[95:105], n=2)  # the plain deepest of the two
    assert bend.max() < 0.75 * sharp.max()


def test_a_stroke_drawn_twice_over_the_borders_is_one():
    tile = make_tile(4, 0.02)
    rng = np.random.default_rng(3)
    path = np.column_stack([np.linspace(3.2, 5.1, 20), 3.9 + 0.05 * rng.normal(size=20).cumsum()])
    here = Stroke(path, np.linspace(0.01, 0.03, 20), np.full(20, 0.1))
    there = Stroke(path - (8.0, 4.0), here.depth_mm, here.width_mm)
    assert drawn(tile, [here]) == pytest.approx(drawn(tile, [there]), abs=1e-8)


def test_rows_do_not_depend_on_where_they_begin():
    rows = StrokeRows(make_tile(4, 0.02), [level_stroke(0.03, 0.03, 0.11), level_stroke(2.01, 0.03, 0.11)])
    whole = rows.rows(0, 200)
    assert np.array_equal(np.concatenate([rows.rows(0, 77), rows.rows(77, 130), rows.rows(130, 200)]), whole)
    assert not StrokeRows(make_tile(4, 0.02), []).rows(0, 9).any()


@pytest.mark.parametrize("spacing", [0.5, 1.0])
def test_lines_follow_the_field_keep_apart_and_are_as_long_together_as_asked(spacing):
    tile, rng = make_tile(20, 0.05), np.random.default_rng(4)
    family = LineFamily(spacing, 6.0, 1.0)
    angle = np.full((45, 45), np.radians(30))
    lines = grow_lines(tile, angle, rng.permutation(spread_points(tile, 0.35 * spacing, rng)), family, rng)
    lengths = np.array([(len(line) - 1) * family.step_mm for line in lines])
    assert lengths.min() >= 1.0
    assert lengths.max() <= 6.0 + 1e-9
    for line in lines:
        step = np.diff(line, axis=0)
        assert np.degrees(np.arctan2(-step[:, 1], step[:, 0])) == pytest.approx(30.0, abs=1e-6)  # rows run downwards
    # mean distance met on a way across = area / length (stereology: number of crossings per mm is length per area)
    counted = sum(length * (1 - family.run_out(length)) for length in lengths)
    assert 400 / counted == pytest.approx(spacing, rel=0.03)
    gaps = []
    for k, line in enumerate(lines[:40]):
        others = np.vstack(lines[:k] + lines[k + 1 :])
        gap = (line[::4, None] - others[None] + 10) % 20 - 10
        gaps.append(np.hypot(gap[..., 0], gap[..., 1]).min())
    assert min(gaps) > 0.2 * spacing


def test_taper_runs_out_smoothly():
    rise = taper(101, 0.25)
    assert rise[[0, -1]].tolist() == [0.0, 0.0]
    assert rise[25:76] == pytest.approx(1.0)
    assert rise[12] + rise[13] == pytest.approx(1.0, abs=0.01)  # the middle of the rise
