"""How layers join the mix: add, replace, deepest, highest, per band; transitions; thinning; parts that add up."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from poredepth import HeightPatch, PolygonMesh, compose, compose_parts
from poredepth.mix.thinning import Thinning, curvature_per_mm
from poredepth.mix.tracks import Rule, extreme_mm
from poredepth.patch.bands import SIGMA_PER_CUTOFF, Cutoffs
from poredepth.raster.window import Window
from poredepth.surface.regions import region_weight
from tests.meshes import grid
from tests.recipes import composed_of, scatter_layer

SIZE_PX = 1024
SIDE_MM = 60.0
CUTOFFS = Cutoffs(2.5, 0.8)


def noise(seed: int, sq_mm: float, blur_px: float = 2.0) -> HeightPatch:
    """A stochastic patch of 20 mm: Gaussian noise on texels of 0.05 mm."""
    relief = gaussian_filter(np.random.default_rng(seed).normal(size=(400, 400)), blur_px, mode="wrap")
    return HeightPatch(f"noise {seed}", relief * sq_mm / relief.std(), 0.05)


def plate(layers, patches, maps=None, **keys):
    """Layers on a plate of 60 mm, 1024 px, whose right half, x > 30, is the group ``right``."""
    position, faces = grid(SIDE_MM, SIDE_MM, 24, 24)
    side = np.where(position[np.array(faces), 0].mean(axis=1) > SIDE_MM / 2, "right", "left")
    mesh = PolygonMesh.from_arrays(position, faces, position[:, :2] / SIDE_MM, faces, groups=side.tolist())
    output = {"size_px": SIZE_PX, "seams": "untouched", **keys.pop("output", {})}
    return composed_of(mesh, "mm", patches, layers, output=output, maps=maps, **keys)


def height_mm(composition) -> np.ndarray:
    return compose(composition)[1001].height_mm


def bands_of(composition) -> dict[str, np.ndarray]:
    return {name: tiles[1001].height_mm for name, tiles in compose_parts(composition, "bands").items()}


def column(x_mm: float) -> int:
    return int(x_mm / SIDE_MM * SIZE_PX)


def map_layer(name: str, **keys):
    return {"name": name, "map": "array", "scale_mm": 1.0, **keys}


RIGHT = {"right": {"group": "right", "feather_mm": 5}}
FEATHERS_MM = {"coarse": 5 * 2.5 / 0.8, "middle": 5 * math.sqrt(2.5 / 0.8), "fine": 5.0}


def _sq_of_columns(height_mm: np.ndarray, low_mm: float, high_mm: float) -> float:
    part = height_mm[:, column(low_mm) : column(high_mm)]
    return float(np.sqrt((part.astype(float) ** 2).mean()))


@pytest.mark.parametrize(("below_um", "above_um"), [(10.0, 10.0), (8.0, 16.0)])
def test_the_contrast_of_two_textures_is_kept_where_they_fade_into_each_other(below_um, above_um):
    """Source of the loss of a plain cross-fade: independent variances add by the squares of their weights."""
    patches = {"below": noise(1, below_um / 1000), "above": noise(2, above_um / 1000)}
    layers = [
        scatter_layer("below", 12.0),
        scatter_layer("above", 12.0, region="right", combine="replace"),
    ]
    found = height_mm(plate(layers, patches, regions=RIGHT, bands={"transitions": "even"}))
    below, above, middle = (_sq_of_columns(found, *at) for at in ((5, 25), (35, 55), (29.5, 30.5)))
    mean = (below + above) / 2
    alone = [
        height_mm(plate([layer | {"combine": "add"}], patches)) for layer in (layers[0], scatter_layer("above", 12.0))
    ]
    plain = _sq_of_columns(0.5 * (alone[0] + alone[1]), 29.5, 30.5)
    print(f"Sq {1e3 * below:.2f}, {1e3 * middle:.2f}, {1e3 * above:.2f} um; plain {1e3 * plain:.2f} um")
    assert below == pytest.approx(below_um / 1000, rel=0.04) and above == pytest.approx(above_um / 1000, rel=0.04)
    assert middle == pytest.approx(mean, rel=0.03)
    assert plain < 0.8 * mean


def test_coarse_bands_fade_over_more_skin_than_fine_ones():
    """Feathers in proportion to the wavelengths 0.8, sqrt(0.8 x 2.5) and 2.5 mm: read off maps that are flat but for
    one band each, on the plate (Burt & Adelson 1983)."""
    c = plate([scatter_layer("noise 1", 12.0, region="right")], {"noise 1": noise(1, 0.01)}, regions=RIGHT)
    points = c.raster().skin_points(1001, Window(SIZE_PX // 2, 0, 1, SIZE_PX))
    x_mm = (np.arange(SIZE_PX) + 0.5) * SIDE_MM / SIZE_PX - SIDE_MM / 2
    for region, (name, feather_mm) in zip(c.layers[0].regions, FEATHERS_MM.items(), strict=True):
        weight = region_weight(c.surface, region, points.triangle, points.barycentric)
        at = np.clip(x_mm / feather_mm + 0.5, 0, 1)
        assert np.abs(weight - at * at * (3 - 2 * at)).max() < 1e-3, name


def test_replacing_regions_that_meet_leave_nothing_of_what_was_there():
    """Two regions whose edges are each other's: at the border each has half, the base none."""
    flat = {name: HeightPatch(name, np.full((100, 100), 0.0), 0.2) for name in ("one", "two")}
    regions = {**RIGHT, "left": {"group": "left", "feather_mm": 5}}
    base = np.full((256, 256), 0.3, np.float32)
    layers = [
        map_layer("base"),
        scatter_layer("one", 12.0, region="left", combine="replace"),
        scatter_layer("two", 12.0, region="right", combine="replace") | {"name": "two"},
    ]
    found = height_mm(plate(layers, flat, {"base": {1001: base}}, regions=regions))
    assert np.abs(found).max() < 1e-6
    alone = height_mm(plate(layers[:2], flat, {"base": {1001: base}}, regions=regions))
    assert alone[:, column(30)] == pytest.approx(0.15, abs=2e-3) and alone[:, -1] == pytest.approx(0.3, abs=1e-6)


