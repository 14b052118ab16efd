"""Edges of regions, band by band: ramps, disks, sets, painted masks; and a mix of everything over several charts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_mesh, flat_surface, sphere_mesh
from meshes_seams import mirrored_square, square_in_two_tiles
from recipes import composed_of, pore_patch, relief_patch, scatter_layer
from scipy.special import erf

from poredepth import Blocking, compose, compose_parts, random_skin_points
from poredepth.mix.blocks import window_height_mm
from poredepth.mix.edges import LEAST_PAINTED, Edges, softened, widenings
from poredepth.patch.bands import SIGMA_PER_CUTOFF, Cutoffs
from poredepth.patch.types import HeightPatch
from poredepth.raster.texels import TileRaster
from poredepth.raster.window import Window
from poredepth.recipe.model_skin import RegionSpec
from poredepth.surface.masks import filled_beside_charts
from poredepth.surface.regions import PictureField, build_regions, region_triangles, region_weight
from poredepth.surface.skin import surface_from_mesh

CUTOFFS = Cutoffs(2.5, 0.8)


def _edges(surface, specs, **kinds) -> Edges:
    regions = build_regions(
        surface,
        {name: RegionSpec(**spec) for name, spec in specs.items()},
        lambda name: kinds[name],
        widest=widenings(CUTOFFS, "middle")[0].width_mm,
    )
    return Edges(surface, regions)


def _weights(edges, name, points, kept="middle"):
    fields = edges.fields(name, CUTOFFS, kept)
    return [region_weight(edges.surface, field, points.triangle, points.barycentric) for field in fields]


def _smooth(x):
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


@pytest.mark.parametrize(("kept", "shift"), [("middle", 0.0), ("outer", 1.0)])
def test_a_disk_has_the_feather_of_each_band(kept, shift):
    """With the outer end kept, an edge grows inwards only."""
    surface = flat_surface(80, 80, 20)
    edges = _edges(surface, {"disk": {"center": [40, 40, 0], "radius_mm": 20, "feather_mm": 4}})
    points = random_skin_points(surface, 20_000, np.random.default_rng(0))
    r_mm = np.hypot(*(surface.points_mm(points.triangle, points.barycentric.astype(float))[:, :2] - 40).T)
    for weight, ratio in zip(_weights(edges, "disk", points, kept), (3.125, math.sqrt(3.125), 1.0), strict=True):
        width_mm = 4 * ratio
        middle_mm = 20 - shift * 0.5 * (width_mm - 4)
        assert np.abs(weight - _smooth((middle_mm - r_mm) / width_mm + 0.5)).max() < 0.01


def test_a_hard_edge_is_a_wavelength_wide_in_coarser_bands():
    surface = flat_surface(40, 40, 40)
    edges = _edges(surface, {"disk": {"center": [20, 20, 0], "radius_mm": 10, "feather_mm": 0}})
    points = random_skin_points(surface, 50_000, np.random.default_rng(0))
    r_mm = np.hypot(*(surface.points_mm(points.triangle, points.barycentric.astype(float))[:, :2] - 20).T)
    for weight, width_mm in zip(_weights(edges, "disk", points), (2.5, math.sqrt(2.0), 1e-3), strict=True):
        assert np.abs(weight - _smooth((10 - r_mm) / width_mm + 0.5)).max() < 0.02 or width_mm < 0.01
    assert ((weight == 1) == (r_mm < 10))[np.abs(r_mm - 10) > 0.01].all()


def test_sets_are_widened_part_by_part_and_complements_add_up_to_one():
    surface = flat_surface(80, 80, 20)
    whole = {"center": [40, 40, 0], "radius_mm": 200, "feather_mm": 1}
    specs = {
        "whole": whole,
        "disk": {"center": [40, 40, 0], "radius_mm": 15, "feather_mm": 6},
        "rest": {"subtract": ["whole", "disk"]},
        "both": {"union": ["rest", "disk"]},
    }
    edges = _edges(surface, specs)
    points = random_skin_points(surface, 20_000, np.random.default_rng(0))
    for disk, rest in zip(_weights(edges, "disk", points), _weights(edges, "rest", points), strict=True):
        assert disk + rest == pytest.approx(1.0, abs=1e-6)
    # kept at its outer end, what is subtracted grows outwards: the rest covers no more than before
    own = region_triangles(surface, edges.regions["rest"])
    for field in edges.fields("rest", CUTOFFS, "outer"):
        assert not (region_triangles(surface, field) & ~own).any()


def test_one_feather_for_all_bands_if_asked():
    surface = flat_surface()
    edges = replace(_edges(surface, {"disk": {"center": [20, 20, 0], "radius_mm": 9}}), proportional=False)
    assert all(field is edges.regions["disk"] for field in edges.fields("disk", CUTOFFS))


def test_a_painted_edge_is_softened_by_the_areal_gaussian():
    """A step through the standard's filter is an error function of sigma 0.1874 cutoffs."""
    surface = flat_surface(40, 40, 10)
    picture = np.zeros((2000, 2000), np.float32)
    picture[:, 1000:] = 1
    points = random_skin_points(surface, 20_000, np.random.default_rng(0))
    x_mm, y_mm, _ = surface.points_mm(points.triangle, points.barycentric.astype(float)).T
    inner = (np.abs(x_mm - 20) < 15) & (np.abs(y_mm - 20) < 15)
    for cutoff_mm in (math.sqrt(2.0), 2.5):
        field = softened(surface, PictureField({1001: picture}), cutoff_mm)
        weight = region_weight(surface, field, points.triangle, points.barycentric)
        due = 0.5 * (1 + erf((x_mm - 20) / (SIGMA_PER_CUTOFF * cutoff_mm * math.sqrt(2))))
        due = np.clip((due - LEAST_PAINTED) / (1 - 2 * LEAST_PAINTED), 0, 1)  # so that it ends
        assert np.abs(weight - due)[inner].max() < 0.01
        assert (weight[x_mm < 20 - cutoff_mm] == 0).all()
        touched = region_triangles(surface, field)[points.triangle]
        assert touched[weight > 0].all() and not touched.all()


