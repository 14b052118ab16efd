"""Sources of the direction field: what each asks for, how strongly, how far, and what is told of mistakes."""

from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_mesh, flat_surface, sphere_surface, two_charts_mesh
from skin_measure import line_angle_difference

from poredepth.errors import RegionError
from poredepth.patch.angles import AnglePicture
from poredepth.recipe.model_skin import DirectionSpec
from poredepth.surface.direction_sources import DirectionInputs, build_pulls
from poredepth.surface.directions import direction_field, singular_vertices
from poredepth.surface.pulls import guide_pull, map_pull
from poredepth.surface.skin import refined, surface_from_mesh

INPUTS = DirectionInputs(lines=lambda name: [], angles=lambda name: {})


def field_of(surface, *entries, inputs=INPUTS):
    pulls = build_pulls(surface, [DirectionSpec(**entry) for entry in entries], inputs)
    return direction_field(surface, pulls=pulls)


def angle_deg(surface, field):
    """Angle of the field about +z from +x, for surfaces in the xy plane."""
    xyz = field.xyz(surface)
    return np.degrees(np.arctan2(xyz[:, 1], xyz[:, 0]))


def off_deg(a, b):
    return np.degrees(line_angle_difference(np.radians(a), np.radians(b)))


def middle(surface):
    return surface.corner_mm.mean(axis=1)


def test_where_two_guides_cross_the_direction_is_their_mean_by_strength():
    """Two short guides in one triangle: no roughness at all, so the doubled angle is the weighted mean (by hand)."""
    s = flat_surface(40, 40, 4)
    along, up = [[12, 11, 0], [16, 11, 0]], [[13, 10.5, 0], [14.5, 10.5 + 1.5 * np.sqrt(3), 0]]
    length = 4.0, 3.0
    for strength in (0.25, 1.0, 6.0):
        field = field_of(s, {"points": along}, {"points": up, "strength": strength})
        share = strength * length[1] / length[0]
        expected = 0.5 * np.degrees(np.angle(1 + share * np.exp(2j * np.pi / 3)))
        assert off_deg(angle_deg(s, field), expected).max() < 1e-6


def test_beyond_its_reach_a_guide_changes_no_bit_and_within_it_fades():
    s = refined(flat_surface(80, 80, 20), 2.0)
    base = {"points": [[2, 4, 0], [78, 4, 0]]}
    alone = field_of(s, base)
    with_short = field_of(s, base, {"points": [[40, 38, 0], [40, 46, 0]], "reach_mm": 20})
    x, y, _ = middle(s).T
    distance = np.hypot(x - 40, np.maximum(np.abs(y - 42) - 4, 0))
    beyond = distance > 20 + 1.0  # distances at vertices are good to a millimetre here
    assert np.array_equal(with_short.doubled[beyond], alone.doubled[beyond])
    angle = off_deg(angle_deg(s, with_short), 0)
    assert angle[distance < 1].min() > 80
    rings = [np.median(angle[(distance >= a) & (distance < a + 4)]) for a in (1, 6, 11, 15)]
    assert np.all(np.diff(rings) < 0) and rings[-1] < 25
    assert np.median(angle[(distance > 18) & (distance < 20)]) < 8


def test_reach_is_measured_along_the_skin():
    """The far side of a sphere is 2 radii away through the air and pi radii along the skin."""
    s = refined(sphere_surface(10, 8), 2.0)
    base = {"points": [[-8, 0, -6], [0, 0, -10], [8, 0, -6]]}
    across = {"points": [[0, -4, 9.2], [0, 4, 9.2]], "reach_mm": 24}
    alone, both = field_of(s, base), field_of(s, base, across)
    arc = 10 * np.arccos(np.clip(middle(s)[:, 2] / np.linalg.norm(middle(s), axis=1), -1, 1))
    assert np.array_equal(both.doubled[arc > 29.5], alone.doubled[arc > 29.5])
    assert (both.doubled[arc < 20] != alone.doubled[arc < 20]).all()