@pytest.mark.parametrize("band", ["coarse", "middle", "fine"])
@pytest.mark.parametrize("combine", ["replace", "deepest", "highest"])
def test_a_rule_on_one_band_leaves_the_others_bit_for_bit_alone(band, combine):
    patches = {"below": noise(1, 0.01, 6.0), "above": noise(2, 0.03, 6.0)}
    base = [scatter_layer("below", 12.0)]
    top = scatter_layer("above", 12.0, region="right", combine=combine, bands=[band])
    before, after = (bands_of(plate(layers, patches, regions=RIGHT)) for layers in (base, [*base, top]))
    feather_mm = FEATHERS_MM[band]
    for name in before:
        if name != band:
            assert np.array_equal(before[name], after[name]), name
    moved = before[band] != after[band]
    assert not moved[:, : column(30 - feather_mm / 2) - 1].any()
    assert moved[:, column(30 + feather_mm / 2) + 1 :].mean() > (0.98 if combine == "replace" else 0.3)


def test_replace_puts_the_bands_of_the_layer_in_place_of_those_below():
    patches = {"below": noise(1, 0.01), "above": noise(2, 0.03)}
    layers = [
        scatter_layer("below", 12.0),
        scatter_layer("above", 12.0, region="right", combine="replace", bands=["fine"]),
    ]
    found = bands_of(plate(layers, patches, regions=RIGHT))
    by_itself = scatter_layer("above", 12.0, region="right", bands=["fine"])  # prints lie where any band is laid
    alone = [bands_of(plate([layer], patches, regions=RIGHT)) for layer in (layers[0], by_itself)]
    inside, outside = slice(column(36), None), slice(0, column(24))
    assert np.abs(found["fine"][:, inside] - alone[1]["fine"][:, inside]).max() < 1e-8
    assert np.array_equal(found["fine"][:, outside], alone[0]["fine"][:, outside])
    for band in ("coarse", "middle"):
        assert np.array_equal(found[band], alone[0][band])


@pytest.mark.parametrize(("kind", "of"), [("deepest", np.minimum), ("highest", np.maximum)])
def test_deepest_and_highest_by_their_formula(kind, of):
    """Band by band, inside the region, on a composition and by hand."""
    patches = {"below": noise(1, 0.01, 6.0), "above": noise(2, 0.01, 6.0)}
    layers = [scatter_layer("below", 12.0), scatter_layer("above", 12.0, gain=1.5, combine=kind)]
    found = bands_of(plate(layers, patches))
    one, two = (bands_of(plate([scatter_layer(name, 12.0)], patches)) for name in patches)
    for band in one:
        assert np.abs(found[band] - of(one[band], 1.5 * two[band])).max() < 1e-7


def test_smooth_extremes_have_no_kink_and_are_exact_where_heights_are_apart():
    a, smooth_mm = np.linspace(-0.1, 0.1, 4001, dtype=np.float32), 0.02
    step = float(a[1] - a[0])
    for kind, sign in (("deepest", 1), ("highest", -1)):
        sharp, smooth = (extreme_mm(a * 0, sign * a, Rule(kind, s)) for s in (0.0, smooth_mm))
        assert np.array_equal(sharp, sign * np.minimum(a, 0))
        apart = (a >= 0) | (a < -1.001 * smooth_mm)
        assert smooth[apart] == pytest.approx(sharp[apart], abs=1e-9)  # equal heights, and all that are apart
        middle = np.argmin(np.abs(a + smooth_mm / 2))
        assert sign * smooth[middle] == pytest.approx(-(0.5**2) * 1.5 * smooth_mm, rel=1e-3)
        bend = np.abs(np.diff(smooth.astype(float), 2)) / step
        assert bend.max() < 1.1 * 4 * step / smooth_mm  # r'' is 4 / s at most
        assert np.abs(np.diff(sharp.astype(float), 2)).max() / step > 0.9


