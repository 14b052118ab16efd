import numpy as np
import pytest
from meshes import flat_mesh, grid, sphere_surface, two_charts_mesh, two_sheets_mesh

from poredepth.errors import RegionError
from poredepth.recipe.model_skin import RegionSpec
from poredepth.surface.masks import MaskSeamWarning, read_masks
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.points import random_skin_points
from poredepth.surface.regions import build_regions, region_triangles, region_weight
from poredepth.surface.skin import refined, surface_from_mesh, without_bridges


def _halves(n=16):
    position, faces = grid(40, 40, n, n)
    groups = ["left" if position[f, 0].mean() < 20 else "right" for f in faces]
    return surface_from_mesh(PolygonMesh.from_arrays(position, faces, position[:, :2] / 40, faces, groups=groups), "mm")


def _weights(s, specs, n=4000, read_mask=None):
    fields = build_regions(s, {k: RegionSpec(**v) for k, v in specs.items()}, read_mask or (lambda name: {}))
    points = random_skin_points(s, n, np.random.default_rng(0))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    return at, {k: region_weight(s, f, points.triangle, points.barycentric) for k, f in fields.items()}, fields


def _smooth(x):
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def test_group_with_feather_is_a_smooth_step_in_mm_across_its_border():
    at, w, _ = _weights(refined(_halves(), 1.5), {"left": {"group": "left", "feather_mm": 8}})
    assert w["left"] == pytest.approx(_smooth(0.5 + (20 - at[:, 0]) / 8), abs=0.01)


def test_group_without_feather_is_hard():
    at, w, _ = _weights(_halves(), {"left": {"group": "left", "feather_mm": 0}})
    assert set(np.unique(w["left"])) <= {0.0, 1.0}
    assert np.array_equal(w["left"] > 0.5, at[:, 0] < 20)


def test_disk_has_its_radius_along_the_skin():
    """On a sphere the disk's edge lies at arc length radius_mm (great-circle distance, textbook)."""
    s = refined(sphere_surface(30, 12), 2.5)
    points = random_skin_points(s, 4000, np.random.default_rng(0))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    fields = build_regions(s, {"d": RegionSpec(center=(0, 0, 30), radius_mm=18, feather_mm=6)}, lambda name: {})
    w = region_weight(s, fields["d"], points.triangle, points.barycentric)
    arc = 30 * np.arccos(np.clip(at[:, 2] / np.linalg.norm(at, axis=1), -1, 1))
    assert w == pytest.approx(_smooth(0.5 + (18 - arc) / 6), abs=0.04)


def test_centre_is_in_mesh_units():
    s = surface_from_mesh(flat_mesh(4, 4, 16), "cm")
    fields = build_regions(s, {"d": RegionSpec(center=(2, 2, 0), radius_mm=10, feather_mm=0)}, lambda name: {})
    points = random_skin_points(s, 4000, np.random.default_rng(0))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    w = region_weight(s, fields["d"], points.triangle, points.barycentric)
    r = np.hypot(at[:, 0] - 20, at[:, 1] - 20)
    assert (w[r < 9.5] == 1).all()
    assert (w[r > 10.5] == 0).all()


def test_set_algebra():
    specs = {
        "left": {"group": "left", "feather_mm": 4},
        "disk": {"center": (20, 20, 0), "radius_mm": 10, "feather_mm": 4},
        "both": {"union": ["left", "disk"]},
        "cut": {"intersect": ["left", "disk"]},
        "rest": {"subtract": ["left", "disk"]},
    }
    _, w, _ = _weights(_halves(), specs)
    assert np.array_equal(w["both"], np.maximum(w["left"], w["disk"]))
    assert np.array_equal(w["cut"], np.minimum(w["left"], w["disk"]))
    assert np.array_equal(w["rest"], np.minimum(w["left"], 1 - w["disk"]))


def test_painted_mask_is_taken_as_painted_in_every_chart():
    s = surface_from_mesh(two_charts_mesh(), "mm")
    picture = np.linspace(0, 1, 256, dtype=np.float32)[None, :].repeat(256, 0)  # value = u
    with pytest.warns(MaskSeamWarning):  # u is not the same on both sides of the seam
        fields = build_regions(s, {"m": RegionSpec(mask="m.png")}, lambda name: {1001: picture})
    points = random_skin_points(s, 2000, np.random.default_rng(0))
    u = np.einsum("nk,nk->n", points.barycentric, s.corner_uv[points.triangle][..., 0])
    w = region_weight(s, fields["m"], points.triangle, points.barycentric)
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    # a texel of the mask is 0.2 to 0.4 mm; beside a chart's border (x 0, 20, 40, y 0, 40) none outside of it is read
    inside = np.minimum(at[:, 0] % 20, 20 - at[:, 0] % 20) > 0.6
    inside &= np.minimum(at[:, 1], 40 - at[:, 1]) > 0.6
    assert inside.mean() > 0.8
    assert w[inside] == pytest.approx(((u * 256 - 0.5) / 255)[inside], abs=1e-4)
    assert w == pytest.approx((u * 256 - 0.5) / 255, abs=1.0 / 255)