@pytest.mark.parametrize("mesh", [mirrored_square, square_in_two_tiles], ids=lambda mesh: mesh.__name__)
def test_softened_masks_pass_through_seams(mesh):
    """Masks painted up to the borders of the charts and no texel beyond: seams do not show in them."""
    surface = surface_from_mesh(mesh(), "mm")
    raster = TileRaster(surface, 512, 0)
    painted = {}
    for tile in raster.tiles:
        points = raster.skin_points(tile, raster.whole())
        y_mm = surface.points_mm(np.maximum(points.triangle, 0), points.barycentric.astype(float))[:, 1]
        white = (points.triangle >= 0) & (y_mm > 20)
        painted[tile] = white.reshape(512, 512).astype(np.float32)
    field = softened(surface, PictureField(filled_beside_charts(surface, painted)), 2.5)
    points = random_skin_points(surface, 40_000, np.random.default_rng(0))
    x_mm, y_mm, _ = surface.points_mm(points.triangle, points.barycentric.astype(float)).T
    weight = region_weight(surface, field, points.triangle, points.barycentric)
    due = 0.5 * (1 + erf((y_mm - 20) / (SIGMA_PER_CUTOFF * 2.5 * math.sqrt(2))))
    off = np.abs(weight - due)
    beside = np.abs(x_mm - 20) < 0.5
    inner = (y_mm > 3) & (y_mm < 37) & (np.abs(x_mm - 20) < 15)
    print(f"off by {off[inner].max():.3f} at most, beside the seam {off[inner & beside].max():.3f}")
    assert off[inner].max() < 0.03  # texels of 0.2 mm
    white = inner & (y_mm > 24)
    assert weight[white & beside].min() > 0.97