def test_entries_with_a_reach_are_laid_on_the_field_of_all_others():
    s = flat_surface(80, 80, 40)
    local = {"points": [[20, 38, 0], [20, 42, 0]], "reach_mm": 12}
    base = {"points": [[2, 4, 0], [78, 4, 0]]}
    assert np.array_equal(field_of(s, local, base).doubled, field_of(s, base, local).doubled)


def test_a_far_line_is_named_by_its_entry_and_its_place_in_the_file():
    near, far = np.array([[1, 1, 0], [5, 5, 0.0]]), np.array([[1, 1, 90], [5, 5, 90.0]])
    inputs = replace(INPUTS, lines=lambda name: [near, far, near])
    with pytest.raises(
        RegionError,
        match=r"^directions\[2\]: polyline 2 of 3 in guides\.obj: a point of the guide is 90\.0 mm from the skin; "
        r"allowed: up to 5\.7 mm",
    ):
        field_of(
            flat_surface(),
            {"points": near.tolist()},
            {"points": near.tolist()},
            {"file": "a/guides.obj"},
            inputs=inputs,
        )
    with pytest.raises(RegionError, match=r"^directions\[1\]: the guide has no length"):
        field_of(flat_surface(), {"points": near.tolist()}, {"points": [[5, 5, 0], [5, 5, 0]]})


def test_lines_of_a_file_follow_one_after_the_other_in_mesh_units():
    cm = replace(flat_surface(), mm_per_unit=10.0)
    line = np.array([[1, 1, 0], [3, 2, 0.0]])
    field = field_of(cm, {"file": "guides.obj"}, inputs=replace(INPUTS, lines=lambda name: [line]))
    assert off_deg(angle_deg(cm, field), np.degrees(np.arctan2(1, 2))).max() < 1e-6


def test_a_pull_grows_with_its_strength_alone():
    s = flat_surface()
    line = [("directions[0]", np.array([[5, 5, 0], [30, 12, 0.0]]))]
    one, two = guide_pull(s, line), guide_pull(s, line, strength=2.5)
    assert two.weight == pytest.approx(2.5 * one.weight, rel=1e-12)
    assert two.target == pytest.approx(2.5 * one.target, rel=1e-12)
    assert np.abs(one.target) == pytest.approx(one.weight, rel=1e-9)


def grey(angle_deg, dtype=np.uint8):
    full = np.iinfo(dtype).max
    return np.round(np.mod(angle_deg, 180) / 180 * full).astype(dtype)


def painted(pictures):
    return replace(INPUTS, angles=lambda name: pictures)


def test_a_painted_angle_is_that_angle_where_uvs_are_upright():
    s = flat_surface(40, 40, 10)
    for angle in (0.0, 30.0, 90.0, 151.2):
        picture = AnglePicture(np.full((8, 8), grey(angle)), 255.0)
        assert off_deg(angle_deg(s, field_of(s, {"map": "a.png"}, inputs=painted({1001: picture}))), angle).max() < 0.36


