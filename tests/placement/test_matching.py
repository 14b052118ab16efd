from functools import cache

import numpy as np
import pytest
from meshes import flat_surface
from reference import disks, meetings, products, splatted
from scipy import ndimage

from poredepth.patch.synthesise import pores
from poredepth.patch.types import HeightPatch
from poredepth.placement import matching_kernels as kernels
from poredepth.placement.matching import Pieces, _Heights, likeness, row_pairs
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


@cache
def _pores() -> HeightPatch:
    return HeightPatch("pores", pores(20.0, 0.04, seed=4), 0.04)


@cache
def _pores_laid():
    return _lay(_pores())


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
    random, matched = _lay(_pores(), matched=False), _pores_laid()
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


def test_a_print_does_not_merely_go_on_in_its_neighbours_piece():
    """That agrees best of all, and would end in the patch's plain tiling: where prints meet, the same way up, they show
    places of the patch at least GO_ON_RATIO of a diameter apart, less what two search cells of 0.2 mm can err."""
    prints = _pores_laid()
    pairs = row_pairs(prints.start)
    edge = prints.corner_mm[:, 1] - prints.corner_mm[:, 0]
    alike = np.einsum("nx,nx->n", edge[pairs.first], edge[pairs.second]) > 0
    meet = alike & (prints.likeness != 0)
    apart = (prints.corner_mm[pairs.first] - prints.corner_mm[pairs.second]).mean(axis=1) % 20
    apart_mm = np.linalg.norm(np.minimum(apart, 20 - apart), axis=1)[meet]
    print(f"{meet.sum()} meetings the same way up, at least {apart_mm.min():.2f} mm apart in the patch")
    assert meet.sum() > 500
    assert apart_mm.min() > 0.15 * 9 - 0.4


def test_neighbours_do_not_show_the_same_piece():
    """No two prints near each other have centres at nearly the same place of the patch."""
    prints = _pores_laid()
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
    assert np.array_equal(_lay(_pores()).corner_mm, _pores_laid().corner_mm)


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


@pytest.mark.parametrize("turn_rad", [0.0, 0.4, np.pi - 1.0])
def test_splatting_equals_its_slow_twin(turn_rad):
    """Comparison points of five prints met, some beyond the (periodic) patch; some show another picture."""
    rng = np.random.default_rng(8)
    cell_mm = np.array([0.5, 0.4])
    points = np.column_stack(
        [
            rng.uniform(-30, 30, (500, 2)),
            rng.uniform(0.05, 1, 500),
            rng.uniform(-30, 30, (500, 2)),
            rng.integers(-1, 5, 500),
            rng.normal(0, 1, 500),
        ]
    )
    images = np.zeros((2, 24, 40), np.float32)
    going_on, energy = kernels.splat_points(points, turn_rad, cell_mm, images)
    want, want_going_on, want_energy = splatted(points, turn_rad, (24, 40), cell_mm)
    assert np.abs(images - want).max() < 1e-5
    assert going_on == pytest.approx(want_going_on, abs=1e-9)
    assert energy == pytest.approx(want_energy, rel=1e-12)


def test_splatting_takes_up_to_64_prints_and_leaves_out_the_shifts_of_more():
    rng = np.random.default_rng(9)
    points = np.column_stack([rng.uniform(0, 5, (300, 5)), np.arange(300) % 70, rng.normal(size=300)])
    images = np.zeros((2, 8, 8), np.float32)
    going_on, _ = kernels.splat_points(points, 0.0, np.array([1.0, 1.0]), images)
    assert going_on == pytest.approx(splatted(points, 0.0, (8, 8), np.array([1.0, 1.0]))[1][:64], abs=1e-9)
    assert images[0].sum() == pytest.approx(points[:, 2].sum(), rel=1e-6)


@pytest.mark.parametrize("radius_mm", [0.0, 0.3, 1.7, 4.0])
def test_marking_disks_equals_its_slow_twin(radius_mm):
    rng = np.random.default_rng(10)
    cell_mm = np.array([0.5, 0.4])
    centre_mm = rng.random((6, 2)) * [0.5 * 40, 0.4 * 24]
    out = np.zeros((24, 40), bool)
    kernels.mark_disks(centre_mm, radius_mm, cell_mm, out)
    assert np.array_equal(out, disks((24, 40), centre_mm, radius_mm, cell_mm))
    assert out.any() == (radius_mm > 0.1)


