"""Anti-aliasing: a coarse map is the fine one filtered and reduced, on square texels and on long ones.

The definition (docs/sampling.md), written here in numpy: a Gaussian of sigma half a texel along both axes of UV.
"""

import numpy as np
import pytest
from meshes import flat_mesh, grid
from recipes import composed_of, grating, pore_patch, scatter_layer

from poredepth import PolygonMesh, compose
from poredepth.mix.combine import Sampling, mixed_height_mm
from poredepth.surface.metric import LAST_TAP, MOST_TAPS, SQUARE_UP_TO, footprint
from poredepth.surface.points import SkinPoints
from poredepth.surface.skin import surface_from_mesh

SHEET = {"name": "sheet", "patch": "p", "place": "spread", "region": "all"}
LAID = {"scatter": scatter_layer("p", 9.0), "spread": SHEET}


def _composed(mesh, patch, layer, **recipe):
    regions = {"all": {"center": [20, 20, 0], "radius_mm": 500}}
    return composed_of(mesh, "mm", {"p": patch}, [layer], output={"seams": "untouched"}, regions=regions, **recipe)


def _height_mm(composition, size_px: int, footprint_mm: float | None = None) -> np.ndarray:
    """A map without what is done along seams; with a footprint, as if texels were of that size."""
    if footprint_mm is None:
        return compose(composition, size_px=size_px)[1001].height_mm.astype(float)
    raster = composition.raster(size_px)
    sampling = Sampling(np.full((composition.surface.n_triangles, 3), footprint_mm, np.float32), size_px)
    points = raster.skin_points(1001, raster.whole())
    height_mm = mixed_height_mm(composition.layers, composition.ground, sampling, points)
    return height_mm.reshape(size_px, size_px).astype(float)


def _reduced(fine, n: int, sigma_px=(0.5, 0.5), turn_deg: float = 0.0) -> np.ndarray:
    """A fine map (n_fine, n_fine) as one of n x n texels is defined: sums over its texels, weighted by a Gaussian.

    sigma_px : of either map's filter, in its own texels, along an axis ``turn_deg`` from u towards v and across it; the
        variance that the fine map has is taken off.
    """
    ratio = len(fine) / n
    sigma = np.array(sigma_px) * np.sqrt(ratio**2 - 1.0)
    reach = int(np.ceil(5.5 * sigma.max())) + 1
    at = (np.arange(n) + 0.5) * ratio - 0.5
    first = np.floor(at).astype(int)
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    padded = np.pad(fine, reach + 1, mode="edge")
    total, weights = np.zeros((2, n, n))
    for i in range(-reach, reach + 2):
        up = -(first + i - at)[:, None]
        for j in range(-reach, reach + 2):
            right = (first + j - at)[None]
            weight = np.exp(-0.5 * (((c * right + s * up) / sigma[0]) ** 2 + ((c * up - s * right) / sigma[1]) ** 2))
            weights += weight
            total += weight * padded[np.ix_(first + i + reach + 1, first + j + reach + 1)]
    return total / weights


def _rms(a) -> float:
    return float(np.sqrt(np.mean(a**2)))


@pytest.mark.parametrize("place", ["scatter", "spread"])
@pytest.mark.parametrize(("fine_px", "coarse_px", "most"), [(728, 182, 0.024), (520, 130, 0.044)])
def test_a_map_equals_a_finer_one_filtered_and_reduced(place, fine_px, coarse_px, most):
    """40 mm: texels of 55 and 220 um, as 8K and 2K on a head, and 1.4 times those.  A sheet, where no prints meet, is
    right within 1 % at both; prints that meet within 0.45 mm are the harder, the larger texels are beside that.

    Half of the relief's Sq of 12 um is finer than texels of 220 um; of what would alias of it, 1/50 at most is left."""
    c = _composed(flat_mesh(40, 40, 20), pore_patch(), LAID[place])
    inner = np.s_[10:-10, 10:-10]
    due = _reduced(_height_mm(c, fine_px), coarse_px)[inner]
    found, plain = _height_mm(c, coarse_px)[inner], _height_mm(c, coarse_px, 1e-3)[inner]
    off, aliased = _rms(found - due) / found.std(), _rms(plain - due) / found.std()
    print(
        f"{place}, {40e3 / fine_px:.0f} -> {40e3 / coarse_px:.0f} um: off by {100 * off:.2f} % of Sq "
        f"{1e3 * found.std():.2f} um; without prefilter {100 * aliased:.0f} %"
    )
    # 2.06 and 3.95 % of an Sq of 6.4 and 4.9 um (0.13 and 0.19 um)
    assert off < (most if place == "scatter" else 0.01)
    assert aliased > 40 * off
    assert found.std() == pytest.approx(due.std(), rel=0.01)


