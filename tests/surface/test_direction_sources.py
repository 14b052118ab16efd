"""Sources of the direction field: what each asks for, how strongly, how far, and what is told of mistakes."""

from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_surface, sphere_surface
from skin_measure import line_angle_difference

from poredepth.errors import RegionError
from poredepth.recipe.model import DirectionSpec
from poredepth.surface.direction_sources import DirectionFiles, build_pulls
from poredepth.surface.directions import direction_field
from poredepth.surface.pulls import guide_pull
from poredepth.surface.skin import refined

FILES = DirectionFiles(lines=lambda name: [])


def field_of(surface, *entries, files=FILES):
    pulls = build_pulls(surface, [DirectionSpec(**entry) for entry in entries], files)
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
    files = DirectionFiles(lines=lambda name: [near, far, near])
    with pytest.raises(
        RegionError,
        match=r"^directions\[2\]: polyline 2 of 3 in guides\.obj: a point of the guide is 90\.0 mm from the skin; "
        r"allowed: up to 5\.7 mm",
    ):
        field_of(
            flat_surface(), {"points": near.tolist()}, {"points": near.tolist()}, {"file": "a/guides.obj"}, files=files
        )
    with pytest.raises(RegionError, match=r"^directions\[1\]: the guide has no length"):
        field_of(flat_surface(), {"points": near.tolist()}, {"points": [[5, 5, 0], [5, 5, 0]]})


def test_lines_of_a_file_follow_one_after_the_other_in_mesh_units():
    cm = replace(flat_surface(), mm_per_unit=10.0)
    line = np.array([[1, 1, 0], [3, 2, 0.0]])
    field = field_of(cm, {"file": "guides.obj"}, files=DirectionFiles(lines=lambda name: [line]))
    assert off_deg(angle_deg(cm, field), np.degrees(np.arctan2(1, 2))).max() < 1e-6


def test_a_pull_grows_with_its_strength_alone():
    s = flat_surface()
    line = [("directions[0]", np.array([[5, 5, 0], [30, 12, 0.0]]))]
    one, two = guide_pull(s, line), guide_pull(s, line, strength=2.5)
    assert two.weight == pytest.approx(2.5 * one.weight, rel=1e-12)
    assert two.target == pytest.approx(2.5 * one.target, rel=1e-12)
    assert np.abs(one.target) == pytest.approx(one.weight, rel=1e-9)
