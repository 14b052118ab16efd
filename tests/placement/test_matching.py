import numpy as np
import pytest
from meshes import flat_surface

from poredepth.patch.synthesise import pores
from poredepth.patch.types import HeightPatch
from poredepth.placement.matching import Pieces, likeness, row_pairs
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.surface.directions import direction_field
from poredepth.surface.skin import refined

SURFACE = refined(flat_surface(40, 40, 10), 3.0)
FIELD = direction_field(SURFACE, [np.array([[5, 20, 0], [35, 20, 0.0]])])
EVERY = np.ones(SURFACE.n_triangles, bool)


def _lay(patch, **keys):
    return scatter(SURFACE, FIELD, EVERY, [patch], ScatterSpec(9, 0.5, seed=3, name="m", **keys))


def _noise(seed=0):
    return HeightPatch("noise", np.random.default_rng(seed).normal(0, 0.01, (400, 400)), 0.05)


def test_row_pairs_are_all_pairs_of_each_triangle_in_order():
    pairs = row_pairs(np.array([0, 0, 3, 4, 6]))
    assert list(zip(pairs.first, pairs.second, strict=True)) == [(0, 1), (0, 2), (1, 2), (4, 5)]
    assert pairs.start.tolist() == [0, 0, 3, 3, 4]


def test_no_pairs_at_all():
    pairs = row_pairs(np.array([0, 1, 2]))
    assert len(pairs.first) == 0
    assert pairs.start.tolist() == [0, 0, 0]


def test_unrelated_prints_of_noise_have_no_likeness():
    prints = _lay(_noise(), matched=False)
    assert np.abs(prints.likeness).mean() < 0.12
    assert prints.likeness.mean() == pytest.approx(0, abs=0.02)


def test_equal_prints_have_likeness_one():
    """Prints that all continue one sheet show the same where they meet: the blend is then the plain average."""
    patch = _noise()
    prints = _lay(patch, matched=False)
    rows = _sheet_rows(prints)
    at = SURFACE.points_mm(prints.centre_triangle, prints.centre_barycentric)[:, :2]
    one_sheet = Pieces(np.zeros(len(at), np.int32), at, np.zeros(len(at)))
    found = likeness(rows, row_pairs(prints.start), [patch], one_sheet, prints.sharpness)
    met = found != 0  # prints that share a triangle but never a point have none
    assert met.mean() > 0.8
    assert found[met] == pytest.approx(1.0, abs=1e-3)
    opposite = HeightPatch("wave", np.tile(np.sin(np.arange(400) / 400 * 40 * np.pi) * 0.01, (400, 1)), 0.05)
    half_wave = Pieces(
        np.zeros(len(at), np.int32), at + np.arange(len(at))[:, None] % 2 * [0.5, 0.0], np.zeros(len(at))
    )
    found = likeness(rows, row_pairs(prints.start), [opposite], half_wave, prints.sharpness)
    assert found.min() == pytest.approx(-0.5)  # held clear of cancelling out
    assert found.max() == pytest.approx(1.0, abs=1e-3)


def _sheet_rows(prints):
    """Sheet coordinates again: on a plane with a constant field they are positions about the centre."""
    from poredepth.placement.matching import SheetRows

    at = SURFACE.points_mm(prints.centre_triangle, prints.centre_barycentric)[:, :2]
    uv = SURFACE.corner_mm[prints.row_triangle][..., :2] - at[prints.print_id][:, None]
    return SheetRows(prints.start, prints.print_id, uv, prints.corner_weight.astype(float))


def test_matched_pieces_agree_better_than_random_ones():
    patch = HeightPatch("pores", pores(20.0, 0.04, seed=4), 0.04)
    random, matched = _lay(patch, matched=False), _lay(patch)
    assert np.array_equal(random.centre_triangle, matched.centre_triangle)
    assert random.likeness.mean() < 0.05
    assert matched.likeness.mean() > 0.12


def test_a_wave_runs_on_from_print_to_print():
    x = (np.arange(400) + 0.5) * 0.05
    patch = HeightPatch("wave", np.tile(0.01 * np.sin(2 * np.pi * x), (400, 1)), 0.05, lay_deg=90.0)
    assert _lay(patch, matched=False).likeness.mean() < 0.2
    found = _lay(patch).likeness
    assert np.median(found[found != 0]) > 0.95
    assert np.percentile(found[found != 0], 10) > 0.6


def test_neighbours_do_not_show_the_same_piece():
    """No two prints near each other have centres at nearly the same place of the patch, nor one go on in the other."""
    patch = HeightPatch("pores", pores(20.0, 0.04, seed=4), 0.04)
    prints = _lay(patch)
    centre = SURFACE.points_mm(prints.centre_triangle, prints.centre_barycentric)[:, :2]
    place = np.array([prints.centre_barycentric[p] @ prints.corner_mm[_row(prints, p)] for p in range(prints.n_prints)])
    gap = np.abs(place[:, None] - place[None]) % 20
    gap = np.linalg.norm(np.minimum(gap, 20 - gap), axis=2)
    near = np.linalg.norm(centre[:, None] - centre[None], axis=2) < 8
    np.fill_diagonal(near, False)
    assert gap[near].min() > 1.5


def _row(prints, p):
    first, last = prints.start[prints.centre_triangle[p]], prints.start[prints.centre_triangle[p] + 1]
    return first + int(np.flatnonzero(prints.print_id[first:last] == p)[0])


def test_matching_is_the_same_every_time():
    patch = HeightPatch("pores", pores(20.0, 0.04, seed=4), 0.04)
    assert np.array_equal(_lay(patch).corner_mm, _lay(patch).corner_mm)


def test_patch_smaller_than_a_print_and_a_single_print():
    small = HeightPatch("small", np.random.default_rng(0).normal(0, 0.01, (64, 32)), 0.05)
    assert np.isfinite(_lay(small).corner_mm).all()
    tiny = refined(flat_surface(3, 3, 2), 3.0)
    prints = scatter(
        tiny, direction_field(tiny, []), np.ones(tiny.n_triangles, bool), [small], ScatterSpec(9, 0.5, seed=3, name="m")
    )
    assert prints.n_prints >= 1
    assert np.isfinite(prints.likeness).all()


def test_a_flat_patch_is_laid_without_trouble():
    flat = HeightPatch("flat", np.zeros((100, 100)), 0.1)
    assert np.isfinite(_lay(flat).likeness).all()
