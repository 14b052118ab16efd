"""Painted masks at seams: nothing from outside the charts, and differences between the two sides are told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_mesh, two_charts_mesh
from meshes_traps import halves
from recipes import composed_of, relief_patch, scatter_layer
from reference import holders, texel_centre_uv
from scipy import ndimage

from poredepth import compose, random_skin_points
from poredepth.mix.edges import Edges
from poredepth.patch.bands import Cutoffs
from poredepth.recipe.model_skin import RegionSpec
from poredepth.surface import masks
from poredepth.surface.masks import MaskSeamWarning, filled_beside_charts, sample_pictures, seam_difference
from poredepth.surface.points import SkinPoints
from poredepth.surface.regions import build_regions, region_weight
from poredepth.surface.skin import refined, surface_from_mesh


def _painted(surface, value_of, n=256, outside=0.0):
    """A mask of n x n texels: ``value_of(place in mm)`` where a texel's centre lies in a chart, unpadded."""
    picture = np.full(n * n, outside, np.float32)
    triangle, barycentric = holders(texel_centre_uv(1001, n), surface.corner_uv, surface.tri_face)
    inside = triangle >= 0
    picture[inside] = value_of(surface.points_mm(triangle[inside], barycentric[inside]))
    return picture.reshape(n, n), inside.reshape(n, n)


def _seam_points(surface, n=2000):
    """Points of the skin within 0.02 mm of the seam x = 20, on both sides."""
    points = random_skin_points(surface, 400_000, np.random.default_rng(0))
    x = surface.points_mm(points.triangle, points.barycentric.astype(float))[:, 0]
    near = np.flatnonzero(np.abs(x - 20) < 0.02)[:n]
    return SkinPoints(points.triangle[near], points.barycentric[near])


ATLASES = {
    "two charts, one mirrored": two_charts_mesh(),
    "two charts, one turned": halves(
        lambda x, y: (0.6 + 0.35 * (0.8 * x + 0.6 * y), 0.3 + 0.35 * (-0.6 * x + 0.8 * y))
    ),
}


@pytest.mark.parametrize("atlas", ATLASES)
@pytest.mark.parametrize("outside", [0.0, 0.7])
def test_a_mask_of_one_without_padding_is_one_at_the_seam(atlas, outside):
    s = surface_from_mesh(ATLASES[atlas], "mm")
    picture, _ = _painted(s, lambda at: 1.0, outside=outside)
    points = _seam_points(s)
    # as painted, the outside shows: a half of it at the border, more or less by where texels lie
    before = sample_pictures(s, {1001: picture.copy()}, points.triangle, points.barycentric)
    assert 0.2 < (before.mean() - outside) / (1 - outside) < 0.8
    field = build_regions(s, {"m": RegionSpec(mask="m")}, lambda name: {1001: picture})["m"]
    assert np.abs(region_weight(s, field, points.triangle, points.barycentric) - 1).max() < 1e-6
    everywhere = random_skin_points(s, 50_000, np.random.default_rng(1))
    assert np.abs(region_weight(s, field, everywhere.triangle, everywhere.barycentric) - 1).max() < 1e-6


def test_a_layer_through_an_unpadded_mask_has_no_dark_line_along_the_seam():
    mesh = ATLASES["two charts, one turned"]
    s = surface_from_mesh(mesh, "mm")
    picture, _ = _painted(s, lambda at: 1.0)
    plain = composed_of(
        mesh, "mm", {"relief": relief_patch()}, [scatter_layer("relief", 16.0)], output={"size_px": 256}
    )
    field = build_regions(plain.surface, {"m": RegionSpec(mask="m")}, lambda name: {1001: picture})["m"]
    masked = _with_region(plain, field)
    assert np.abs(compose(masked)[1001].height_mm - compose(plain)[1001].height_mm).max() < 1e-7
    assert compose(plain)[1001].height_mm.std() > 0.003


def _with_region(composition, field):
    edges = Edges(composition.surface, {"m": field})
    fields = edges.fields("m", Cutoffs(2.5, 0.8))
    ground = replace(composition.ground, edges=edges)
    return replace(composition, ground=ground, layers=tuple(replace(x, regions=fields) for x in composition.layers))