def test_painted_mask_with_feather_is_soft_in_mm():
    picture = (np.arange(400)[None, :].repeat(400, 0) < 200).astype(np.float32)
    s = refined(surface_from_mesh(flat_mesh(40, 40, 16), "mm"), 0.9)
    fields = build_regions(s, {"m": RegionSpec(mask="m.png", feather_mm=8)}, lambda name: {1001: picture})
    points = random_skin_points(s, 4000, np.random.default_rng(0))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    w = region_weight(s, fields["m"], points.triangle, points.barycentric)
    assert np.abs(w - _smooth(0.5 + (20 - at[:, 0]) / 8)).max() < 0.15  # the mask's edge moves to triangle edges


def test_region_triangles_hold_all_weight_and_little_else():
    s = refined(_halves(), 1.5)
    _, w, fields = _weights(s, {"left": {"group": "left", "feather_mm": 8}})
    touched = region_triangles(s, fields["left"])
    centre_x = s.corner_mm[..., 0].mean(1)
    assert touched[centre_x < 23.9].all()
    assert not touched[centre_x > 26].any()
    picture = np.zeros((64, 64), np.float32)
    assert not region_triangles(s, build_regions(s, {"m": RegionSpec(mask="m")}, lambda n: {1001: picture})["m"]).any()


def test_a_group_disk_does_not_leak_to_a_sheet_half_a_mm_away():
    s = surface_from_mesh(two_sheets_mesh(), "mm")
    fields = build_regions(s, {"d": RegionSpec(center=(10, 10, 0), radius_mm=8, feather_mm=2)}, lambda name: {})
    points = random_skin_points(s, 3000, np.random.default_rng(0))
    w = region_weight(s, fields["d"], points.triangle, points.barycentric)
    upper = s.points_mm(points.triangle, points.barycentric.astype(float))[:, 2] > 0.25
    assert (w[upper] == 0).all()
    assert w[~upper].max() == 1


def test_unknown_group_names_the_groups():
    with pytest.raises(RegionError, match=r"regions\.x\.group: the mesh has no group .middle.; allowed: left, right$"):
        build_regions(_halves(), {"x": RegionSpec(group="middle")}, lambda name: {})


def test_centre_far_off_names_the_distance():
    with pytest.raises(RegionError, match=r"regions\.x\.center: \[20, 20, 70\] is 70\.0 mm from the skin"):
        build_regions(_halves(), {"x": RegionSpec(center=(20, 20, 70), radius_mm=5)}, lambda name: {})


@pytest.mark.parametrize("count", [1, 10])
def test_a_group_one_face_wide_is_told_from_the_rest(count):
    """A row of faces (or a single face) as a group: inside it the weight is 1, outside 0, with a hard edge."""
    position, faces = grid(40, 40, 10, 10)
    groups = ["row" if 40 <= i < 40 + count else "rest" for i in range(100)]
    s = surface_from_mesh(PolygonMesh.from_arrays(position, faces, position[:, :2] / 40, faces, groups=groups), "mm")
    s = without_bridges(s, s.tri_group == s.group_names.index("row"))
    field = build_regions(s, {"row": RegionSpec(group="row", feather_mm=0)}, lambda name: {})["row"]
    points = random_skin_points(s, 20000, np.random.default_rng(0))
    w = region_weight(s, field, points.triangle, points.barycentric)
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    inside = (at[:, 1] > 16) & (at[:, 1] < 20) & (at[:, 0] < 4 * count)
    assert s.area_mm2.sum() == pytest.approx(1600)
    assert np.mean(w[inside]) > 0.995
    assert np.mean(w[~inside]) < 0.0005


@pytest.mark.parametrize("radius_mm", [0.3, 2.0, 5.0])
def test_small_disks_on_a_coarse_mesh_keep_their_area(radius_mm):
    """Area of a disk: pi r^2; edges of 10 mm, the centre off every point of the mesh."""
    s = _halves(4)
    fields = build_regions(s, {"d": RegionSpec(center=(14, 17, 0), radius_mm=radius_mm, feather_mm=0)}, lambda name: {})
    touched = region_triangles(s, fields["d"])
    points = random_skin_points(s, 400_000, np.random.default_rng(0), touched)
    w = region_weight(s, fields["d"], points.triangle, points.barycentric)
    assert w.mean() * s.area_mm2[touched].sum() == pytest.approx(np.pi * radius_mm**2, rel=0.06)
    at = s.points_mm(points.triangle, points.barycentric.astype(float))
    assert np.hypot(at[w > 0, 0] - 14, at[w > 0, 1] - 17).max() < radius_mm + 0.01


def test_a_height_map_given_as_mask_is_refused(tmp_path):
    with pytest.raises(RegionError, match="mask values run from -3 to 2; allowed: 0 .outside. to 1 .inside."):
        read_masks(tmp_path / "m", lambda path: np.array([[-3.0, 2.0]]), {1001: tmp_path / "m"})


def test_a_misspelt_group_is_told_with_the_likely_one():
    with pytest.raises(RegionError, match=r"no group 'lefft'; allowed: left, right; did you mean 'left'\?"):
        _weights(_halves(), {"x": {"group": "lefft"}})
