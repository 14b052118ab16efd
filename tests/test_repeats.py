"""Repeats of composed relief: known tiles on known skins, the demo's cheek, and how evenly a patch is drawn from."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from meshes import flat_mesh, two_charts_mesh
from raster.test_flat_view import half_cylinder
from recipes import composed_of, relief_patch, scatter_layer
from scipy.ndimage import gaussian_filter

from poredepth import (
    HeightPatch,
    PlacementError,
    PoredepthError,
    RegionError,
    load_recipe,
    measure_all_repeats,
    measure_repeats,
    prepare,
    random_skin_points,
)
from poredepth.demo import demo_recipe_file
from poredepth.mix.bands import LayerBands, Relief
from poredepth.patch.synthesise import pores
from poredepth.placement.flatten import flatten
from poredepth.raster.flat_view import largest_piece
from poredepth.recipe.model_skin import RegionSpec
from poredepth.repeats import SEEN_PEAK
from poredepth.surface.regions import region_weight

MIDDLE = {"middle": {"center": [20, 20, 0], "radius_mm": 18, "feather_mm": 2}}
ALONG_X = [{"points": [[2, 20, 0], [38, 20, 0]]}]


@cache
def _tile(size_mm: float = 8.0, seed: int = 3) -> HeightPatch:
    """Smooth noise, Sq 20 um, on texels of 0.1 mm."""
    n = round(size_mm / 0.1)
    relief = gaussian_filter(np.random.default_rng(seed).normal(size=(n, n)), 2.0, mode="wrap")
    return HeightPatch("tile", relief * 0.02 / relief.std(), 0.1)


def _spread(mesh, **recipe):
    layer = {"name": "tiles", "patch": "tile", "place": "spread", "region": "middle"}
    return composed_of(mesh, "mm", {"tile": _tile()}, [layer], **{"regions": MIDDLE, "directions": ALONG_X, **recipe})


def test_tiles_on_a_flat_square_are_found_exactly():
    """Spread over parallel directions is plain tiling: correlation 1 at 8 mm, along or across."""
    found = measure_repeats(_spread(flat_mesh(n=20)), "middle")
    assert found.peak == pytest.approx(1.0, abs=0.01)
    assert found.rigid_peak == pytest.approx(1.0, abs=0.01)
    assert sorted(map(abs, found.lag_mm)) == pytest.approx([0, 8], abs=1e-6)
    assert found.distance_mm == pytest.approx(8.0)
    assert found.direction_deg in (0.0, 90.0)
    assert found.is_seen
    assert np.linalg.norm(np.subtract(found.again_at, found.at)) == pytest.approx(8.0, abs=0.15)
    assert np.subtract(found.again_at, found.at)[:2] == pytest.approx(found.lag_mm, abs=0.15)
    assert found.stretch == pytest.approx((1, 1), abs=1e-4)
    # where the weight of the region is full, in whole triangles
    assert 0.8 < found.skin_mm2 / (np.pi * 17**2) <= 1


def test_tiles_on_a_cylinder_are_found_along_the_skin():
    """The lag is that of the tile along the arc, not the chord: the same number as on the flat."""
    c = _spread(
        half_cylinder(),
        directions=[{"points": [[-14, 20, 14], [0, 20, 20], [14, 20, 14]]}],
        regions={"middle": {"center": [0, 20, 20], "radius_mm": 18, "feather_mm": 2}},
    )
    found = measure_repeats(c, "middle")
    assert found.peak == pytest.approx(1.0, abs=0.02)
    assert sorted(map(abs, found.lag_mm)) == pytest.approx([0, 8], abs=1e-6)


def test_unwraps_do_not_change_the_number():
    """One chart, and two of which one is mirrored and denser: heights and grid are those of the skin."""
    meshes = flat_mesh(n=20), two_charts_mesh(n=20)
    layers = [scatter_layer("tile", 9.0)]
    one, two = (
        measure_repeats(composed_of(mesh, "mm", {"tile": _tile()}, layers, regions=MIDDLE), "middle") for mesh in meshes
    )
    assert two.peak == pytest.approx(one.peak, abs=1e-3)
    assert two.turned_peak == pytest.approx(one.turned_peak, abs=1e-3)
    assert two.lag_mm == pytest.approx(one.lag_mm, abs=1e-6)


def test_as_a_map_shows_it():
    """A map too coarse for the relief shows less of it; what is left still repeats."""
    c = _spread(flat_mesh(n=20))
    coarse = measure_repeats(c, "middle", size_px=64)
    assert coarse.peak == pytest.approx(1.0, abs=0.02)
    assert coarse != measure_repeats(c, "middle")


def test_layers_and_their_mix():
    """Tiles below, scatter above: each layer by what it brings; the mix repeats by its part of tiles, here a half."""
    layers = [
        {"name": "tiles", "patch": "tile", "place": "spread", "region": "middle"},
        scatter_layer("relief", 10.0) | {"name": "scattered"},
        {"name": "far", "patch": "tile", "place": "scatter", "print_mm": 9, "region": "corner"},
    ]
    regions = MIDDLE | {"corner": {"center": [40, 40, 0], "radius_mm": 10, "feather_mm": 1}}
    patches = {"tile": _tile(), "relief": relief_patch()}
    c = composed_of(flat_mesh(n=20), "mm", patches, layers, regions=regions, directions=ALONG_X)
    tiles, scattered, mix = measure_all_repeats(c, "middle")
    assert (tiles.layer, scattered.layer, mix.layer) == ("tiles", "scattered", None)
    assert tiles.peak == pytest.approx(1.0, abs=0.01)
    assert scattered.peak < 0.2 and not scattered.is_seen
    assert mix.peak == pytest.approx(0.5, abs=0.1)
    assert measure_repeats(c, "middle", layer="scattered") == scattered
    with pytest.raises(PlacementError, match="layer 'far': fewer than 8 windows of 6 mm of region 'middle' have it in"):
        measure_repeats(c, "middle", layer="far")
    with pytest.raises(PlacementError, match="layer 'tils': no such layer; allowed: .*; did you mean 'tiles'"):
        measure_repeats(c, "middle", layer="tils")


def test_regions_that_tell_nothing_are_refused():
    regions = MIDDLE | {
        "small": {"center": [20, 20, 0], "radius_mm": 3, "feather_mm": 1},
        "none": {"subtract": ["middle", "middle"]},
    }
    c = composed_of(flat_mesh(n=40), "mm", {}, [], regions=regions)
    for region, message in (
        ("midle", "region 'midle': no such region; allowed: middle, small, none; did you mean 'middle'"),
        ("none", "region 'none': its weight is full nowhere; allowed: a region with skin inside its feather"),
        ("small", r"region 'small': its largest part with full weight is \d.\d mm wide; allowed: at least 6 mm, twice"),
        ("middle", "region 'middle': fewer than 8 windows of 6 mm of it have relief"),
    ):
        with pytest.raises(RegionError, match=message) as caught:
            measure_repeats(c, region)
        assert isinstance(caught.value, PoredepthError)
    with pytest.raises(RegionError, match="mm wide; allowed: at least 40 mm, twice the shortest lag"):
        measure_repeats(c, "middle", shortest_mm=20.0)
    for shortest_mm in (0.0, float("nan")):
        with pytest.raises(RegionError, match="shortest_mm: found .*; allowed: above 0"):
            measure_repeats(c, "middle", shortest_mm=shortest_mm)


@cache
def _demo(size_mm: int):
    """The demo's cheek pores alone, on its left cheek alone; of a patch of another size, on a disk of 6 cm of it, if it
    is not 20 mm."""
    recipe = load_recipe(demo_recipe_file())
    [layer] = [layer for layer in recipe.layers if layer.name == "cheek pores"]
    cheek, patches = recipe.regions["cheek_left"], None
    if size_mm != 20:
        cheek = RegionSpec(center=(4.6, -3.0, 7.5), radius_mm=30, feather_mm=3)
        patches = {"cheek_pores": HeightPatch("cheek_pores", pores(size_mm, 0.04, seed=3), 0.04)}
    alone = {"layers": [layer.model_copy(update={"region": "cheek_left"})], "regions": {"cheek_left": cheek}}
    return prepare(recipe.model_copy(update=alone), patches=patches)


def _tiled(composition):
    """The same with its patch tiled plainly over the cheek laid flat, as a picture is tiled over a chart."""
    surface, (layer,) = composition.surface, composition.layers
    weight = np.ones(surface.n_triangles)
    every = np.arange(surface.n_triangles, dtype=np.int32)
    for corner in np.eye(3, dtype=np.float32):
        at = np.tile(corner, (len(every), 1))
        weight = np.minimum(weight, region_weight(surface, composition.ground.regions["cheek_left"], every, at))
    where = largest_piece(surface, weight > 0.9)
    sheet = flatten(surface, where)
    start = np.zeros(surface.n_triangles + 1, np.int64)
    np.cumsum(np.isin(every, where), out=start[1:])
    n = len(where)
    prints = replace(
        layer.prints,
        start=start,
        print_id=np.zeros(n, np.int32),
        picture=np.zeros(n, np.int32),
        corner_mm=sheet.uv_mm[sheet.corner].astype(np.float32),
        corner_weight=np.ones((n, 3), np.float32),
        zoom=np.ones(n, np.float32),
        pair_start=np.zeros(surface.n_triangles + 1, np.int64),
        likeness=np.empty(0, np.float32),
    )
    whole = Relief(prints, layer.pictures)
    bands = LayerBands(whole, lambda: None)
    return replace(composition, layers=(replace(layer, bands=bands, regions=(None,) * 3),))


@pytest.mark.parametrize("size_mm", [20, 8])
def test_scatter_is_not_seen_to_repeat_on_the_demos_cheek_and_plain_tiling_is(size_mm):
    """One patch, of 20 mm (the demo's) or 8 mm: scattered below 0.1, tiled plainly over the same skin above 0.8."""
    c = _demo(size_mm)
    scattered, tiled = measure_repeats(c, "cheek_left"), measure_repeats(_tiled(c), "cheek_left")
    print(
        f"patch of {size_mm} mm on {scattered.skin_mm2 / 100:.0f} cm2: scattered {scattered.peak:.3f} (by chance "
        f"{scattered.chance_peak:.3f}, turned {scattered.turned_peak:.3f}), tiled {tiled.peak:.3f} at "
        f"{tiled.distance_mm:.1f} mm (turned {tiled.turned_peak:.3f})"
    )
    assert scattered.peak < 0.1 and scattered.turned_peak < 0.1
    assert not scattered.is_seen
    assert tiled.peak > 0.8 and tiled.is_seen and tiled.peak > SEEN_PEAK
    assert tiled.distance_mm == pytest.approx(size_mm, abs=0.2)


def _shown(composition, region: str, n: int = 300_000) -> tuple[np.ndarray, np.ndarray]:
    """Of skin points spread evenly over a region: number of the picture that is strongest there, and the place in it,
    mm, (n,) and (n, 2)."""
    surface, prints = composition.surface, composition.layers[0].prints
    centre = np.full((surface.n_triangles, 3), 1 / 3, np.float32)
    every = np.arange(surface.n_triangles, dtype=np.int32)
    inside = region_weight(surface, composition.ground.regions[region], every, centre) > 0.5
    points = random_skin_points(surface, n, np.random.default_rng(0), inside)
    picture, place_mm, best = np.full(n, -1), np.zeros((n, 2)), np.zeros(n)
    first, count = prints.start[points.triangle], np.diff(prints.start)[points.triangle]
    for k in range(count.max()):
        at = np.flatnonzero(count > k)
        row, barycentric = first[at] + k, points.barycentric[at].astype(float)
        weight = (prints.corner_weight[row] * barycentric).sum(axis=1)
        stronger = weight > best[at]
        at, row, barycentric = at[stronger], row[stronger], barycentric[stronger]
        best[at], picture[at] = weight[stronger], prints.picture[row]
        place_mm[at] = np.einsum("nk,nkx->nx", barycentric, prints.corner_mm[row])
    return picture, place_mm


def test_scatter_shows_all_of_its_patch_evenly():
    """The demo's cheek: no square millimetre of the patch stays unused, none is shown more than twice as often as
    another third; pieces laid at random, without matching, vary by 0.12."""
    c = _demo(20)
    _, place_mm = _shown(c, "cheek_left")
    size_mm = c.patches["cheek_pores"].width_mm
    n = round(size_mm)
    used, _, _ = np.histogram2d(*np.mod(place_mm, size_mm).T, bins=n, range=[[0, size_mm]] * 2)
    variation = np.sqrt(max(used.var() - used.mean(), 0.0)) / used.mean()  # less that of the drawn points
    print(f"of {n * n} squares {100 * (used > 0).mean():.1f} % used, variation {variation:.3f}")
    assert (used > 0).all()
    assert variation < 0.25
    assert used.min() > 0.4 * used.mean() and used.max() < 1.7 * used.mean()


def test_patches_are_shown_by_their_shares():
    """Shares 1 : 3, dealt to the prints as exactly as whole prints allow: their areas are theirs within 3 %; and the
    mix of two patches repeats no more than one does."""
    patches = {"a": _tile(), "b": _tile(8.0, 4)}
    layer = {"name": "both", "place": "scatter", "print_mm": 5, "overlap_mm": 0.6}
    counted = []
    for chosen in ({"patches": {"a": 1, "b": 3}}, {"patch": "a"}):
        c = composed_of(flat_mesh(n=20), "mm", patches, [layer | chosen], regions=MIDDLE)
        picture, _ = _shown(c, "middle", 100_000)
        prints = c.layers[0].prints
        dealt = np.unique(np.column_stack([prints.print_id, prints.picture]), axis=0)[:, 1]
        counted.append(((picture == 0).mean(), (dealt == 0).mean(), measure_repeats(c, "middle").peak))
    print(f"area, prints and peak of 1 : 3, and of one alone: {counted}")
    (area, of_prints, both), (_, _, alone) = counted
    assert of_prints == pytest.approx(0.25, abs=0.5 / len(dealt) + 0.01)
    assert area == pytest.approx(0.25, abs=0.03)
    assert both < alone + 0.05