def _long_plate(ratio: float, turn_deg: float, n: int = 10) -> PolygonMesh:
    """A plate of 40 mm whose texels are ``ratio`` times as long along x as along y; UVs turned, inside the tile."""
    position, faces = grid(40.0, 40.0, n, n)
    x, y = (position[:, 0] - 20) / ratio, position[:, 1] - 20
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    uv = np.column_stack([c * x - s * y, s * x + c * y]) / 40.0 * 0.7 + 0.5
    return PolygonMesh.from_arrays(position, faces, uv, faces)


def _inner(composition, size_px: int, margin_mm: float = 4.0):
    """Which texels (rows, cols) lie well inside the plate."""
    raster = composition.raster(size_px)
    points = raster.skin_points(1001, raster.whole())
    at = composition.surface.points_mm(np.maximum(points.triangle, 0), points.barycentric.astype(float))
    inside = (points.triangle >= 0) & (np.abs(at[:, :2] - 20) < 20 - margin_mm).all(axis=1)
    return points, at, inside


@pytest.mark.parametrize(("ratio", "turn_deg"), [(4.0, 0.0), (4.0, 30.0), (2.0, 30.0), (1.6, 0.0)])
def test_long_texels_equal_finer_ones_filtered_and_reduced(ratio, turn_deg):
    """Along their length a Gaussian of half a texel, across it of 1.5 times half a texel (docs/sampling.md)."""
    fine_px, coarse_px = 1536, 512
    c = _composed(_long_plate(ratio, turn_deg), pore_patch(), SHEET)
    due = _reduced(_height_mm(c, fine_px), coarse_px, (0.5, 0.5 * SQUARE_UP_TO), turn_deg)
    found = _height_mm(c, coarse_px)
    inside = _inner(c, coarse_px)[2].reshape(coarse_px, coarse_px)
    off = _rms((found - due)[inside]) / found[inside].std()
    print(f"{ratio:g} : 1, turned {turn_deg:g}: off by {100 * off:.2f} % of Sq {1e3 * found[inside].std():.2f} um")
    assert off < 0.02


def _amplitude(ratio, turn_deg, size_px, wave_mm, along_x: bool) -> float:
    """What is left of waves along one axis of the plate, as a share of the patch's amplitude."""
    lines = [[20, 2, 0], [20, 38, 0]] if along_x else [[2, 20, 0], [38, 20, 0]]
    c = _composed(_long_plate(ratio, turn_deg), grating(wave_mm), SHEET, directions=[{"points": lines}])
    points, at, inside = _inner(c, size_px)
    along = at[inside, 0 if along_x else 1]
    basis = np.column_stack([f(2 * np.pi * along / wave_mm) for f in (np.sin, np.cos)])
    height_mm = c.height_mm(points, size_px)[inside].astype(float)
    fit = np.linalg.lstsq(basis, height_mm, rcond=None)[0]
    assert _rms(height_mm - basis @ fit) < 1e-4  # nothing but the wave: 1 % of the patch's amplitude
    return float(np.hypot(*fit) / 0.01)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
@pytest.mark.parametrize("ratio", [1.6, 2.0, 3.0, 4.0, 8.0])
def test_waves_keep_the_height_of_the_closed_form_on_long_texels(ratio, turn_deg):
    """Within 1 % of the height the patch gives them."""
    size_px = 512
    short_mm = 40 / 0.7 / size_px
    for wave_mm, along_x, sigma_mm in ((1.0, False, 0.75 * short_mm), (2.0, True, 0.5 * ratio * short_mm)):
        due = np.exp(-2 * (np.pi * sigma_mm / wave_mm) ** 2)
        found = _amplitude(ratio, turn_deg, size_px, wave_mm, along_x)
        print(f"{ratio:g} : 1, turned {turn_deg:g}, {'along' if along_x else 'across'}: {found:.4f}, due {due:.4f}")
        assert found == pytest.approx(due, abs=0.01)


