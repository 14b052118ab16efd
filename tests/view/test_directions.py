"""The drawing of directions: lines run along the field, never over a silhouette; singular points are marked."""

import numpy as np
import pytest
from meshes import flat_mesh, sphere_mesh
from scipy.ndimage import gaussian_filter

from poredepth.errors import RegionError
from poredepth.pipeline import prepare_ground
from poredepth.recipe import recipe_from_dict
from poredepth.view import line_kernels
from poredepth.view.directions import INK_RGB, PAPER_RGB, direction_picture


def ground_of(mesh, directions, **keys):
    data = {"poredepth": 1, "mesh": {"file": "head.obj", "unit": "mm"}, "directions": directions, **keys}
    return prepare_ground(recipe_from_dict(data, check_files=False), mesh=mesh)


def drawn(noise, triangle, way, depth, slack, half_px):
    out = np.zeros(noise.shape, np.float32)
    arrays = (np.asarray(a, np.float32) for a in (way, depth, slack))
    line_kernels.draw_out(np.asarray(noise, np.float32), np.asarray(triangle, np.int32), *arrays, half_px, out)
    return out


def twin(noise, triangle, way, depth, slack, half_px):
    """The same, pixel by pixel, from the definition."""

    def followed(r, c, sign):
        place, step, values = np.array([c + 0.5, r + 0.5]), sign * way[triangle[r, c]], []
        for _ in range(half_px):
            place = place + step
            col, row = np.floor(place).astype(int)
            if not (0 <= row < noise.shape[0] and 0 <= col < noise.shape[1]) or triangle[row, col] < 0:
                break
            if abs(depth[row, col] - depth[r, c]) > min(slack[row, col], slack[r, c]):
                break
            values.append(noise[row, col])
            following = way[triangle[row, col]]
            step = following if following @ step >= 0 else -following
            r, c = row, col
        return values

    out = np.zeros(noise.shape)
    for r, c in np.argwhere(triangle >= 0):
        values = [noise[r, c], *followed(r, c, 1), *followed(r, c, -1)]
        out[r, c] = sum(values) / np.sqrt(len(values))
    return out


def test_the_kernel_follows_lines_as_its_slow_twin_does():
    rng = np.random.default_rng(3)
    shape = 40, 34
    triangle = (np.arange(40 * 34) % 300).reshape(shape)
    triangle[rng.random(shape) < 0.03] = -1
    angle = np.round(rng.uniform(0, np.pi, 300), 3)
    way = np.column_stack([np.cos(angle), np.sin(angle)])
    depth, slack = rng.normal(0, 2, shape), rng.uniform(1, 8, shape)
    noise = rng.normal(size=shape)
    single = [np.asarray(a, np.float32).astype(float) for a in (way, depth, slack)]
    found, expected = drawn(noise, triangle, way, depth, slack, 9), twin(noise, triangle, *single, 9)
    assert (np.abs(found - expected) < 1e-4).mean() > 0.999  # a step may round over a pixel's edge
    assert found.std() == pytest.approx(1, abs=0.15)  # white noise keeps its spread


def test_along_a_straight_field_it_is_a_running_mean():
    noise = np.random.default_rng(1).normal(size=(9, 200))
    out = drawn(noise, np.zeros((9, 200)), [[1, 0]], np.zeros((9, 200)), np.ones((9, 200)), 12)
    expected = np.stack([np.convolve(row, np.ones(25), "same") for row in noise]) / 5
    assert out[:, 12:-12] == pytest.approx(expected[:, 12:-12], abs=1e-4)


def test_lines_end_at_silhouettes_and_at_the_edge_of_the_skin():
    """Left half near, right half 50 px behind, bottom row empty: each half is what it is without the other."""
    rng = np.random.default_rng(1)
    triangle = np.zeros((20, 40), int)
    triangle[-1] = -1
    depth = np.zeros((20, 40))
    depth[:, 20:] = -50
    noise = rng.normal(size=(20, 40))
    other = noise.copy()
    other[:, 20:], other[-1] = rng.normal(size=(20, 20)), 99
    way = [[np.cos(0.4), np.sin(0.4)]]
    one, two = (drawn(n, triangle, way, depth, np.full((20, 40), 3.0), 15) for n in (noise, other))
    assert np.array_equal(one[:-1, :20], two[:-1, :20])
    assert np.abs(one[:-1, 20:] - two[:-1, 20:]).min() > 0
    joined = drawn(other, triangle, way, 0 * depth, np.full((20, 40), 3.0), 15)
    assert not np.array_equal(joined[:-1, :20], two[:-1, :20])


