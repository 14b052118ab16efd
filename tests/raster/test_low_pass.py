"""A map low-passed along the skin.

Transmission of the Gaussian filter: ISO 16610-61 (areal Gaussian filter), 2^-((cutoff / wavelength)^2).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from meshes import flat_surface, strip_mesh
from meshes_density import (
    chips_square,
    heights_at,
    kinked_square,
    mirrored_density_square,
    painted,
    stretched_square,
)
from meshes_seams import mirrored_square, square_in_two_tiles, square_with_collapsed_uvs, tube
from scipy import ndimage
from scipy.spatial import cKDTree

from poredepth.errors import PatchError
from poredepth.patch.levels import build_levels
from poredepth.placement.mapped import map_prints
from poredepth.raster import low_pass_grids
from poredepth.raster.evaluate import pack_pictures
from poredepth.raster.low_pass import low_passed_map
from poredepth.surface.points import SkinPoints, random_skin_points
from poredepth.surface.seams import seam_edges
from poredepth.surface.skin import load_surface, surface_from_mesh

HEAD = Path(__file__).resolve().parents[2] / "demo_data" / "head.obj"
GAIN = {1.0: 0.5, 2.0: 0.5**0.25, 0.5: 0.0625}

#: Sigma of the standard's Gaussian in cutoffs, sqrt(ln 2 / 2) / pi (ISO 16610-61; value as other libraries have it).
SIGMA_RATIO = 0.187390625


def _gains(got, waves):
    """Share of each wave in heights, least squares."""
    return np.linalg.lstsq(waves, got, rcond=None)[0]


SQUARES = {
    "mirrored seam": mirrored_square,
    "mirrored seam, 4 x denser": mirrored_density_square,
    "4 x denser within a chart": kinked_square,
    "u and v 4 : 1": lambda: stretched_square(50, 200),
    "u and v 1 : 4": lambda: stretched_square(200, 50),
    "over tiles": square_in_two_tiles,
}


@pytest.mark.parametrize("name", SQUARES)
@pytest.mark.parametrize("degrees", [0, 37])
def test_waves_keep_what_the_standard_says_across_seams_and_stretch(name, degrees):
    """All three waves in one map; near: within 1 mm of x = 20, where squares are cut.

    Where the map's own texels are of two sizes within a chart, its pyramid mixes them: there in two steps.
    """
    surface, cutoff_mm = surface_from_mesh(SQUARES[name](), "mm"), 2.5
    along = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees)), 0.0])

    def waves(p):
        return np.stack([np.sin(2 * np.pi * (p @ along) / (cutoff_mm * ratio) + ratio) for ratio in GAIN], axis=1)

    source = painted(surface, lambda p: waves(p).sum(axis=1), 2048)
    kinked = name == "4 x denser within a chart"
    if kinked:
        result = low_passed_map(surface, *low_passed_map(surface, *source, 0.8), np.sqrt(cutoff_mm**2 - 0.8**2))
    else:
        result = low_passed_map(surface, *source, cutoff_mm)
    points = random_skin_points(surface, 80000, np.random.default_rng(1))
    at = surface.points_mm(points.triangle, points.barycentric.astype(float))
    inside = ((at[:, :2] > 4) & (at[:, :2] < 36)).all(axis=1)
    near = inside & (np.abs(at[:, 0] - 20) < 1)
    got, want = heights_at(surface, points, result), waves(at) @ list(GAIN.values())
    for where, here in (("near", near), ("elsewhere", inside & ~near)):
        gains = _gains(got[here], waves(at)[here])
        worst = np.abs(got - want)[here].max()
        print(f"{name}, {degrees} deg, {where}: gains {np.round(gains, 4)}, worst error {worst:.4f} of heights of 1")
        assert gains == pytest.approx(list(GAIN.values()), abs=0.01)
        # cubic reading of the map itself is off by more where its texels change their size
        assert worst < (0.06 if kinked else 0.02)


@pytest.mark.parametrize(("cutoff_mm", "size_px"), [(2.5, 2048), (0.8, 4096)])
def test_waves_on_the_demo_head(cutoff_mm, size_px):
    """Planes of equal phase cut the head; a wave on the skin is the longer the flatter they cut it."""
    surface = load_surface(HEAD, "cm")
    up = np.array([0.0, 1.0, 0.0])

    def phase(p):
        return 2 * np.pi * (p @ up)[:, None] / (cutoff_mm * np.array(list(GAIN)))

    source = painted(surface, lambda p: np.sin(phase(p)).sum(axis=1), size_px, gutter_px=16)
    result = low_passed_map(surface, *source, cutoff_mm)
    points = random_skin_points(surface, 400000, np.random.default_rng(2))
    at = surface.points_mm(points.triangle, points.barycentric.astype(float))
    got = heights_at(surface, points, result)
    steep = 1 - (surface.normal[points.triangle] @ up) ** 2
    expected = np.exp2(-steep[:, None] / np.array(list(GAIN)) ** 2) / list(GAIN.values())
    waves = np.sin(phase(at)) * expected
    places = {"nose": (0, -40, 113.8), "forehead": (0, 50, 90), "cheek": (45, -35, 75), "upper lip": (0, -62, 102)}
    on_seams = surface.corner_mm[seam_edges(surface).triangle[:, 0]].mean(axis=1)
    regions = {name: np.linalg.norm(at - place, axis=1) < 18 for name, place in places.items()}
    regions["seams"] = cKDTree(on_seams).query(at)[0] < 2.0
    for name, here in regions.items():
        here = here & (steep > 0.8)
        assert here.sum() > 300, name
        gains = _gains(got[here], waves[here])
        print(f"head, cutoff {cutoff_mm} mm, {name}: {here.sum()} points, gains {np.round(gains, 4)}")
        assert gains == pytest.approx(list(GAIN.values()), abs=0.015)


def _two_sides(surface, layer, footprint_uv=1e-6, at=(0.13, 0.4, 0.77)):
    """Heights of both sides at points on seams, (n, 2)."""
    edges = seam_edges(surface)
    out = []
    for share in at:
        sides = []
        for side in (0, 1):
            k = edges.edge[:, side].astype(int)
            b = np.zeros((len(k), 3), np.float32)
            # neighbours run their shared edge in opposite ways
            first = share if side == 0 else 1 - share
            b[np.arange(len(k)), (k + 1) % 3], b[np.arange(len(k)), (k + 2) % 3] = 1 - first, first
            sides.append(
                heights_at(surface, SkinPoints(edges.triangle[:, side].astype(np.int32), b), layer, footprint_uv)
            )
        out.append(np.stack(sides, axis=1))
    return np.concatenate(out)


@pytest.mark.parametrize("mesh", [mirrored_square, mirrored_density_square, square_in_two_tiles, tube])
def test_no_step_across_seams(mesh):
    surface = surface_from_mesh(mesh(), "mm")
    bump = np.random.default_rng(3).uniform(-1, 1, (40, 3)) * 3

    def height(p):
        return np.sin(p @ bump.T + np.arange(40)).mean(axis=1)

    source = painted(surface, height, 1024)
    result = low_passed_map(surface, *source, 2.5)
    before, after = (np.ptp(_two_sides(surface, layer), axis=1) for layer in (source, result))
    spread = heights_at(surface, random_skin_points(surface, 5000, np.random.default_rng(0)), result).std()
    print(f"{mesh.__name__}: step across seams, source worst {before.max():.4f}, low-passed rms "
          f"{np.sqrt(np.mean(after**2)):.5f}, worst {after.max():.4f}; rms of the heights {spread:.4f}")  # fmt: skip
    assert np.sqrt(np.mean(after**2)) < 0.02 * spread
    assert after.max() < 0.1 * spread


@pytest.mark.parametrize("mesh", [square_in_two_tiles, tube])
@pytest.mark.parametrize("size_px", [128, 48])
def test_coarser_maps_meet_along_seams_too(mesh, size_px):
    """Both sides are equally dense here, so what is filtered for texels coarser than the grid must agree."""
    surface = surface_from_mesh(mesh(), "mm")
    bump = np.random.default_rng(3).uniform(-1, 1, (40, 3)) * 2

    def height(p):
        return np.sin(p @ bump.T + np.arange(40)).mean(axis=1)

    result = low_passed_map(surface, *painted(surface, height, 1024), 2.5)
    step = np.ptp(_two_sides(surface, result, 1 / size_px), axis=1)
    spread = heights_at(surface, random_skin_points(surface, 5000, np.random.default_rng(0)), result, 1 / size_px).std()
    print(f"{mesh.__name__} for {size_px} px: step rms {np.sqrt(np.mean(step**2)):.5f}, worst {step.max():.4f}, "
          f"rms of the heights {spread:.4f}")  # fmt: skip
    assert np.sqrt(np.mean(step**2)) < 0.05 * spread


@pytest.mark.parametrize(
    "mesh",
    [mirrored_density_square, kinked_square, square_with_collapsed_uvs, tube, lambda: strip_mesh(True), chips_square],
)
@pytest.mark.parametrize("cutoff_mm", [0.8, 2.5, 30.0])
@pytest.mark.filterwarnings("ignore::poredepth.surface.skin.SurfaceWarning")
def test_a_constant_stays_what_it_is(mesh, cutoff_mm):
    surface = surface_from_mesh(mesh(), "mm")
    flat = np.full((256, 256), 0.37, np.float32)
    layer = map_prints(surface, (1001, 1002)), pack_pictures([build_levels(flat, 1 / 256, False)] * 2, periodic=False)
    result = low_passed_map(surface, *layer, cutoff_mm)
    points = random_skin_points(surface, 20000, np.random.default_rng(0))
    for footprint in (1e-6, 1 / 512, 1 / 64):
        off = np.abs(heights_at(surface, points, result, footprint) - np.float32(0.37)).max()
        assert off < 1e-6, footprint


def test_a_flat_plate_is_filtered_as_by_scipy():
    """Source: scipy.ndimage.gaussian_filter, of the picture, away from the plate's edge."""
    surface, size_px, cutoff_mm = flat_surface(40, 40, 10), 1600, 2.5
    rng = np.random.default_rng(0)
    height = ndimage.gaussian_filter(rng.normal(size=(size_px, size_px)), 4.0, mode="reflect").astype(np.float32)
    wide_px = SIGMA_RATIO * cutoff_mm / (40 / size_px)
    want = ndimage.gaussian_filter(height.astype(float), wide_px, truncate=8).astype(np.float32)
    layers = [
        (map_prints(surface, (1001,)), pack_pictures([build_levels(h, 1 / size_px, False)], periodic=False))
        for h in (height, want)
    ]
    points = random_skin_points(surface, 20000, rng)
    at = surface.points_mm(points.triangle, points.barycentric.astype(float))
    inside = ((at[:, :2] > 2.5) & (at[:, :2] < 37.5)).all(axis=1)
    got = heights_at(surface, points, low_passed_map(surface, *layers[0], cutoff_mm))[inside]
    want = heights_at(surface, points, layers[1])[inside]
    print(f"plate: off by {np.std(got - want) / height.std():.5f} (rms), "
          f"{np.abs(got - want).max() / height.std():.5f} (worst) of the rms of the map")  # fmt: skip
    assert np.std(got - want) < 0.004 * height.std()
    assert np.abs(got - want).max() < 0.02 * height.std()