@pytest.mark.parametrize("mirrored", [True, False])
def test_painted_angles_come_out_right_in_turned_mirrored_and_stretched_charts(mirrored):
    """One direction on the skin, painted into both charts by hand: right of the cut u = 0.4 y and v = 0.72 x."""
    s = surface_from_mesh(two_charts_mesh(40, 20, mirrored=mirrored, shrink=0.9), "mm")
    n, way = 256, np.radians(35.0)
    picture = np.empty((n, n))
    picture[:, : n // 2] = 35.0
    flip = 1 if mirrored else -1  # unmirrored, v runs down from 0.5
    picture[:, n // 2 :] = np.degrees(np.arctan2(flip * 0.72 * np.cos(way), 0.4 * np.sin(way)))
    pictures = {1001: AnglePicture(grey(picture, np.uint16), 65535.0)}
    pull = map_pull(s, pictures)
    assert (pull.weight > 2.9).all()
    angle = np.degrees(np.angle(pull.target)) / 2
    frame_deg = np.degrees(np.arctan2(s.frame[:, 0, 1], s.frame[:, 0, 0]))
    charts = middle(s)[:, 0] < 20, middle(s)[:, 0] > 20
    for chart in charts:
        # the frame of a triangle that shows its face runs anticlockwise as the plane does
        assert off_deg(angle[chart] + frame_deg[chart], 35.0).max() < 0.3
    field = field_of(s, {"map": "a.png"}, inputs=painted(pictures))
    assert off_deg(angle_deg(s, field), 35.0).max() < 0.1


def test_between_178_and_2_degrees_lies_0_and_not_90():
    s = flat_surface(40, 40, 5)
    code = grey(np.where(np.indices((40, 40)).sum(axis=0) % 2, 178.0, 2.0), np.uint16)
    pull = map_pull(s, {1001: AnglePicture(code, 65535.0)})
    frame_deg = np.degrees(np.arctan2(s.frame[:, 0, 1], s.frame[:, 0, 0]))
    assert off_deg(np.degrees(np.angle(pull.target)) / 2 + frame_deg, 0).max() < 2.1
    assert (np.abs(pull.target) > 0.99 * pull.weight).all()


def test_alpha_is_the_strength_and_where_it_is_0_nothing_pulls():
    s = flat_surface(40, 40, 10)
    alpha = np.zeros((40, 40), np.uint8)
    alpha[:, :20] = 51
    pictures = {1001: AnglePicture(np.full((40, 40), grey(60.0)), 255.0, alpha)}
    pull = map_pull(s, pictures)
    left = middle(s)[:, 0]
    assert pull.weight[left < 18] == pytest.approx(0.2 * 3.0)
    assert (pull.weight[left > 22] == 0).all()
    guide = {"points": [[39, 1, 0], [39, 39, 0]]}
    with_guide = field_of(s, {"map": "a.png"}, guide, inputs=painted(pictures))
    assert off_deg(angle_deg(s, with_guide), 60)[left < 10].max() < 3
    assert off_deg(angle_deg(s, with_guide), 90)[left > 38].max() < 2


def test_two_maps_meet_by_their_strengths():
    s = flat_surface(40, 40, 6)
    names = {"a.png": 0.0, "b.png": 60.0}
    inputs = replace(INPUTS, angles=lambda name: {1001: AnglePicture(np.full((4, 4), grey(names[name])), 255.0)})
    field = field_of(s, {"map": "a.png", "strength": 2}, {"map": "b.png", "strength": 5}, inputs=inputs)
    expected = 0.5 * np.degrees(np.angle(2 + 5 * np.exp(2j * np.pi / 3)))
    assert off_deg(angle_deg(s, field), expected).max() < 0.4


def test_a_guide_wins_over_a_map_it_crosses():
    s = refined(flat_surface(40, 40, 10), 2.0)
    inputs = painted({1001: AnglePicture(np.full((4, 4), grey(30.0)), 255.0)})
    field = field_of(s, {"map": "a.png"}, {"points": [[20.4, 10, 0], [20.4, 30, 0]]}, inputs=inputs)
    x, y, _ = middle(s).T
    on_line = (np.abs(x - 20.4) < 0.4) & (np.abs(y - 20) < 8)
    assert off_deg(angle_deg(s, field), 90)[on_line].max() < 15
    assert off_deg(angle_deg(s, field), 30)[np.abs(x - 20) > 8].max() < 3


def test_the_reach_of_a_map_counts_from_the_painted_skin():
    s = refined(flat_surface(80, 80, 20), 2.0)
    alpha = np.zeros((64, 64), np.uint8)
    alpha[:, :16] = 255  # left of x = 20
    inputs = painted({1001: AnglePicture(np.full((64, 64), grey(60.0)), 255.0, alpha)})
    base = {"points": [[60, 40, 0], [78, 40, 0]]}
    alone, both = field_of(s, base), field_of(s, base, {"map": "a.png", "reach_mm": 15}, inputs=inputs)
    x = middle(s)[:, 0]
    assert np.array_equal(both.doubled[x > 38], alone.doubled[x > 38])
    angle = off_deg(angle_deg(s, both), 60)
    assert angle[x < 18].max() < 1
    # the doubled angle runs straight from 1 to exp(2 i 60 deg), here from the last painted triangles to x = 36.5
    assert np.median(angle[np.abs(x - 29) < 2]) == pytest.approx(30, abs=5)


def test_a_map_that_is_nowhere_on_the_skin_is_told():
    s = surface_from_mesh(flat_mesh(), "mm")
    blank = AnglePicture(np.zeros((4, 4), np.uint8), 255.0, np.zeros((4, 4), np.uint8))
    for pictures in ({1002: AnglePicture(np.zeros((4, 4), np.uint8), 255.0)}, {1001: blank}):
        with pytest.raises(RegionError, match=r"^directions\[0\]: the map asks for a direction nowhere on the skin"):
            field_of(s, {"map": "a.png"}, inputs=painted(pictures))


@pytest.mark.parametrize(("way", "turn_deg"), [("rays", 0), ("rings", 90)])
def test_rays_and_rings_on_flat_skin(way, turn_deg):
    s = refined(flat_surface(60, 60, 12), 2.5)
    entry = {"around": (31.3, 27.9, 0), "radius_mm": 20, "way": way}
    [pull] = build_pulls(s, [DirectionSpec(**entry)], INPUTS)
    x, y, _ = (middle(s) - [31.3, 27.9, 0]).T
    distance, expected = np.hypot(x, y), np.degrees(np.arctan2(y, x)) + turn_deg
    frame_deg = np.degrees(np.arctan2(s.frame[:, 0, 1], s.frame[:, 0, 0]))
    inside = pull.weight > 0
    assert np.array_equal(inside, distance < 20)
    asked = np.degrees(np.angle(pull.target[inside])) / 2 + frame_deg[inside]
    assert off_deg(asked, expected[inside]).max() < 1e-4
    fade = np.clip(1 - distance / 20, 0, 1)
    assert pull.weight == pytest.approx(3 * fade**2 * (3 - 2 * fade), abs=1e-6)
    field = field_of(s, entry)
    ring = (distance > 4) & (distance < 19)
    assert off_deg(angle_deg(s, field), expected)[ring].max() < 3
    vertex, index = singular_vertices(s, field)
    assert index.sum() == 1.0  # rays and rings turn once about their point (textbook)
    assert np.linalg.norm(s.position_mm[vertex] - [31.3, 27.9, 0], axis=1).max() < 4


def test_rays_on_a_sphere_are_its_meridians_and_cross_seams():
    """Shortest ways from a pole of a sphere are meridians (textbook); three charts of the cube meet near the point."""
    s = refined(sphere_surface(30, 12), 2.5)
    pole = np.array([1.0, 1.0, 0.8]) / np.linalg.norm([1.0, 1.0, 0.8])
    field = field_of(s, {"around": tuple(30 * pole), "radius_mm": 30, "way": "rays"})
    out = middle(s) / np.linalg.norm(middle(s), axis=1)[:, None]
    arc = 30 * np.arccos(np.clip(out @ pole, -1, 1))
    meridian = np.cross(np.cross(out, pole), out)
    meridian /= np.linalg.norm(meridian, axis=1)[:, None]
    off = np.degrees(np.arccos(np.clip(np.abs(np.einsum("tx,tx->t", field.xyz(s), meridian)), 0, 1)))
    ring = (arc > 5) & (arc < 28)
    assert len(np.unique(s.tri_chart[ring])) == 3
    print(f"rays on a sphere off meridians: median {np.median(off[ring]):.2f}, largest {off[ring].max():.2f} degrees")
    assert np.median(off[ring]) < 2 and np.percentile(off[ring], 95) < 6


def test_points_of_rays_far_away_and_radii_within_a_triangle_are_told():
    with pytest.raises(
        RegionError,
        match=r"^directions\[1\]\.around: \[20, 20, 30\] is 30\.0 mm from the skin; allowed: up to 5\.7 mm",
    ):
        field_of(
            flat_surface(),
            {"points": [[1, 1, 0], [5, 5, 0]]},
            {"around": (20, 20, 30), "radius_mm": 9, "way": "rays"},
        )
    with pytest.raises(RegionError, match=r"^directions\[0\]: radius_mm ends within one triangle of the mesh"):
        field_of(flat_surface(), {"around": (20.1, 20.1, 0), "radius_mm": 0.1, "way": "rings"})
