import numpy as np
import pytest
from meshes import flat_mesh, flat_surface
from reference import blended, periodic_cubic

from poredepth.patch.levels import build_levels
from poredepth.patch.types import HeightPatch
from poredepth.placement.mapped import map_prints
from poredepth.placement.prints import Prints
from poredepth.placement.scatter import ScatterSpec, scatter
from poredepth.raster.evaluate import add_prints, pack_pictures
from poredepth.surface.directions import direction_field
from poredepth.surface.points import SkinPoints, random_skin_points
from poredepth.surface.skin import refined, surface_from_mesh


def _noise_patch(rows=90, cols=70, texel_mm=0.1, seed=0):
    return HeightPatch("n", np.random.default_rng(seed).normal(0, 0.01, (rows, cols)).astype(np.float32), texel_mm)


def _scattered(patch, overlap_mm=0.5):
    s = refined(flat_surface(40, 40, 10), 3.0)
    field = direction_field(s, [np.array([[10, 10, 0], [20, 15, 0.0]])])
    return s, scatter(s, field, np.ones(s.n_triangles, bool), [patch], ScatterSpec(9, overlap_mm, seed=1, name="x"))


def _evaluate(points, prints, pictures, footprint_mm, n_triangles, gain=1.0, mask=None):
    height = np.zeros(len(points), np.float32)
    mask = np.ones(len(points), np.float32) if mask is None else mask
    add_prints(points, mask, gain, np.full((n_triangles, 3), footprint_mm, np.float32), prints, pictures, height)
    return height


@pytest.mark.parametrize("keep_contrast", [True, False])
def test_kernel_equals_its_slow_twin(keep_contrast):
    patch = _noise_patch()
    s, prints = _scattered(patch, overlap_mm=2.0)
    prints = Prints(**{**prints.__dict__, "keep_contrast": keep_contrast})
    points = random_skin_points(s, 400, np.random.default_rng(5))
    got = _evaluate(points, prints, pack_pictures([build_levels(patch)], True), 0.01, s.n_triangles)
    for p, (t, b) in enumerate(zip(points.triangle, points.barycentric.astype(float), strict=True)):
        rows = slice(prints.start[t], prints.start[t + 1])
        w = prints.corner_weight[rows].astype(float) @ b
        x, y = np.einsum("nkx,k->nx", prints.corner_mm[rows].astype(float), b).T
        r = np.eye(len(w), dtype=float)
        upper = np.triu_indices(len(w), 1)
        r[upper] = r.T[upper] = prints.likeness[prints.pair_start[t] : prints.pair_start[t + 1]]
        h = periodic_cubic(patch.height_mm, patch.texel_mm, x, y)
        want = blended(w, h, prints.sharpness, r if keep_contrast else None)
        assert got[p] == pytest.approx(want, abs=2e-6)


def test_the_filter_is_the_same_for_maps_and_for_what_is_told_of_them():
    from poredepth.patch.levels import filter_variance_px2
    from poredepth.raster.picture_kernels import filter_variance

    for ratio in (0.3, 1.0, 1.5, 1.999, 2.0, 2.7, 40.0):
        assert filter_variance(ratio) == filter_variance_px2(ratio)
    assert filter_variance_px2(2.0) == 1.0 and filter_variance_px2(1.0) == 0.0


def test_one_print_at_texel_centres_returns_the_picture_itself():
    """Interpolation passes through the samples; row 0 is the top."""
    patch = _noise_patch(20, 30, 1.0)
    s = flat_surface(40, 40, 1)
    n = s.n_triangles
    prints = Prints(
        np.arange(n + 1),
        np.zeros(n, np.int32),
        np.zeros(n, np.int32),
        s.corner_mm[..., :2].astype(np.float32),
        np.ones((n, 3), np.float32),
        np.ones(n, np.float32),
        np.zeros(n + 1, np.int64),
        np.empty(0, np.float32),
    )
    triangle = np.flatnonzero((s.corner_mm[..., :2].sum(2) < 1e-9).any(1))[0]
    corner = s.corner_mm[triangle, :, :2]
    at = [(2.5, 0.5), (10.5, 3.5), (25.5, 9.5)]
    b = np.array([np.linalg.solve(np.vstack([corner.T, np.ones(3)]), [x, y, 1.0]) for x, y in at], np.float32)
    got = _evaluate(
        SkinPoints(np.full(3, triangle, np.int32), b), prints, pack_pictures([build_levels(patch)], True), 0.1, n
    )
    assert got == pytest.approx([patch.height_mm[19, 2], patch.height_mm[16, 10], patch.height_mm[10, 25]], abs=1e-6)