def test_blocks_and_threads_change_no_bit(monkeypatch):
    surface = surface_from_mesh(mirrored_density_square(), "mm")
    source = painted(surface, lambda p: np.sin(3 * p[:, 0]) + np.cos(2 * p[:, 1]), 512)
    runs = [
        low_passed_map(surface, *source, 0.8, n_threads=threads, block_texels=texels)
        for threads, texels in ((1, 1 << 30), (2, 1 << 14), (3, 1))
    ]
    for other in runs[1:]:
        assert np.array_equal(runs[0][1].coefficients, other[1].coefficients)
        assert np.array_equal(runs[0][0].corner_mm, other[0].corner_mm)
    # a large picture is made by all threads
    monkeypatch.setattr("poredepth.raster.low_pass.LARGE_TEXELS", 1)
    by_all = low_passed_map(surface, *source, 0.8, n_threads=2, block_texels=1 << 14)
    assert np.array_equal(runs[0][1].coefficients, by_all[1].coefficients)


def test_cutting_a_piece_into_pictures_changes_next_to_nothing(monkeypatch):
    surface = surface_from_mesh(mirrored_square(), "mm")
    source = painted(surface, lambda p: np.sin(3 * p[:, 0]) + np.cos(2 * p[:, 1]), 512)
    points = random_skin_points(surface, 20000, np.random.default_rng(0))
    whole = low_passed_map(surface, *source, 0.8)
    monkeypatch.setattr(low_pass_grids, "PICTURE_PX", 100)
    cut = low_passed_map(surface, *source, 0.8)
    assert len(cut[1].first_level) > 4 * len(whole[1].first_level)
    off = np.abs(heights_at(surface, points, cut) - heights_at(surface, points, whole)).max()
    print(f"pieces cut into {len(cut[1].first_level) - 1} pictures: off by {off:.2g} of heights of 2")
    assert off < 2e-5


