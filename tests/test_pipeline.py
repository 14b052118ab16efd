"""Promises of the whole: zero stays zero, moving a head changes nothing, a block is a crop of the whole."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from meshes import flat_mesh, grid, moved, sphere_mesh, two_charts_mesh
from recipes import composed_of, grating, pore_patch, scatter_layer
from scipy.spatial.transform import Rotation
from skin_measure import least_weight

from poredepth import Blocking, PatchError, compose, prepare, random_skin_points, recipe_from_dict
from poredepth.errors import PlacementError
from poredepth.mix.blocks import window_height_mm
from poredepth.mix.compile import EmptyLayerWarning, FaintLayerWarning
from poredepth.output import fit_calibration, read_map
from poredepth.patch.types import HeightPatch
from poredepth.raster.window import Window
from poredepth.recipe import recipe_hash
from poredepth.surface.obj import PolygonMesh

GUIDES = [{"points": [[-20, 0, 23], [0, 2, 30], [20, 0, 23]]}]
REGION = {"disk": {"center": [18, 0, 24], "radius_mm": 25, "feather_mm": 8}}


def _sphere(size_px=256, **keys):
    layers = keys.pop("layers", [scatter_layer("pores", 12.0, region="disk"), scatter_layer("pores", 20.0, gain=0.3)])
    mesh = keys.pop("mesh", sphere_mesh())
    seams = keys.pop("seams", "eased")
    return composed_of(
        mesh,
        "mm",
        {"pores": pore_patch()},
        layers,
        directions=GUIDES,
        regions=REGION,
        output={"size_px": size_px, "seams": seams},
        **keys,
    )


@cache
def _plain_sphere():
    """As it is without further keys, for tests that only look at it."""
    return _sphere()


def test_zero_layers_are_exactly_zero_and_so_is_gain_zero():
    for layers in ([], [scatter_layer("pores", 12.0, gain=0.0)]):
        for height_map in compose(_sphere(layers=layers)).values():
            assert (height_map.height_mm == 0).all()


@pytest.mark.parametrize("format", ["exr-float", "tiff-16", "png-16"])
def test_zero_layers_write_exactly_mid_everywhere(tmp_path, format):
    from poredepth import write_maps

    recipe = recipe_from_dict(
        {"poredepth": 1, "mesh": {"file": "x", "unit": "mm"}, "output": {"size_px": 64, "format": format}},
        check_files=False,
    )
    [written] = write_maps(prepare(recipe, mesh=flat_mesh()), tmp_path)
    height_mm, metadata = read_map(written.path)
    assert (height_mm == 0).all()
    assert metadata.mid == fit_calibration(format, "mm", 0, 0).mid
    assert metadata.mid == (0.0 if format == "exr-float" else 32768 / 65535)


def test_a_head_moved_and_turned_rigidly_gives_the_same_map():
    rng = np.random.default_rng(3)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    shift = np.array([120.0, -35.0, 44.0])

    def to(point):
        return (np.array(point) @ turn.T + shift).tolist()

    a = compose(_plain_sphere())[1001].height_mm
    b = compose(
        composed_of(
            moved(sphere_mesh(), turn, shift),
            "mm",
            {"pores": pore_patch()},
            [scatter_layer("pores", 12.0, region="disk"), scatter_layer("pores", 20.0, gain=0.3)],
            directions=[{"points": [to(p) for p in GUIDES[0]["points"]]}],
            regions={"disk": {**REGION["disk"], "center": to(REGION["disk"]["center"])}},
            output={"size_px": 256},
        )
    )[1001].height_mm
    assert np.abs(a - b).max() < 1e-6
    assert a.std() > 0.0008  # 0.00094: most of the map is bare


def test_block_size_and_threads_change_no_bit():
    c = _plain_sphere()
    whole = compose(c, blocking=Blocking(n_threads=1, block_texels=1 << 30))[1001].height_mm
    for blocking in (Blocking(1, 256 * 7), Blocking(2, 256 * 7), Blocking(5, 1), Blocking(3, 256 * 100)):
        assert np.array_equal(compose(c, blocking=blocking)[1001].height_mm, whole)


def test_a_window_is_bit_for_bit_a_crop():
    c = _plain_sphere()
    whole, raster = compose(c)[1001].height_mm, c.raster()
    for window in (Window(0, 0, 31, 17), Window(101, 3, 55, 200), Window(255, 255, 1, 1)):
        crop = window_height_mm(c.layers, c.ground, raster, 1001, window, c.seam_correction())
        assert np.array_equal(crop, whole[window.slices])


def test_a_map_is_the_function_at_its_texels():
    c = _sphere(seams="untouched")
    raster = c.raster()
    points = raster.skin_points(1001, raster.whole())
    assert np.array_equal(c.height_mm(points).reshape(256, 256), compose(c)[1001].height_mm)


def test_layers_add_up():
    layers = [scatter_layer("pores", 12.0, region="disk", gain=0.7), scatter_layer("pores", 20.0, gain=-0.3)]
    c, *single = (_sphere(layers=some, seams="untouched") for some in (layers, layers[:1], layers[1:]))
    both, first, second = (compose(one)[1001].height_mm for one in (c, *single))
    # the skin is refined for the smallest print, so the second layer alone lies on coarser triangles
    alone = [compose(replace(c, layers=(layer,)))[1001].height_mm for layer in c.layers]
    assert np.abs(both - alone[0] - alone[1]).max() < 1e-6
    assert np.abs(first - alone[0]).max() < 1e-6
    assert second.std() > 0


def test_a_layer_keeps_its_place_when_others_come_and_go():
    one = _sphere(layers=[scatter_layer("pores", 12.0)])
    two = _sphere(layers=[scatter_layer("pores", 20.0), scatter_layer("pores", 12.0)])
    assert np.array_equal(one.layers[0].prints.corner_mm, two.layers[1].prints.corner_mm)


def test_seed_changes_the_map_and_the_same_seed_does_not():
    a, b, c = (compose(_sphere(seed=s))[1001].height_mm for s in (1, 1, 2))
    assert np.array_equal(a, b)
    assert not np.array_equal(a, c)


@pytest.mark.parametrize(("transitions", "feather_mm"), [("even", 8.0), ("proportional", 8.0 * 2.5 / 0.8)])
def test_region_bounds_a_layer(transitions, feather_mm):
    c = _sphere(layers=[scatter_layer("pores", 12.0, region="disk")], bands={"transitions": transitions})
    points = random_skin_points(c.surface, 4000, np.random.default_rng(0))
    at = c.surface.points_mm(points.triangle, points.barycentric.astype(float))
    centre = np.array([18, 0, 24.0])
    arc = 30 * np.arccos(np.clip(at @ centre / np.linalg.norm(at, axis=1) / np.linalg.norm(centre), -1, 1))
    height = c.height_mm(points)
    assert (height[arc > 25 + feather_mm / 2 + 1.5] == 0).all()
    assert (height[(arc > 25) & (arc < 25 + feather_mm / 2 - 1)] != 0).mean() > 0.99
    assert (height[arc < 25] != 0).mean() > 0.99


def test_map_layer_lands_where_it_was_painted_in_mirrored_and_turned_charts():
    """A picture of x baked in these UVs: heights equal x on the skin in both charts."""
    mesh = two_charts_mesh()
    n = 512
    c0 = composed_of(mesh, "mm", {}, [])
    raster = replace(c0.raster(n), gutter_px=8)
    points = raster.skin_points(1001, raster.whole())
    x = c0.surface.points_mm(np.maximum(points.triangle, 0), points.barycentric.astype(float))[:, 0]
    picture = np.where(points.triangle >= 0, x, 0).reshape(n, n).astype(np.float32) / 100
    c = composed_of(mesh, "mm", {}, [{"name": "base", "map": "array", "scale_mm": 1.0}], maps={"base": {1001: picture}})
    at = random_skin_points(c.surface, 3000, np.random.default_rng(0))
    place = c.surface.points_mm(at.triangle, at.barycentric.astype(float))
    inside = (np.abs(place[:, :2] - 20) < 19).all(axis=1)  # at an open border the baked plane ends
    assert np.abs(c.height_mm(at, n) - place[:, 0] / 100)[inside].max() < 2e-5


def test_a_map_that_leaves_a_tile_out_is_told():
    from poredepth.surface.masks import MissingTileWarning

    with pytest.warns(MissingTileWarning, match="layer 'base': no picture for UV tile 1001, the layer is flat there"):
        composed_of(flat_mesh(), "mm", {}, [{"name": "base", "map": "array", "scale_mm": 1.0}],
                    maps={"base": {1002: np.zeros((8, 8), np.float32)}})  # fmt: skip


def test_a_patch_with_a_mean_height_keeps_it_where_prints_meet():
    """Keeping the contrast must not lift the skin: the mean of the map is the mean of the patch."""
    relief = pore_patch().height_mm + np.float32(0.02)
    c = composed_of(flat_mesh(60, 60, 20), "mm", {"p": HeightPatch("p", relief, 0.02)},
                    [scatter_layer("p", 9.0, overlap_mm=3.0)], seed=2)  # fmt: skip
    height_mm = compose(c, size_px=1500)[1001].height_mm
    assert height_mm.mean() == pytest.approx(relief.mean(), abs=2e-4)


def test_uvs_rounded_beyond_a_tile_make_no_further_tile():
    mesh = flat_mesh(40, 40, 5)
    from meshes_atlas import faces_of

    from poredepth.surface.obj import PolygonMesh

    wide = PolygonMesh.from_arrays(mesh.position, faces_of(mesh), mesh.texcoord * 1.00001, faces_of(mesh))
    c = composed_of(wide, "mm", {}, [], output={"size_px": 64})
    assert c.raster().tiles == (1001,)


def test_uvs_nearly_collapsed_do_not_blur_their_neighbours():
    mesh = flat_mesh(40, 40, 20)
    from meshes_atlas import faces_of

    from poredepth.surface.obj import PolygonMesh

    uv = mesh.texcoord.copy()
    uv[220] = uv[221] - [1e-7, 0]
    thin = PolygonMesh.from_arrays(mesh.position, faces_of(mesh), uv, faces_of(mesh))
    c = composed_of(thin, "mm", {}, [], output={"size_px": 1024})
    assert c.raster().footprint_mm.max() < 10 * np.median(c.raster().footprint_mm)


def test_u_exactly_one_stays_in_its_tile():
    c = composed_of(flat_mesh(40, 40, 5), "mm", {}, [], output={"size_px": 32})
    assert c.raster().tiles == (1001,)


def test_a_patch_that_does_not_tile_is_refused_by_scatter():
    patch = HeightPatch("scan", np.random.default_rng(0).normal(0, 0.01, (50, 50)), 0.1, periodic=False)
    with pytest.raises(PatchError, match=r"patch 'scan' does not tile \(periodic: false\); allowed for scatter"):
        composed_of(flat_mesh(), "mm", {"scan": patch}, [scatter_layer("scan", 9.0)])


def test_progress_names_every_stage_in_order():
    said = []
    recipe = recipe_from_dict(
        {"poredepth": 1, "mesh": {"file": "x", "unit": "mm"}, "output": {"size_px": 64}}, check_files=False
    )
    compose(
        prepare(recipe, mesh=flat_mesh(), on_progress=lambda *a: said.append(a)), on_progress=lambda *a: said.append(a)
    )
    stages = list(dict.fromkeys(stage for stage, _, _ in said))
    assert stages == ["mesh", "patches", "directions", "regions", "layers", "seams", "compose"]
    assert said[-1][1] == said[-1][2]


def test_a_gain_that_varies_multiplies_the_layer_at_each_texel():
    ramp = {"ramp": [{"at": [0, 0, 30], "value": 2.0}, {"at": [0, 0, -30], "value": 0.0}]}
    size_px = 256
    picture = np.linspace(0, 1, 16 * 16, dtype=np.float32).reshape(16, 16)
    maps = {"sculpt": {1001: picture}}
    layer = {"name": "sculpt", "map": "array", "scale_mm": 1.0}
    plain = _sphere(size_px, layers=[layer], maps=maps)
    varied = _sphere(size_px, layers=[{**layer, "vary": {"gain": ramp}}], maps=maps)
    raster = plain.raster()
    points = raster.skin_points(1001, raster.whole())
    z = plain.surface.points_mm(points.triangle, points.barycentric)[:, 2]
    want = 2 - 2 * np.arccos(np.clip(z / 30, -1, 1)) / np.pi
    shown = points.triangle >= 0
    a, b = plain.height_mm(points)[shown], varied.height_mm(points)[shown]
    assert np.abs(b - a * want[shown]).max() < 0.03
    assert np.abs(a).max() > 0.9


def test_pores_of_another_size_have_another_wavelength():
    """Waves of 1 mm at size 2 are waves of 2 mm, unchanged in height."""
    spread = {}
    for size in (1.0, 2.0):
        made = composed_of(
            flat_mesh(),
            "mm",
            {"grating": grating()},
            [scatter_layer("grating", 14.0, size=size)],
            output={"size_px": 512},
        )
        height = compose(made)[1001].height_mm
        spectrum = np.abs(np.fft.rfft2(height)) ** 2
        row, col = np.unravel_index(np.argmax(spectrum[:, 1:]), spectrum[:, 1:].shape)
        row = min(row, 512 - row)
        spread[size] = 40 / np.hypot(row, col + 1), height.std()
    assert spread[1.0][0] == pytest.approx(1.0, rel=0.03)
    assert spread[2.0][0] == pytest.approx(2.0, rel=0.05)
    assert spread[2.0][1] == pytest.approx(spread[1.0][1], rel=0.03)


def test_a_size_of_nothing_is_refused_with_its_place():
    ramp = {"ramp": [{"at": [0, 0, 30], "value": 1.0}, {"at": [0, 0, -30], "value": 0.0}]}
    with pytest.raises(PlacementError, match=r"vary\.size is .* near \[.*\] in mesh units; allowed: at least 0\.05"):
        _sphere(layers=[scatter_layer("pores", 12.0, vary={"size": ramp})])


def test_skin_is_split_only_where_small_prints_can_lie():
    """Prints of 3 mm in a disk of 8 mm: edges of at most 1 mm there, and few triangles elsewhere."""
    regions = {"spot": {"center": [0, 0, 30], "radius_mm": 8, "feather_mm": 2}}
    c = composed_of(
        sphere_mesh(30, 12),
        "mm",
        {"pores": pore_patch()},
        [scatter_layer("pores", 3.0, region="spot")],
        regions=regions,
    )
    s = c.surface
    edge_mm = np.linalg.norm(s.corner_mm - np.roll(s.corner_mm, 1, axis=1), axis=2).max(axis=1)
    centre = s.corner_mm.mean(axis=1)
    from_spot_mm = 30 * np.arccos(np.clip(centre[:, 2] / np.linalg.norm(centre, axis=1), -1, 1))
    assert edge_mm[from_spot_mm < 9 + 3 * 1.25].max() <= 1.0 + 1e-6
    assert edge_mm[from_spot_mm > 20].max() > 2.0
    assert s.n_triangles < 0.4 * 4 * np.pi * 30**2 / 0.2  # edges of 1 mm all over would be some 0.2 mm2 a triangle
    points = random_skin_points(s, 5000, np.random.default_rng(0), from_spot_mm < 9)
    assert least_weight(c.layers[0].prints, points) > 0


def test_a_layer_on_an_empty_region_is_told():
    regions = {**REGION, "none": {"subtract": ["disk", "disk_too"]}, "disk_too": {**REGION["disk"], "radius_mm": 60}}
    with pytest.warns(EmptyLayerWarning, match="layer 'x': region 'none' is empty"):
        made = composed_of(
            sphere_mesh(), "mm", {"pores": pore_patch()},
            [{**scatter_layer("pores", 12.0, region="none"), "name": "x"}], regions=regions, output={"size_px": 64},
        )  # fmt: skip
    assert (compose(made)[1001].height_mm == 0).all()


def test_the_order_in_which_patches_and_regions_are_written_changes_nothing():
    """The recipe's hash knows no order of keys: the same hash must mean the same map."""
    position, faces = grid(40, 40, 10, 10)
    centre = np.array([position[face, :2].mean(axis=0) for face in faces])
    group = np.where(np.abs(centre[:, 0] - 18) < 2, "a", np.where(np.abs(centre[:, 1] - 22) < 2, "b", "c"))
    mesh = PolygonMesh.from_arrays(position, faces, position[:, :2] / 40, faces, groups=group.tolist())
    other = HeightPatch("other", np.random.default_rng(0).normal(0, 0.01, (200, 200)), 0.05)
    found = []
    for order in (1, -1):
        regions = dict([(name, {"group": name}) for name in "abc"][::order])
        patches = dict([("pores", 1), ("other", 2)][::order])
        layer = {"name": "x", "patches": patches, "place": "scatter", "print_mm": 18.0}
        made = composed_of(
            mesh, "mm", {"pores": pore_patch(), "other": other}, [layer], regions=regions, output={"size_px": 128}
        )
        found.append((recipe_hash(made.recipe, files=False), compose(made)[1001].height_mm))
    assert found[0][0] == found[1][0]
    assert np.array_equal(found[0][1], found[1][1])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_small_prints_split_a_moved_head_alike(seed):
    """The reach of the small prints is a whole number of edges: rounding must not decide which triangles are split."""
    mesh = flat_mesh(40, 40, 20)
    regions = {"g": {"center": [20, 20, 0], "radius_mm": 8, "feather_mm": 4}}
    layers = [scatter_layer("pores", 3.2, region="g")]
    turn, shift = Rotation.random(random_state=seed).as_matrix(), np.array([13.0, -77.0, 31.4])
    plain = composed_of(mesh, "mm", {"pores": pore_patch()}, layers, regions=regions)
    there = (turn @ [20, 20, 0] + shift).tolist()
    away = composed_of(
        moved(mesh, turn, shift),
        "mm",
        {"pores": pore_patch()},
        layers,
        regions={"g": {**regions["g"], "center": there}},
    )
    assert away.surface.n_triangles == plain.surface.n_triangles


def test_a_piece_of_a_scan_with_nothing_inside_or_too_much_feather_is_told():
    ties = [{"px": [x, y], "at": [x / 10 + 10, 30 - y / 10, 0]} for x, y in ((20, 180), (180, 180), (20, 20))]
    layer = {"name": "r", "patch": "p", "place": "registered", "tie_points": ties, "feather_mm": 2.0}

    def laid(inside, **keys):
        patch = HeightPatch("p", np.full((200, 200), 0.05), 0.1, periodic=False, inside=inside)
        return composed_of(flat_mesh(40, 40, 8), "mm", {"p": patch}, [{**layer, **keys}])

    with pytest.raises(PatchError, match="layer 'r': alpha or mask of patch 'p' leave nothing inside"):
        laid(np.full((200, 200), 0.4, np.float32))
    with pytest.warns(FaintLayerWarning, match="narrower than twice feather_mm, 30 mm, and never reaches more than"):
        laid(None, feather_mm=30.0)