def test_only_texels_beside_charts_are_set_and_to_the_nearest_inside():
    """Against distances by brute force (scipy's exact Euclidean transform)."""
    s = surface_from_mesh(two_charts_mesh(), "mm")
    rng = np.random.default_rng(3)
    picture = rng.random((128, 160)).astype(np.float32)  # not square
    rows, cols = np.indices(picture.shape)
    at = np.column_stack([(cols.ravel() + 0.5) / 160, 1 - (rows.ravel() + 0.5) / 128])
    inside = (holders(at, s.corner_uv, s.tri_face)[0] >= 0).reshape(picture.shape)
    got = filled_beside_charts(s, {1001: picture.copy(), 1002: picture.copy()})
    assert np.array_equal(got[1002], picture)  # no chart there
    got = got[1001]
    assert np.array_equal(got[inside], picture[inside])
    away, (r, c) = ndimage.distance_transform_edt(~inside, return_indices=True)
    beside = ~inside & (away <= 1.0)
    assert beside.sum() > 400
    # equally near ones may be taken in any order
    options = np.stack(
        [np.roll(np.pad(picture, 1), (dr, dc), (0, 1))[1:-1, 1:-1] for dr, dc in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    )
    is_inside = np.stack(
        [np.roll(np.pad(inside, 1), (dr, dc), (0, 1))[1:-1, 1:-1] for dr, dc in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    )
    assert ((options == got) & is_inside).any(axis=0)[beside].all()
    alone = ~inside & (away > 3.0)
    assert np.array_equal(got[alone], picture[alone])


def test_a_chart_too_small_to_hold_a_texel_centre_keeps_what_is_painted():
    mesh = halves(lambda x, y: (0.8 + 0.001 * x, 0.3002 + 0.001 * y))
    s = surface_from_mesh(mesh, "mm")
    picture = np.full((64, 64), 0.25, np.float32)
    points = random_skin_points(s, 500, np.random.default_rng(0), s.corner_mm[..., 0].mean(axis=1) > 20)
    got = sample_pictures(s, filled_beside_charts(s, {1001: picture}), points.triangle, points.barycentric)
    assert got == pytest.approx(0.25, abs=1e-7)


def test_pictures_that_may_not_be_written_are_left_alone():
    s = surface_from_mesh(two_charts_mesh(), "mm")
    picture, _ = _painted(s, lambda at: 1.0)
    kept = picture.copy()
    picture.setflags(write=False)
    assert (filled_beside_charts(s, {1001: picture})[1001] != kept).any()
    assert np.array_equal(picture, kept)


def test_a_mask_painted_alike_on_both_sides_is_not_told():
    """Smooth over the seam, and with a hard edge across it, in charts of other densities: a warning is an error."""
    s = surface_from_mesh(two_charts_mesh(40, 4, shrink=0.3), "mm")
    for value_of in (lambda at: at[:, 0] / 40, lambda at: at[:, 1] > 17.3, lambda at: at[:, 0] + at[:, 1] > 37.2):
        picture, _ = _painted(s, value_of, 512)
        build_regions(s, {"m": RegionSpec(mask="m")}, lambda name, picture=picture: {1001: picture})
        found = seam_difference(s, {1001: picture})
        assert found is None or found.length_mm < masks.TOLD_LENGTH_MM


def test_a_difference_is_told_once_with_its_length_and_place():
    """Left of the seam 0.9, right of it 0.2 where y > 25 mm: 15 mm of seam, from [20, 25, 0] to [20, 40, 0]."""
    coarse = surface_from_mesh(two_charts_mesh(40, 4), "mm")
    s = refined(coarse, 2.0)
    picture, _ = _painted(coarse, lambda at: np.where((at[:, 0] > 20) & (at[:, 1] > 25), 0.2, 0.9), 512)
    specs = {"one": RegionSpec(mask="m.png"), "two": RegionSpec(mask="m.png", feather_mm=3)}
    with pytest.warns(MaskSeamWarning) as said:
        build_regions(s, specs, lambda name: {1001: picture})
    [warning] = said
    message = str(warning.message)
    assert message.startswith("regions.one.mask: differs on the two sides of UV seams along 15.")
    found = seam_difference(s, {1001: picture})
    assert found.length_mm == pytest.approx(15, abs=0.6)
    assert found.at_mm[0] == pytest.approx(20, abs=1e-9) and found.at_mm[1] > 25
    assert sorted(found.weight) == pytest.approx([0.2, 0.9], abs=1e-6)
    assert f"most at [20.0, {found.at_mm[1]:.1f}, 0.0] in mesh units: " in message
    for uv, weight in zip(found.uv, found.weight, strict=True):
        assert f"{weight:.2f} at u {uv[0]:.4f} v {uv[1]:.4f}" in message
    # the two UVs are the place, in the left chart and in the right one (see `two_charts_mesh`)
    y = found.at_mm[1]
    by_side = {round(float(w), 1): uv for w, uv in zip(found.weight, found.uv, strict=True)}
    assert by_side[0.9] == pytest.approx([0.02 + 0.45, 0.02 + 0.9 * y / 40], abs=1e-9)
    assert by_side[0.2] == pytest.approx([0.55 + 0.4 * y / 40, 0.05], abs=1e-9)


def test_a_difference_below_a_tenth_or_shorter_than_a_millimetre_is_not_told():
    s = surface_from_mesh(two_charts_mesh(40, 4), "mm")
    for value_of in (
        lambda at: 0.5 + 0.09 * (at[:, 0] > 20),
        lambda at: (at[:, 0] > 20) & (np.abs(at[:, 1] - 18) < 0.3),
    ):
        picture, _ = _painted(s, value_of, 512)
        build_regions(s, {"m": RegionSpec(mask="m")}, lambda name, picture=picture: {1001: picture})
    picture, _ = _painted(s, lambda at: 0.5 + 0.12 * (at[:, 0] > 20), 512)
    assert seam_difference(s, filled_beside_charts(s, {1001: picture})).length_mm == pytest.approx(40, abs=0.01)


def test_a_mesh_without_seams_has_none_to_tell():
    s = surface_from_mesh(flat_mesh(40, 40, 4), "mm")
    assert seam_difference(s, {1001: np.eye(16, dtype=np.float32)}) is None


def test_large_masks_stay_in_bounded_memory():
    """A mask of 4K needs one byte a texel beside itself."""
    import tracemalloc

    s = surface_from_mesh(two_charts_mesh(), "mm")
    n = 4096
    picture = np.zeros((n, n), np.float32)
    filled_beside_charts(s, {1001: np.zeros((64, 64), np.float32)})
    tracemalloc.start()
    got = filled_beside_charts(s, {1001: picture})
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert got[1001] is picture
    assert peak < 1.2 * n * n
