"""Anti-aliasing: a coarse map is the fine one filtered and reduced, on square texels and on long ones."""

import numpy as np
import pytest
from meshes import flat_mesh, grid
from recipes import composed_of, grating, pore_patch, scatter_layer
from scipy import ndimage

from poredepth import PolygonMesh, compose
from poredepth.mix.bands import LayerBands, Relief
from poredepth.surface.metric import MOST_TAPS, footprint
from poredepth.surface.skin import surface_from_mesh

PATCH_TEXEL_MM = 0.02


def _heights(composition, size_px) -> np.ndarray:
    return compose(composition, size_px=size_px)[1001].height_mm.astype(float)


def _plate(layers, patches, side_mm):
    output = {"size_px": 256, "seams": "untouched"}
    regions = {"all": {"center": [side_mm / 2, side_mm / 2, 0], "radius_mm": 500}}
    return composed_of(flat_mesh(side_mm, side_mm, 12), "mm", patches, layers, output=output, regions=regions)


def _reduced(fine, ratio: int, fine_texel_mm: float) -> np.ndarray:
    """The definition: a Gaussian of sigma half a coarse texel, less what the fine map was filtered by, at coarse texel
    centres (docs/sampling.md).  Gaussian and spline by scipy."""
    done = 0.25 if fine_texel_mm >= 2 * PATCH_TEXEL_MM else max((1 - (PATCH_TEXEL_MM / fine_texel_mm) ** 2) / 3, 0.0)
    blurred = ndimage.gaussian_filter(fine, np.sqrt(0.25 * ratio**2 - done), mode="nearest", truncate=6)
    at = (np.arange(len(fine) // ratio) + 0.5) * ratio - 0.5
    return ndimage.map_coordinates(blurred, np.meshgrid(at, at, indexing="ij"), order=3, mode="nearest")


INNER = slice(8, -8)

LAID = {
    "scatter": scatter_layer("pores", 10.0),
    "spread": {"name": "sheet", "patch": "pores", "place": "spread", "region": "all"},
}


@pytest.mark.parametrize("place", ["scatter", "spread"])
@pytest.mark.parametrize("texel_mm", [0.055, 0.066, 0.0778, 0.0935])
def test_a_map_equals_a_finer_one_filtered_and_reduced(place, texel_mm):
    """Texels of 55 to 94 um against four times as large ones, as 8K against 2K on a head; levels of the pyramid in
    between as well.  Without prefilter, by looking up the patch itself, the same is many times worse."""
    side_mm = 512 * texel_mm
    c = _plate([LAID[place]], {"pores": pore_patch()}, side_mm)
    fine, coarse = _heights(c, 512), _heights(c, 128)
    reduced = _reduced(fine, 4, texel_mm)[INNER, INNER]
    sq = fine.std()
    off = (coarse[INNER, INNER] - reduced).std() / sq
    layer = c.layers[0]
    first = layer.pictures.levels[:1].copy()
    unfiltered = type(layer.pictures)(np.array([0, 1], np.int32), first, *_rest(layer.pictures))
    plain = type(c)(
        c.recipe, c.patches, c.ground, (type(layer)("x", LayerBands(Relief(layer.prints, unfiltered), None), False),)
    )
    aliased = (_heights(plain, 128)[INNER, INNER] - reduced).std() / sq
    print(f"{place}, {1e3 * texel_mm:.0f} um / {4e3 * texel_mm:.0f} um: off by {100 * off:.2f} % of Sq, of the coarse "
          f"map's own {100 * off * sq / coarse.std():.2f} %; without prefilter {100 * aliased:.0f} %")  # fmt: skip
    assert off < 0.02 if texel_mm == 0.055 or place == "spread" else off < 0.035
    assert aliased > 8 * off


def _rest(pictures):
    return pictures.coefficients, pictures.mean_mm


def _long_plate(ratio: float, turn_deg: float, n: int = 10, side_mm: float = 40.0) -> PolygonMesh:
    """A plate whose texels are ``ratio`` times as long along x as along y, its UVs turned."""
    position, faces = grid(side_mm, side_mm, n, n)
    x, y = (position[:, 0] - side_mm / 2) / ratio, position[:, 1] - side_mm / 2
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    uv = np.column_stack([c * x - s * y, s * x + c * y]) / side_mm * 0.7 + 0.5
    return PolygonMesh.from_arrays(position, faces, uv, faces)


def _waves(wave_mm: float, size_px: int, turn_deg: float, direction: str) -> float:
    """Amplitude, as a share of the patch's, of waves across one axis of the plate of long texels (4 : 1)."""
    lines = [[20, 2, 0], [20, 38, 0]] if direction == "along x" else [[2, 20, 0], [38, 20, 0]]
    c = composed_of(
        _long_plate(4.0, turn_deg),
        "mm",
        {"grating": grating(wave_mm)},
        [{"name": "waves", "patch": "grating", "place": "spread", "region": "all"}],
        regions={"all": {"center": [20, 20, 0], "radius_mm": 500}},
        directions=[{"points": lines}],
        output={"size_px": size_px, "seams": "untouched"},
        bands={"transitions": "even"},
    )
    raster = c.raster()
    points = raster.skin_points(1001, raster.whole())
    at = c.surface.points_mm(np.maximum(points.triangle, 0), points.barycentric.astype(float))
    inner = (points.triangle >= 0) & (np.abs(at[:, :2] - 20) < 15).all(axis=1)
    along = at[inner, 0 if direction == "along x" else 1]
    basis = np.column_stack([f(2 * np.pi * along / wave_mm) for f in (np.sin, np.cos)])
    fit, rest, *_ = np.linalg.lstsq(basis, c.height_mm(points)[inner].astype(float), rcond=None)
    return float(np.hypot(*fit) / 0.01)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_long_texels_are_filtered_by_both_of_their_sides(turn_deg):
    """Texels of 0.112 mm across and 0.446 mm along: waves along y, which their short side carries, keep the amplitude
    of the closed form for a Gaussian of half of 1.5 short sides; waves along x that of half the long side."""
    size_px = 512
    surface = surface_from_mesh(_long_plate(4.0, turn_deg), "mm")
    texels = footprint(surface, size_px)
    long_mm, short_mm = 4 * 40 / 0.7 / size_px, 40 / 0.7 / size_px
    assert texels.length_mm == pytest.approx(long_mm, rel=1e-5)
    assert texels.size_mm == pytest.approx(1.5 * short_mm, rel=1e-5)
    for wave_mm, direction, sigma_mm in ((0.5, "along y", 0.75 * short_mm), (2.0, "along x", 0.5 * long_mm)):
        due = np.exp(-2 * (np.pi * sigma_mm / wave_mm) ** 2)
        found = _waves(wave_mm, size_px, turn_deg, direction)
        print(f"{direction}: {found:.4f}, closed form {due:.4f}")
        assert found == pytest.approx(due, abs=0.02)
    # what is too fine for the long side is gone, not aliased: waves of 0.6 mm on texels of 0.446 mm
    assert _waves(0.6, size_px, turn_deg, "along x") < 0.09
    # a filter for the long side alone would leave this much of the waves along y
    assert np.exp(-2 * (np.pi * 0.5 * long_mm / 0.5) ** 2) < 0.03


def test_very_long_texels_are_taken_for_wider():
    """More than the taps can do: the even size grows, so that no gap is left between taps."""
    surface = surface_from_mesh(_long_plate(60.0, 0.0), "mm")
    texels = footprint(surface, 256)
    sigma_mm = 0.5 * np.sqrt(texels.length_mm[:, None] ** 2 - texels.size_mm**2)
    assert (2.5 * sigma_mm / texels.size_mm <= MOST_TAPS + 1e-3).all()
    assert (texels.size_mm > 3 * 40 / 0.7 / 256).all()


def test_square_texels_have_no_length_and_triangles_without_uvs_none_either():
    surface = surface_from_mesh(_long_plate(1.4, 20.0), "mm")
    texels = footprint(surface, 256)
    assert (texels.length_mm == 0).all() and (texels.along_per_mm == 0).all()
    assert texels.slope_per_mm.sum(axis=1) == pytest.approx(0, abs=1e-5)
    # gradients of barycentrics: 1 at its own corner, 0 at the others
    flat = surface.flat_mm
    rise = np.einsum("tkx,tjx->tkj", texels.slope_per_mm, flat - flat.mean(axis=1, keepdims=True)) + 1 / 3
    assert rise == pytest.approx(np.broadcast_to(np.eye(3), rise.shape), abs=1e-4)