def _everything(mesh, size_px=256):
    """All rules at once: a map with gains, sets of regions, thinning by a layer, by depth and by curvature."""
    surface = surface_from_mesh(mesh, "mm")
    raster = TileRaster(surface, 256, 8)
    form = {}
    for tile in raster.tiles:
        points = raster.skin_points(tile, raster.whole())
        at = surface.points_mm(np.maximum(points.triangle, 0), points.barycentric.astype(float))
        form[tile] = (0.3 * np.sin(at @ [0.9, 0.5, 0.7])).reshape(256, 256).astype(np.float32)
    layers = [
        {"name": "form", "map": "array", "scale_mm": 1.0, "gain": {"fine": 0.2, "middle": 1.5}},
        scatter_layer("pores", 12.0, region="disk", combine="replace", bands=["fine", "middle"]),
        scatter_layer("relief", 14.0, region="rest", combine="replace", gain=0.7),
        scatter_layer("relief", 11.0, combine="deepest", smooth_um=8, bands=["middle"], region="disk"),
        scatter_layer("pores", 13.0, combine="highest", cutoffs={"fine_mm": 0.5}, bands=["coarse", "fine"]),
        scatter_layer("pores", 10.0, thin_where={"layer": "form", "deeper_than_um": 100}),
        scatter_layer("relief", 10.0, thin_where={"curvature_over_per_mm": 0.1}),
        scatter_layer("relief", 9.0, thin_where={"deeper_than_um": 150}, region="none"),
    ]
    centre = surface.position_mm[np.argmax(surface.position_mm[:, 2] + 0.1 * surface.position_mm[:, 0])].tolist()
    regions = {
        "disk": {"center": centre, "radius_mm": 9, "feather_mm": 3},
        "all": {"center": centre, "radius_mm": 500},
        "rest": {"subtract": ["all", "disk"]},
        "none": {"subtract": ["disk", "all"]},
    }
    patches = {"pores": pore_patch(), "relief": relief_patch()}
    return composed_of(mesh, "mm", patches, layers, regions=regions, maps={"form": form}, output={"size_px": size_px})


@pytest.mark.filterwarnings("ignore::poredepth.mix.compile.EmptyLayerWarning")
@pytest.mark.parametrize("mesh", [sphere_mesh, mirrored_square, square_in_two_tiles], ids=lambda mesh: mesh.__name__)
def test_blocks_threads_and_windows_change_no_bit_of_a_mix_of_everything(mesh):
    c = _everything(mesh())
    whole = compose(c, blocking=Blocking(1, 1 << 30))
    tile = max(whole)
    for blocking in (Blocking(2, 256 * 7), Blocking(3, 256 * 50)):
        found = compose(c, blocking=blocking)
        assert all(np.array_equal(found[t].height_mm, whole[t].height_mm) for t in whole)
    for window in (Window(0, 0, 31, 17), Window(101, 3, 55, 200)):
        crop = window_height_mm(c.layers, c.ground, c.raster(), tile, window, c.seam_correction())
        assert np.array_equal(crop, whole[tile].height_mm[window.slices])
    for by in ("layers", "bands"):
        parts = compose_parts(c, by)
        total = sum(tiles[tile].height_mm.astype(float) for tiles in parts.values())
        assert np.abs(total - whole[tile].height_mm).max() < 1e-6
    assert whole[tile].height_mm.std() > 0.01


def test_a_scan_piece_replaces_what_lies_below_it_and_nothing_else():
    """A piece with a mask, on noise: inside, past its fades, its bands are all there is; outside, nothing changed."""
    rng = np.random.default_rng(3)
    h = rng.normal(0, 0.01, (300, 400))
    inside = np.zeros(h.shape, np.float32)
    inside[20:280, 20:380] = 1
    scan = HeightPatch("scan", h, 0.05, periodic=False, inside=inside)
    ties = [
        {"px": [x, y], "at": [10 + 0.05 * x, 30 - 0.05 * y, 0]} for x, y in ((0, 0), (400, 0), (0, 300), (400, 300))
    ]
    piece = {"name": "piece", "patch": "scan", "place": "registered", "tie_points": ties, "feather_mm": 1}
    below = scatter_layer("relief", 10.0)
    patches = {"relief": relief_patch(), "scan": scan}

    def made(*layers):
        used = {name: patches[name] for name in patches if any(layer["patch"] == name for layer in layers)}
        c = composed_of(flat_mesh(n=20), "mm", used, layers, output={"size_px": 800, "seams": "untouched"})
        return {name: tiles[1001].height_mm for name, tiles in compose_parts(c, "bands").items()}

    both, alone, ground = made(below, piece | {"combine": "replace"}), made(piece), made(below)
    v, u = np.mgrid[0:800, 0:800]
    x, y = (u + 0.5) * 0.05, 40 - (v + 0.5) * 0.05
    border_mm = np.minimum.reduce([x - 11, 29 - x, y - 16, 29 - y])  # the inside's border
    for band, fade_mm in (("coarse", 2.5), ("middle", math.sqrt(2.0)), ("fine", 1.0)):
        whole = border_mm > fade_mm + 0.3
        assert np.abs(both[band] - alone[band])[whole].max() < 1e-6
        assert np.abs(both[band] - ground[band])[border_mm < -0.2].max() < 1e-6
        assert np.abs(alone[band][whole]).max() > 1e-4