@pytest.mark.parametrize("mesh", [mirrored_square, mirrored_density_square, kinked_square])
def test_a_low_pass_of_a_low_pass_is_one_of_the_longer_cutoff(mesh):
    """Variances of Gaussians add."""
    surface = surface_from_mesh(mesh(), "mm")
    bump = np.random.default_rng(3).uniform(-1, 1, (40, 3)) * 4

    def height(p):
        return np.sin(p @ bump.T + np.arange(40)).mean(axis=1)

    source = painted(surface, height, 2048)
    once = low_passed_map(surface, *source, 2.5)
    twice = low_passed_map(surface, *low_passed_map(surface, *source, 0.8), np.sqrt(2.5**2 - 0.8**2))
    points = random_skin_points(surface, 20000, np.random.default_rng(0))
    at = surface.points_mm(points.triangle, points.barycentric.astype(float))
    inside = ((at[:, :2] > 3) & (at[:, :2] < 37)).all(axis=1)
    first, second = (heights_at(surface, points, one)[inside] for one in (once, twice))
    print(f"{mesh.__name__}: cascade off by {np.std(first - second) / first.std():.4f} of the rms (rms), "
          f"{np.abs(first - second).max() / first.std():.4f} (worst)")  # fmt: skip
    assert np.std(first - second) < 0.01 * first.std()