def test_a_mark_stays_when_others_are_made():
    out = np.zeros((8, 8), bool)
    out[3, 3] = True
    kernels.mark_disks(np.array([[0.0, 0.0]]), 1.1, np.array([1.0, 1.0]), out)
    assert {tuple(at) for at in np.argwhere(out)} == {(3, 3), (0, 0), (1, 0), (0, 1), (7, 0), (0, 7)}


def test_meeting_points_equal_their_slow_twin():
    """Two pictures: prints met that show the other one have no number, but a height all the same."""
    prints = _lay(_noise(), matched=False)
    rows = _sheet_rows(prints)
    rng = np.random.default_rng(11)
    laid, picture = rng.random(prints.n_prints) < 0.5, rng.integers(0, 2, prints.n_prints).astype(np.int32)
    turn, shift = rng.uniform(0, 6, prints.n_prints), rng.uniform(0, 20, (prints.n_prints, 2))
    coarse = [rng.normal(size=(24, 40)), rng.normal(size=(10, 16))]
    cell_mm = np.array([[0.5, 0.4], [0.7, 1.1]])
    packed = _Heights.of(coarse, cell_mm)
    row_triangle = np.repeat(np.arange(len(rows.start) - 1), np.diff(rows.start))
    strangers = []
    for own in (0, 7, 20):
        laid[own] = False
        got = kernels.comparison_points(
            np.flatnonzero(rows.print_id == own), row_triangle, rows.start, rows.print_id, rows.uv_mm, rows.weight,
            0.3, 3, laid, turn, shift, picture, packed.flat, packed.rows, packed.cell_mm,
        )  # fmt: skip
        want = meetings(rows, own, laid, turn, shift, 0.3, 3)
        met = want[:, 5].astype(int)
        height = np.empty(len(want))
        for i, one in enumerate(coarse):
            here = picture[met] == i
            at = np.array([want[here, 4] / cell_mm[i, 1] - 0.5, want[here, 3] / cell_mm[i, 0] - 0.5])
            height[here] = ndimage.map_coordinates(one, at, order=1, mode="grid-wrap")
        want[:, 5] = np.where(picture[met] == picture[own], met, -1)
        assert len(want) > 100
        strangers.append((want[:, 5] < 0).mean())
        assert got == pytest.approx(np.column_stack([want, height]), abs=1e-9)
    assert 0.1 < np.mean(strangers) < 0.9


def test_products_of_two_prints_equal_their_slow_twin():
    patches = [_noise(), HeightPatch("coarse", np.random.default_rng(1).normal(0, 0.01, (90, 120)), 0.11)]
    prints = _lay(patches[0], matched=False)
    rows, pairs = _sheet_rows(prints), row_pairs(prints.start)
    place = prints.corner_mm.astype(float)
    row_picture = (rows.print_id % 2).astype(np.int32)
    chosen = np.random.default_rng(12).permutation(len(pairs.first))[:400]
    sums = np.zeros((40, 3))
    upwards = [np.ascontiguousarray(patch.height_mm[::-1]) for patch in patches]
    packed = _Heights.of(upwards, [(patch.texel_mm, patch.texel_mm) for patch in patches])
    kernels.pair_products(
        pairs.first[chosen], pairs.second[chosen], np.arange(400) % 40, place, rows.weight, 5, row_picture, packed.flat,
        packed.rows, packed.cell_mm, 0.4, sums,
    )  # fmt: skip
    want = np.zeros((40, 3))
    for i, (e, f) in enumerate(zip(pairs.first[chosen], pairs.second[chosen], strict=True)):
        shown = [(upwards[row_picture[row]], patches[row_picture[row]].texel_mm) for row in (e, f)]
        want[i % 40] += products(e, f, place, rows.weight, 5, shown, 0.4)
    assert (want[:, 1:] > 0).all()
    assert sums == pytest.approx(want, rel=1e-6, abs=1e-12)
