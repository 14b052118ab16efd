"""Nothing leaks through the air: two sheets 0.5 mm apart that face each other, as lips and eyelids do.

Two sheets that are not connected know nothing of each other.  A strip folded upon itself is the flat strip to
everything that runs along the skin: its leaves are neighbours in space only.
"""

from __future__ import annotations

import numpy as np
import pytest
from meshes import strip_mesh, two_sheets_mesh
from recipes import composed_of, grating, relief_patch, scatter_layer

from poredepth import random_skin_points
from poredepth.placement.spread import SpreadSpec, spread
from poredepth.recipe.model import RegionSpec
from poredepth.surface.directions import direction_field
from poredepth.surface.regions import build_regions, region_triangles, region_weight
from poredepth.surface.skin import refined, surface_from_mesh

SHEETS = refined(surface_from_mesh(two_sheets_mesh(), "mm"), 1.5)
FLAT, FOLDED = (refined(surface_from_mesh(strip_mesh(folded), "mm"), 1.5) for folded in (False, True))

REGIONS = {
    "group": {"group": "lower", "feather_mm": 5},
    "hard group": {"group": "lower", "feather_mm": 0},
    "disk": {"center": (10, 10, 0), "radius_mm": 6, "feather_mm": 4},
    "disk to the rim": {"center": (10, 10, 0), "radius_mm": 30, "feather_mm": 8},
}


def _weight(surface, spec, points):
    field = build_regions(surface, {"r": RegionSpec(**spec)}, lambda name: {})["r"]
    return region_weight(surface, field, points.triangle, points.barycentric)


def _on(surface, group):
    return surface.tri_group == surface.group_names.index(group)


@pytest.mark.parametrize("name", REGIONS)
def test_a_region_of_one_sheet_is_exactly_zero_on_the_other(name):
    points = random_skin_points(SHEETS, 20_000, np.random.default_rng(0))
    weight = _weight(SHEETS, REGIONS[name], points)
    lower = _on(SHEETS, "lower")[points.triangle]
    assert (weight[~lower] == 0).all()
    assert weight[lower].max() == 1
    field = build_regions(SHEETS, {"r": RegionSpec(**REGIONS[name])}, lambda name: {})["r"]
    assert not region_triangles(SHEETS, field)[_on(SHEETS, "upper")].any()


@pytest.mark.parametrize(
    "spec",
    [
        {"center": (20, 10, 0), "radius_mm": 12, "feather_mm": 10},
        {"center": (37, 10, 0), "radius_mm": 12, "feather_mm": 6},  # over the bend and on
        {"group": "first", "feather_mm": 9},
        {"group": "second", "feather_mm": 0},
    ],
)
def test_a_region_of_a_folded_strip_is_that_of_the_flat_one(spec):
    points = random_skin_points(FLAT, 20_000, np.random.default_rng(0))
    flat, folded = (_weight(s, spec, points) for s in (FLAT, FOLDED))
    # to what rounding of the positions can do to distances, beside a feather of 6 mm or a hard edge of 1 um
    assert np.abs(folded - flat).max() < 1e-5
    assert 0.05 < (flat > 0).mean() < 0.95
    if spec.get("center", (0,))[0] == 20:
        assert (folded[_on(FOLDED, "second")[points.triangle]] == 0).all()


def test_a_guide_says_nothing_to_a_sheet_that_is_not_connected():
    guide = [np.array([[4.0, 3, 0], [16, 15, 0]])]
    with_guide, without = direction_field(SHEETS, guide), direction_field(SHEETS, [])
    upper = _on(SHEETS, "upper")
    assert np.array_equal(with_guide.doubled[upper], without.doubled[upper])
    assert np.abs(with_guide.doubled[~upper] - without.doubled[~upper]).max() > 1  # it does turn its own sheet


def test_a_coarse_guide_over_a_hollow_stays_on_the_sheet_its_points_lie_on():
    """The straight line between two points of the lower sheet passes nearer to the upper one, which faces it."""
    s = refined(surface_from_mesh(two_sheets_mesh(hollow_mm=3), "mm"), 1.5)
    ends = [[2.0, 4, -3 * np.sin(0.1 * np.pi)], [18.0, 16, -3 * np.sin(0.9 * np.pi)]]
    with_guide, without = direction_field(s, [np.array(ends)]), direction_field(s, [])
    upper = _on(s, "upper")
    assert np.array_equal(with_guide.doubled[upper], without.doubled[upper])
    # and it turns its own sheet, in the middle as well as at its ends
    middle = (
        ~upper
        & (np.abs(s.corner_mm[..., 0].mean(axis=1) - 10) < 2)
        & (np.abs(s.corner_mm[..., 1].mean(axis=1) - 10) < 2)
    )
    way = with_guide.xyz(s)[middle, :2]
    assert np.abs(way @ [16, 12] / 20).min() > np.cos(np.deg2rad(8))