def test_skin_beyond_an_open_border_has_no_part():
    """Beside the edge of a plate a slope is flattened as the mean over the half plane says: sigma sqrt(2 / pi)."""
    surface, cutoff_mm = flat_surface(40, 40, 10), 2.5
    source = painted(surface, lambda p: p[:, 0], 1024)
    result = low_passed_map(surface, *source, cutoff_mm)
    left = np.flatnonzero(np.isclose(surface.corner_mm[:, :, 0], 0).sum(axis=1) == 2)
    on_edge = np.isclose(surface.corner_mm[left, :, 0], 0) / 2
    middle = np.abs(surface.corner_mm[left].mean(axis=1)[:, 1] - 20) < 14
    got = heights_at(surface, SkinPoints(left[middle].astype(np.int32), on_edge[middle].astype(np.float32)), result)
    assert got == pytest.approx(np.full(middle.sum(), SIGMA_RATIO * cutoff_mm * np.sqrt(2 / np.pi)), rel=0.03)


@pytest.mark.parametrize("fold_mm", [4.0, 2.0, 1.0, 0.5])
def test_a_bend_of_the_skin_changes_little(fold_mm):
    """A strip folded about a half circle, and the same strip flat: distances are straight, not along the skin."""
    cutoff_mm, size_px, scale_mm = 0.8, 2048, 1.1 * (80 + strip_bend_mm(fold_mm))

    def wave(u):
        return np.sin(2 * np.pi * u * scale_mm / cutoff_mm)

    picture = np.tile(wave((np.arange(size_px) + 0.5) / size_px), (size_px, 1)).astype(np.float32)
    pictures = pack_pictures([build_levels(picture, 1 / size_px, False)], periodic=False)
    gains = []
    for folded in (False, True):
        surface = surface_from_mesh(strip_mesh(folded, gap_mm=fold_mm), "mm")
        result = low_passed_map(surface, map_prints(surface, (1001,)), pictures, cutoff_mm)
        bend = surface.tri_group == surface.group_names.index("bend")
        points = random_skin_points(surface, 20000, np.random.default_rng(0), bend)
        u = np.einsum("nk,nk->n", points.barycentric, surface.corner_uv[points.triangle, :, 0])
        gains += _gains(heights_at(surface, points, result), wave(u)[:, None]).tolist()
    print(f"half circle of diameter {fold_mm} mm, cutoff {cutoff_mm} mm: gain {gains[1]:.4f}, flat {gains[0]:.4f}")
    assert gains[0] == pytest.approx(0.5, abs=0.005)
    assert gains[1] == pytest.approx(gains[0], abs=0.01 if fold_mm >= 2 else 0.1)


def strip_bend_mm(gap_mm: float) -> float:
    """Length of the bend of `strip_mesh`: eight chords of a half circle."""
    return 8 * gap_mm * np.sin(np.pi / 16)


def test_triangles_without_uvs_have_no_part_and_a_wrong_cutoff_is_told():
    whole = flat_surface(40, 40, 10)
    tri_uv = whole.tri_uv_vertex.copy()
    tri_uv[::7] = -1
    surface = replace(whole, tri_uv_vertex=tri_uv)
    flat = pack_pictures([build_levels(np.ones((64, 64), np.float32), 1 / 64, False)], periodic=False)
    prints = map_prints(surface, (1001,))
    result = low_passed_map(surface, prints, flat, 0.8)
    lost = np.flatnonzero(~surface.has_uv).astype(np.int32)
    assert len(lost) > 20
    centre = np.full((len(lost), 3), 1 / 3, np.float32)
    assert (heights_at(surface, SkinPoints(lost, centre), result) == 0).all()
    points = random_skin_points(surface, 5000, np.random.default_rng(0), surface.has_uv)
    assert heights_at(surface, points, result) == pytest.approx(np.ones(5000), abs=1e-6)  # nor do they dim what is near
    with pytest.raises(PatchError, match=r"cutoff_mm is 0; allowed is a number above 0 \(mm along the skin\)"):
        low_passed_map(surface, prints, flat, 0)