def darkness(picture, size_px):
    """Ink of the drawing itself, without the strip, form taken off."""
    grey = picture.image[:size_px, (picture.image.shape[1] - size_px) // 2 :][:, :size_px].astype(float).mean(axis=2)
    return -(grey - gaussian_filter(grey, 12))


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 115.0])
def test_lines_on_a_plate_lie_along_its_guide(angle_deg):
    """By the structure tensor (Bigun & Granlund 1987) and the autocorrelation, long along and short across."""
    way = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg)), 0])
    ground = ground_of(flat_mesh(), [{"points": [[20, 20, 0], (np.array([20, 20, 0]) + 9 * way).tolist()]}])
    ink = darkness(direction_picture(ground, size_px=256), 256)[40:-40, 40:-40]
    down, right = np.gradient(gaussian_filter(ink, 1.5))  # lines of a pixel or two are too fine for differences
    across = 0.5 * np.angle(((right - 1j * down) ** 2).sum())  # rows run down
    off = np.degrees(across) + 90 - angle_deg
    assert abs((off + 90) % 180 - 90) < 2
    power = np.abs(np.fft.fft2(ink - ink.mean())) ** 2
    correlation = np.fft.ifft2(power).real
    correlation /= correlation[0, 0]

    def at(distance, turn_deg):
        t = np.radians(angle_deg + turn_deg)
        return correlation[-round(distance * np.sin(t)), round(distance * np.cos(t))]

    assert at(8, 0) > 0.35
    assert abs(at(8, 90)) < 0.15


def test_singular_points_are_marked_where_they_are():
    rings = {"around": [23, 16, 0], "radius_mm": 14, "way": "rings"}
    ground = ground_of(flat_mesh(40, 40, 20), [rings])
    seen = direction_picture(ground, size_px=400)
    assert seen.index.sum() == 1.0 and seen.is_seen.all()  # one turn, or two halves side by side
    assert np.linalg.norm(seen.singular_mm - [23, 16, 0], axis=1).max() < 3
    assert seen.mm_per_px == pytest.approx(40 * 1.12 / 400)
    col, row = 200 + (seen.singular_mm[0, :2] - 20) * [1, -1] / seen.mm_per_px
    assert np.abs(seen.image[round(row), round(col)].astype(int) - INK_RGB).max() < 12
    ring = seen.image[round(row), round(col + 3.1)].astype(int)
    assert np.abs(ring - PAPER_RGB).max() < 60  # a rim of paper, so that the dot stands out on dark lines


def test_points_behind_the_head_are_counted_but_not_seen():
    rays = {"around": [0, 0, 30], "radius_mm": 20, "way": "rays"}
    ground = ground_of(sphere_mesh(30, 12), [rays])
    front, back = (direction_picture(ground, size_px=200, azimuth_deg=turn) for turn in (0, 180))
    assert front.index.sum() == back.index.sum() == 2.0  # Euler characteristic of a sphere
    ahead = front.singular_mm[:, 2] > 0
    assert np.array_equal(front.is_seen, ahead) and np.array_equal(back.is_seen, ~ahead)
    assert 0 < ahead.sum() < len(ahead)


def test_a_plate_seen_from_behind_shows_nothing():
    seen = direction_picture(ground_of(flat_mesh(), []), size_px=100, azimuth_deg=180)
    assert (seen.image[:100, 130:230] == PAPER_RGB).all()


def test_outside_the_region_lines_are_faint_and_it_fills_the_picture():
    ground = ground_of(
        flat_mesh(80, 80, 40),
        [{"points": [[20, 20, 0], [60, 24, 0]]}],
        regions={
            "disk": {"center": [40, 40, 0], "radius_mm": 12, "feather_mm": 0},
            "far": {"center": [5, 5, 0], "radius_mm": 2},
            "off": {"intersect": ["disk", "far"]},
        },
    )
    seen = direction_picture(ground, "disk", size_px=200)
    assert 24 < 200 * seen.mm_per_px < 40
    ink = darkness(seen, 200)
    y, x = (np.indices((200, 200)) - 99.5) * seen.mm_per_px
    distance = np.hypot(x, y)
    assert ink[(distance > 13) & (np.abs(x) < 15) & (np.abs(y) < 15)].std() < 0.4 * ink[distance < 11].std()
    with pytest.raises(RegionError, match="region 'off' is empty"):
        direction_picture(ground, "off", size_px=100)


def test_the_same_picture_twice():
    ground = ground_of(sphere_mesh(30, 8), [])
    a, b = (direction_picture(ground, size_px=120, pitch_deg=20).image for _ in range(2))
    assert np.array_equal(a, b)