def test_guides_reach_the_other_leaf_of_a_fold_only_along_the_skin():
    """Two guides on the first leaf, one near its open end, one near the bend, at right angles: the field of the flat
    strip.  Above the first guide, 0.5 mm away, lies skin that is 85 mm away: it follows the second."""
    guides = [np.array([[5.0, 4, 0], [5, 16, 0]]), np.array([[30.0, 10, 0], [38, 10, 0]])]
    flat, folded = direction_field(FLAT, guides), direction_field(FOLDED, guides)
    assert np.abs(folded.doubled - flat.doubled).max() < 1e-6
    above = _on(FOLDED, "second") & (np.abs(FOLDED.corner_mm[..., 0].mean(axis=1) - 5) < 3)
    assert above.sum() > 50
    along_x = np.abs(folded.xyz(FOLDED)[above, 0])
    assert along_x.min() > np.cos(np.deg2rad(3))


def test_prints_stay_on_their_sheet_and_the_other_is_exactly_flat():
    c = composed_of(
        two_sheets_mesh(), "mm", {"relief": relief_patch()}, [scatter_layer("relief", 8.0, region="low")],
        regions={"low": {"group": "lower", "feather_mm": 4}},
    )  # fmt: skip
    points = random_skin_points(c.surface, 20_000, np.random.default_rng(0))
    lower = _on(c.surface, "lower")[points.triangle]
    height_mm = c.height_mm(points, 8192)
    assert (height_mm[~lower] == 0).all()
    assert (height_mm[lower] != 0).mean() > 0.99
    prints = c.layers[0].prints
    assert prints.n_prints > 10
    assert (np.diff(prints.start)[_on(c.surface, "upper")] == 0).all()


def test_prints_on_both_sheets_are_those_of_sheets_far_apart():
    near, far = (
        composed_of(two_sheets_mesh(gap_mm=gap_mm), "mm", {"relief": relief_patch()}, [scatter_layer("relief", 8.0)])
        for gap_mm in (0.5, 500.0)
    )
    prints, apart = near.layers[0].prints, far.layers[0].prints
    assert np.array_equal(prints.print_id, apart.print_id) and np.array_equal(prints.start, apart.start)
    assert np.abs(prints.corner_mm - apart.corner_mm).max() < 1e-6
    upper = _on(near.surface, "upper")
    assert np.array_equal(upper[prints.row_triangle], upper[prints.centre_triangle][prints.print_id])


def test_prints_of_a_fold_reach_along_the_skin_only():
    """No triangle of a print is farther from its centre, along the strip, than its reach: radius x 1.25 and an edge."""
    c = composed_of(strip_mesh(True), "mm", {"relief": relief_patch()}, [scatter_layer("relief", 8.0)])
    prints, surface = c.layers[0].prints, c.surface
    place = surface.corner_uv * 1.1 * FLAT.position_mm[:, 0].max()  # mm along and across
    centre = np.einsum("pk,pkx->px", prints.centre_barycentric, place[prints.centre_triangle])
    near = np.linalg.norm(place[prints.row_triangle] - centre[prints.print_id][:, None], axis=2).min(axis=1)
    assert near.max() < 1.25 * 4.0 + 1e-6
    # in space, prints of both leaves lie on top of each other: the test would not see a leak otherwise
    first, second = (_on(surface, name) for name in ("first", "second"))
    assert prints.n_prints > 40 and first[prints.centre_triangle].any() and second[prints.centre_triangle].any()


def test_a_spread_sheet_stays_in_its_piece_and_runs_round_a_fold():
    field = direction_field(SHEETS, [np.array([[2.0, 10, 0], [18, 10, 0]])])
    prints = spread(SHEETS, field, _on(SHEETS, "lower"), grating(), SpreadSpec())
    assert prints.n_prints == 1
    assert (np.diff(prints.start)[_on(SHEETS, "upper")] == 0).all()
    both = spread(SHEETS, field, np.ones(SHEETS.n_triangles, bool), grating(), SpreadSpec())
    assert both.n_prints == 2
    assert len(np.unique(both.print_id[_on(SHEETS, "upper")])) == 1
    guide = [np.array([[5.0, 10, 0], [35, 10, 0]])]
    flat, folded = (
        spread(s, direction_field(s, guide), np.ones(s.n_triangles, bool), grating(), SpreadSpec())
        for s in (FLAT, FOLDED)
    )
    assert folded.n_prints == 1
    assert np.abs(folded.corner_mm - flat.corner_mm).max() < 1e-3
    assert np.ptp(folded.corner_mm.reshape(-1, 2), axis=0).max() > 80  # round the bend and back