def test_a_filter_for_the_long_side_alone_would_lose_the_fine_one():
    """Waves of 0.5 mm across texels of 0.112 x 0.446 mm: 0.575 of them is left, not 0.02; and along them, where they
    are too fine, next to nothing is, no false wave either."""
    short_mm = 40 / 0.7 / 512
    due = np.exp(-2 * (np.pi * 0.75 * short_mm / 0.5) ** 2)
    assert np.exp(-2 * (np.pi * 2.0 * short_mm / 0.5) ** 2) < 0.03
    assert _amplitude(4.0, 30.0, 512, 0.5, along_x=False) == pytest.approx(due, rel=0.02)
    c = _composed(_long_plate(4.0, 30.0), grating(0.4), SHEET, directions=[{"points": [[20, 2, 0], [20, 38, 0]]}])
    points, _, inside = _inner(c, 512)
    left = np.sqrt(2) * c.height_mm(points, 512)[inside].std() / 0.01
    print(f"waves of 0.4 mm along texels of 0.446 mm: {left:.4f} is left")
    assert left < 0.01


def test_stretch_that_grows_a_little_changes_heights_a_little():
    """No step where texels begin to count as long, nor where a further tap comes in.

    The same prints whatever the UVs: they are laid once, only the form of texels changes.
    """
    ratios = np.concatenate([np.linspace(1.45, 1.6, 16), np.linspace(3.0, 3.3, 31)])
    c = _composed(_long_plate(ratios[0], 0.0, n=1), pore_patch(), SHEET)
    at = np.array([[0.3, 0.2, 0.5], [0.5, 0.25, 0.25], [0.2, 0.6, 0.2]] * 40, np.float32)
    shift = np.linspace(0, 0.15, len(at), dtype=np.float32)[:, None] * np.array([1, -1, 0], np.float32)
    points = SkinPoints(np.zeros(len(at), np.int32), at + shift)
    heights = []
    for ratio in ratios:
        texels = footprint(surface_from_mesh(_long_plate(ratio, 0.0, n=1), "mm"), 512)
        heights.append(mixed_height_mm(c.layers, c.ground, Sampling(texels, 512), points))
    last = _composed(_long_plate(ratios[-1], 0.0, n=1), pore_patch(), SHEET)
    assert np.array_equal(last.height_mm(points, 512), heights[-1])
    step = np.abs(np.diff(heights, axis=0)).max(axis=1) / np.std(heights)
    short, long = step[:15], step[16:]  # between them the stretch goes from 1.6 to 3
    print(
        f"largest change for 0.01 of stretch: {100 * short.max():.2f} % of Sq, from 3 : 1 on {100 * long.max():.2f} %"
    )
    assert short.max() < 0.045 and long.max() < 0.015  # 3.79 and 1.25 %
    for of_each in (short, long):  # none stands out from those beside it
        assert (of_each[1:-1] < 1.02 * np.maximum(of_each[:-2], of_each[2:])).all()


def test_very_long_texels_are_taken_for_wider():
    """More than the taps can do: the even size grows, so that no gap is left between taps."""
    texels = footprint(surface_from_mesh(_long_plate(60.0, 0.0), "mm"), 256)
    sigma_mm = 0.5 * np.sqrt(texels.length_mm[:, None] ** 2 - texels.size_mm**2)
    assert (LAST_TAP * sigma_mm / texels.size_mm <= MOST_TAPS + 1e-3).all()
    assert (texels.size_mm > 3 * 40 / 0.7 / 256).all()


def test_square_texels_have_no_length():
    surface = surface_from_mesh(_long_plate(1.4, 20.0), "mm")
    texels = footprint(surface, 256)
    assert (texels.length_mm == 0).all() and (texels.along_per_mm == 0).all()
    assert texels.slope_per_mm.sum(axis=1) == pytest.approx(0, abs=1e-5)
    # gradients of barycentrics: 1 at its own corner, 0 at the others
    flat = surface.flat_mm
    rise = np.einsum("tkx,tjx->tkj", texels.slope_per_mm, flat - flat.mean(axis=1, keepdims=True)) + 1 / 3
    assert rise == pytest.approx(np.broadcast_to(np.eye(3), rise.shape), abs=1e-4)