def test_gain_and_mask_scale_the_layer():
    patch = _noise_patch()
    s, prints = _scattered(patch)
    points = random_skin_points(s, 500, np.random.default_rng(5))
    pictures = pack_pictures([build_levels(patch)], True)
    plain = _evaluate(points, prints, pictures, 0.01, s.n_triangles)
    assert _evaluate(points, prints, pictures, 0.01, s.n_triangles, gain=-2.0) == pytest.approx(-2 * plain, abs=1e-8)
    half = np.full(500, 0.5, np.float32)
    assert _evaluate(points, prints, pictures, 0.01, s.n_triangles, mask=half) == pytest.approx(0.5 * plain, abs=1e-8)
    none = np.zeros(500, np.float32)
    assert (_evaluate(points, prints, pictures, 0.01, s.n_triangles, mask=none) == 0).all()


@pytest.mark.parametrize("wave_mm", [0.8, 0.4])
@pytest.mark.parametrize("factor", [2.0, 2.3, 2.83, 3.0, 3.4, 4.0])
def test_coarse_texels_see_filtered_relief(factor, wave_mm):
    """A wave is passed as exp(-2 pi^2 sigma^2 f^2), sigma half a texel (own derivation); nearly so between levels."""
    texel_mm = 0.05
    x = (np.arange(320) + 0.5) * texel_mm
    patch = HeightPatch("w", np.tile(np.sin(2 * np.pi * x / wave_mm), (64, 1)), texel_mm)
    s, prints = _scattered(patch)
    points = random_skin_points(s, 4000, np.random.default_rng(5))
    pictures = pack_pictures([build_levels(patch, per_octave=2)], True)
    fine = _evaluate(points, prints, pictures, 0.5 * texel_mm, s.n_triangles)
    coarse = _evaluate(points, prints, pictures, factor * texel_mm, s.n_triangles)
    want = np.exp(-2 * (np.pi * 0.5 * factor * texel_mm / wave_mm) ** 2)
    assert (coarse @ fine) / (fine @ fine) == pytest.approx(want, abs=5e-3 if factor in (2.0, 2.83, 4.0) else 0.012)


def test_map_layer_samples_its_tile_by_uv():
    """A plane z = u + 10 v baked as a picture comes back at every skin point."""
    position = flat_mesh(40, 40, 4)
    s = surface_from_mesh(position, "mm")
    n = 64
    v, u = np.meshgrid(1 - (np.arange(n) + 0.5) / n, (np.arange(n) + 0.5) / n, indexing="ij")
    pictures = pack_pictures([build_levels((u + 10 * v).astype(np.float32), 1 / n, False)], False)
    points = random_skin_points(s, 2000, np.random.default_rng(0))
    at = s.points_mm(points.triangle, points.barycentric.astype(float))[:, :2] / 40
    got = _evaluate(points, map_prints(s, (1001,)), pictures, 0.5 / n, s.n_triangles)
    middle = ((at > 0.1) & (at < 0.9)).all(1)  # near the picture's border the plane is bent level
    assert got[middle] == pytest.approx((at[:, 0] + 10 * at[:, 1])[middle], abs=2e-4)


def test_map_layer_leaves_other_tiles_alone():
    s = flat_surface(40, 40, 4)
    assert map_prints(s, (1002,)).print_id.size == 0
    assert np.diff(map_prints(s, (1001, 1002)).start).sum() == s.n_triangles


def test_points_without_skin_stay_zero():
    patch = _noise_patch()
    s, prints = _scattered(patch)
    points = SkinPoints(np.full(3, -1, np.int32), np.zeros((3, 3), np.float32))
    assert (_evaluate(points, prints, pack_pictures([build_levels(patch)], True), 0.01, s.n_triangles) == 0).all()