def test_a_layer_thins_out_where_another_is_deep():
    """A groove 0.4 mm deep: pores end where it is deeper than 150 um, half of them at 150 um."""
    x = (np.arange(512) + 0.5) / 512 * SIDE_MM
    groove = np.tile(-0.4 * np.exp(-0.5 * ((x - 30) / 6) ** 2), (512, 1)).astype(np.float32)
    patches = {"noise 1": noise(1, 0.01)}
    pores = scatter_layer("noise 1", 12.0, thin_where={"layer": "sculpt", "deeper_than_um": 150, "softness_um": 50})
    maps = {"sculpt": {1001: groove}}
    c = plate([map_layer("sculpt"), pores], patches, maps)
    laid = compose_parts(c, "layers")[pores["name"]][1001].height_mm
    whole = height_mm(plate([scatter_layer("noise 1", 12.0)], patches))
    depth = 0.4 * np.exp(-0.5 * (((np.arange(SIZE_PX) + 0.5) / SIZE_PX * SIDE_MM - 30) / 6) ** 2)
    at = np.clip((depth - 0.150) / 0.050 + 0.5, 0, 1)
    assert np.abs(laid - whole * (1 - at * at * (3 - 2 * at))).max() < 2e-5
    assert np.abs(laid[:, column(30)]).max() < 1e-9 and np.ptp(whole[:, column(30)]) > 0.02


@pytest.mark.parametrize("form", ["valleys", "ridges", "both"])
def test_a_layer_thins_out_where_the_mix_is_strongly_curved(form):
    """Curvature of a sine by its second derivative: the middle band tells it for waves longer than its cutoffs."""
    wave_mm, amplitude_mm = 6.0, 0.3
    x = (np.arange(2048) + 0.5) / 2048 * SIDE_MM
    waves = np.tile(amplitude_mm * np.sin(2 * np.pi * x / wave_mm), (2048, 1)).astype(np.float32)
    thin = {"curvature_over_per_mm": 0.15, "form": form}
    layers = [map_layer("sculpt"), scatter_layer("noise 1", 12.0, thin_where=thin)]
    c = plate(layers, {"noise 1": noise(1, 0.01)}, {"sculpt": {1001: waves}})
    laid = compose_parts(c, "layers")[layers[1]["name"]][1001].height_mm
    phase = 2 * np.pi * (np.arange(SIZE_PX) + 0.5) / SIZE_PX * SIDE_MM / wave_mm
    rows = laid[100:-100, 50:-50].astype(float)
    at = np.sin(phase[50:-50])
    valley, ridge = (float(np.sqrt((rows[:, where] ** 2).mean())) for where in (at < -0.97, at > 0.97))
    slope = float(np.sqrt((rows[:, np.abs(at) < 0.1] ** 2).mean()))
    assert slope > 0.009
    assert (valley < 1e-4) == (form != "ridges") and (ridge < 1e-4) == (form != "valleys")


def test_the_middle_band_tells_curvature():
    """Own derivation (heat equation), on a sine far longer than the cutoffs, where a Gaussian leaves all of it."""
    wave_mm, amplitude_mm, texel_mm = 20.0, 0.5, 0.1
    x = np.arange(200) * texel_mm
    z = amplitude_mm * np.sin(2 * np.pi * x / wave_mm)
    fine, coarse = (gaussian_filter(z, SIGMA_PER_CUTOFF * c / texel_mm, mode="wrap", truncate=8) for c in (0.8, 2.5))
    found = curvature_per_mm((fine - coarse).astype(np.float32), CUTOFFS)
    assert found == pytest.approx(
        -((2 * np.pi / wave_mm) ** 2) * z, abs=0.015 * (2 * np.pi / wave_mm) ** 2 * amplitude_mm
    )
    assert Thinning(None, "curvature", 0.02, 0.01, "both", CUTOFFS).left(fine * 0 - 1) == pytest.approx(0)


@pytest.mark.parametrize("size_px", [512, 1024])
def test_parts_add_up_to_the_map(size_px):
    patches = {"below": noise(1, 0.01, 6.0), "above": noise(2, 0.03)}
    x = (np.arange(512) + 0.5) / 512
    form = (2.0 * np.outer(np.sin(5 * x), np.cos(7 * x))).astype(np.float32)
    layers = [
        map_layer("form", gain={"fine": 0.2}),
        scatter_layer("below", 12.0),
        scatter_layer("above", 12.0, region="right", gain={"middle": 0.5}),
    ]
    c = plate(layers, patches, {"form": {1001: form}}, regions=RIGHT, output={"size_px": size_px, "seams": "eased"})
    whole = height_mm(c).astype(float)
    for by, names in (("layers", [layer["name"] for layer in layers]), ("bands", ["coarse", "middle", "fine"])):
        parts = compose_parts(c, by)
        assert list(parts) == [*names, "seams"]
        total = sum(tiles[1001].height_mm.astype(float) for tiles in parts.values())
        print(by, np.abs(total - whole).max())
        assert np.abs(total - whole).max() < 1e-6
