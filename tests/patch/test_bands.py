"""Bands of patches: gains of the areal Gaussian filter, sums, borders. Figures: pytest -s."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from poredepth import BANDS, Cutoffs, HeightPatch, PatchError, load_patch, split_bands
from poredepth.patch.bands import SIGMA_PER_CUTOFF, band_sq_mm, bounded_low_pass, low_pass, periodic_low_pass

DEMO = Path(__file__).resolve().parents[2] / "demo_data" / "patches"

#: Share of a wave that is passed, by cutoff / length.  ISO 16610-21 and -61, Gaussian with half passed at the cutoff;
#: the standard's text from memory, the values computed from 2**-((cutoff / L)**2) and met with scipy's Gaussian.
PASSED = {0.5: 0.840896, 1.0: 0.5, 2.0: 0.0625}

TEXEL_MM = 0.02


def wave(shape, per_side, phase=0.4):
    """A wave with whole numbers of periods down the rows and along the columns, amplitude 1; its length, texels."""
    r, c = np.indices(shape) + 0.5
    down, right = per_side[0] / shape[0], per_side[1] / shape[1]
    return np.sin(2 * np.pi * (down * r + right * c) + phase), 1 / math.hypot(down, right)


def gain(out, wave_in):
    """Least squares: how much of a wave is in a picture."""
    return float((out * wave_in).sum() / (wave_in * wave_in).sum())


def demo_patches():
    lines = (DEMO / "README.md").read_text(encoding="utf-8").splitlines()
    for line in lines:
        if ".tif |" in line:
            name, _, _, _, texel_um, height_um, *_ = [cell.strip() for cell in line.strip("|").split("|")]
            yield load_patch(name, DEMO / name, texel_um=float(texel_um), height_um=float(height_um))


def ragged(shape, seed=1):
    """A mask with holes, bays and crumbs, true for about 6 in 10, with fine speckle in it."""
    rng = np.random.default_rng(seed)
    inside = ndimage.gaussian_filter(rng.normal(size=shape), 9.0) > -0.01
    return inside & (rng.random(shape) > 0.02)


def sigma_px(cutoff_mm, texel_mm=TEXEL_MM):
    return SIGMA_PER_CUTOFF * cutoff_mm / texel_mm


# gains


def test_sigma_is_that_of_the_standard():
    """0.187390625 cutoffs (to 9 digits): sqrt(ln 2 / 2) / pi, as in the open library surfalize, filter.py."""
    assert abs(SIGMA_PER_CUTOFF - 0.187390625) < 5e-10


@pytest.mark.parametrize("per_cutoff", PASSED)
@pytest.mark.parametrize("per_side", [(0, 6), (6, 0), (6, 6), (-5, 9)], ids=["u", "v", "diagonal", "oblique"])
@pytest.mark.parametrize("shape", [(240, 240), (150, 320), (151, 233)], ids=["square", "oblong", "odd"])
def test_periodic_gain(shape, per_side, per_cutoff):
    h, length_px = wave(shape, per_side)
    out = periodic_low_pass(0.01 * h, TEXEL_MM, per_cutoff * length_px * TEXEL_MM)
    assert gain(100 * out, h) == pytest.approx(PASSED[per_cutoff], abs=1e-6)
    assert out.dtype == np.float32 and np.abs(out - 0.01 * PASSED[per_cutoff] * h).max() < 1e-8


@pytest.mark.parametrize("per_cutoff", PASSED)
@pytest.mark.parametrize("per_side", [(0, 6), (6, 0), (5, 5), (-5, 7)], ids=["u", "v", "diagonal", "oblique"])
@pytest.mark.parametrize("shape", [(300, 300), (260, 400), (301, 283)], ids=["square", "oblong", "odd"])
def test_bounded_gain_beyond_reach_of_the_border(shape, per_side, per_cutoff):
    """As far from the border as the kernel reaches the gain is the periodic one; at the border it is stated."""
    h, length_px = wave(shape, per_side)
    cutoff_mm = per_cutoff * length_px * TEXEL_MM
    out = bounded_low_pass(h, TEXEL_MM, cutoff_mm)
    reach = math.ceil(5 * sigma_px(cutoff_mm))
    if 2 * reach + 40 < min(shape):
        inner = slice(reach, -reach), slice(reach, -reach)
        assert np.abs(out - PASSED[per_cutoff] * h)[inner].max() < 1e-5
    # half a cutoff inside, the border is hardly felt
    rim = math.ceil(0.5 * cutoff_mm / TEXEL_MM)
    inner = slice(rim, -rim), slice(rim, -rim)
    off = np.abs(out - PASSED[per_cutoff] * h)
    if 2 * rim + 40 < min(shape):
        assert off[inner].max() < 0.03
        assert gain(out[inner], h[inner]) == pytest.approx(PASSED[per_cutoff], abs=0.005)
    # the bound of a regression of leverage 3.5, that of a square corner
    assert np.abs(out).max() < math.sqrt(1 + 3.5)


@pytest.mark.parametrize(("cutoff_px", "most"), [(6, 1e-4), (5, 3e-4), (4, 0.003), (3, 0.07)])
def test_short_cutoffs_are_sampled_kernels_where_there_is_a_border(cutoff_px, most):
    """A sampled Gaussian passes a wave and what it is sampled like: more than the formula, of waves near two texels."""
    wave_in = np.tile(np.cos(2 * np.pi * (np.arange(120) + 0.25) / cutoff_px), (120, 1))
    inner = slice(30, 90), slice(30, 90)
    passed = gain(bounded_low_pass(wave_in, 1.0, cutoff_px)[inner], wave_in[inner])
    print(f"cutoff {cutoff_px} texels: {passed:.4f} of a wave of its length")
    assert 0.5 - 1e-5 < passed < 0.5 + most
    assert gain(periodic_low_pass(wave_in, 1.0, cutoff_px), wave_in) == pytest.approx(0.5, abs=1e-5)


@pytest.mark.parametrize("cutoff_mm", [0.2, 0.8, 2.5])
def test_periodic_is_the_gaussian_of_scipy(cutoff_mm):
    """Outside check: scipy.ndimage.gaussian_filter, wrapped, to 8 sigma; a sampled kernel, so from 10 texels on."""
    h = np.random.default_rng(3).normal(size=(210, 333)) * 0.05
    want = ndimage.gaussian_filter(h, sigma_px(cutoff_mm), mode="wrap", truncate=8)
    off = np.abs(periodic_low_pass(h, TEXEL_MM, cutoff_mm) - want).max()
    print(f"cutoff {cutoff_mm} mm: differs from scipy by {off:.1e} mm")
    assert off < 1e-8


def test_a_large_picture_keeps_its_accuracy():
    """Above 4 million texels the spectrum is kept in single precision."""
    h = np.random.default_rng(4).normal(size=(2053, 2100)) * 0.05 + 3.0
    want = ndimage.gaussian_filter(h, sigma_px(0.8), mode="wrap", truncate=8)
    out = periodic_low_pass(h, TEXEL_MM, 0.8)
    assert np.abs(out - want).max() < 3e-7  # heights of 3 mm in float32 are rounded to 2.4e-7
    assert out.mean(dtype=float) == pytest.approx(h.mean(), abs=2e-8)


@pytest.mark.parametrize("lay_deg", [0.0, 30.0, 90.0, 210.0])
@pytest.mark.parametrize("filtered", [periodic_low_pass, bounded_low_pass])
def test_relief_that_is_drawn_out_is_cut_shorter_along_its_lay(filtered, lay_deg):
    """Own derivation: drawn out twice, a wave of half the cutoff is as long as the cutoff on the skin."""
    n, cutoff_mm = 400, 1.0
    r, c = np.indices((n, n)) * TEXEL_MM
    cos, sin = math.cos(math.radians(lay_deg)), math.sin(math.radians(lay_deg))
    along, across = c * cos - r * sin, c * sin + r * cos  # rows run downwards
    middle = slice(n // 4, -n // 4), slice(n // 4, -n // 4)
    for place, length_mm, want in (
        (along, 0.5, 0.5), (along, 1.0, 0.840896), (across, 1.0, 0.5), (across, 0.5, 0.0625),
    ):  # fmt: skip
        h = np.sin(2 * np.pi * place / length_mm + 0.3)
        out = filtered(h, TEXEL_MM, cutoff_mm, along_ratio=2.0, lay_deg=lay_deg)
        assert np.abs(out - want * h)[middle].max() < 1e-4, (length_mm, want)
        turned = filtered(h, TEXEL_MM, cutoff_mm, across_ratio=2.0, lay_deg=lay_deg + 90.0)
        assert np.abs(turned - out).max() < 1e-6


# sums


def bounded_patches():
    rng = np.random.default_rng(5)
    for k, shape in enumerate([(4, 4), (37, 60), (150, 211)]):
        h = rng.normal(size=shape) * 0.3 + 5.0
        yield HeightPatch(f"tiles {k}", h, 0.03)
        yield HeightPatch(f"bounded {k}", h, 0.03, periodic=False)
        yield HeightPatch(f"inside {k}", h, 0.03, periodic=False, inside=ragged(shape, k))
        yield HeightPatch(f"soft {k}", h, 0.03, periodic=False, inside=rng.random(shape), lay_deg=20)


def test_bands_sum_to_the_patch():
    worst_mm = 0.0
    for patch in (*demo_patches(), *bounded_patches()):
        for ratios in ({}, {"along_ratio": 1.6, "across_ratio": 0.7}):
            bands = split_bands(patch, Cutoffs(2.5, 0.8), **ratios)
            assert tuple(bands) == BANDS
            assert all(b.dtype == np.float32 and b.shape == patch.height_mm.shape for b in bands.values())
            off = np.abs(sum(b.astype(float) for b in bands.values()) - patch.height_mm)
            assert (off <= 2**-24 * (np.abs(bands["middle"]) + np.abs(bands["fine"]))).all(), patch.name
            worst_mm = max(worst_mm, float(off.max()))
            assert np.abs(sum(bands.values()) - patch.height_mm).max() < 1e-6
    print(f"bands sum to the patch within {worst_mm:.1e} mm")
    assert worst_mm < 1e-6


def test_bands_are_differences_of_low_passes_and_their_sq_is_told():
    """A sine of 1 mm: 0.0625 passed by 2 mm, 0.5 by 1 mm (facts: 2**-4, 2**-1), Sq amplitude / sqrt 2."""
    h, length_px = wave((200, 200), (0, 4))
    patch = HeightPatch("wave", 0.01 * h + 0.2, TEXEL_MM, periodic=True)
    cutoffs = Cutoffs(2 * length_px * TEXEL_MM, length_px * TEXEL_MM)
    sq = band_sq_mm(patch, cutoffs)
    want = {"coarse": 0.0625, "middle": 0.4375, "fine": 0.5}
    assert {name: value * math.sqrt(2) / 0.01 for name, value in sq.items()} == pytest.approx(want, abs=1e-5)
    assert cutoffs.scaled(2.0) == Cutoffs(2 * cutoffs.coarse_mm, 2 * cutoffs.fine_mm)
    twice = band_sq_mm(patch, cutoffs.scaled(2.0), along_ratio=2.0, across_ratio=2.0)
    assert twice == pytest.approx(sq, rel=1e-5)


def test_sq_is_that_of_the_inside():
    h = np.zeros((120, 120))
    h[:, 60:] = np.random.default_rng(2).normal(size=(120, 60)) * 10
    h[:, :60] = 0.01 * wave((120, 60), (0, 3))[0]
    inside = np.zeros(h.shape)
    inside[:, :60] = 1
    patch = HeightPatch("half", h, TEXEL_MM, periodic=False, inside=inside)
    alone = HeightPatch("alone", h[:, :60], TEXEL_MM, periodic=False)
    cutoffs = Cutoffs(0.8, 0.3)
    assert band_sq_mm(patch, cutoffs) == pytest.approx(band_sq_mm(alone, cutoffs), rel=1e-5)
    assert band_sq_mm(HeightPatch("none", h, 1.0, False, inside=0 * inside), cutoffs) == dict.fromkeys(BANDS, 0.0)


# borders


@pytest.mark.parametrize("cutoff_mm", [0.1, 0.8, 2.5, 30.0])
@pytest.mark.parametrize("masked", [False, True])
def test_a_plane_has_no_bands_up_to_the_border(masked, cutoff_mm):
    r, c = np.indices((180, 230))
    plane = 0.004 * r - 0.007 * c + 1.0
    inside = ragged(plane.shape) if masked else np.ones(plane.shape, bool)
    out = bounded_low_pass(plane, TEXEL_MM, cutoff_mm, inside)
    assert np.abs(out - plane).max() < 1e-6
    bands = split_bands(HeightPatch("plane", plane, TEXEL_MM, False, inside=inside), Cutoffs(2 * cutoff_mm, cutoff_mm))
    assert max(np.abs(bands[name]).max() for name in ("middle", "fine")) < 1e-5


@pytest.mark.parametrize("masked", [False, True])
def test_each_plane_of_a_roof_comes_back_up_to_the_border(masked):
    """Not by the plane of the whole piece, which is level here: slopes are kept wherever the kernel sees one plane."""
    r, _ = np.indices((240, 150))
    roof = 0.02 * np.abs(r - 120.0)
    inside = np.ones(roof.shape, bool)
    if masked:  # ramps and corners of every kind, no speckle that has slopes left out
        rows, cols = np.indices(roof.shape)
        inside = (np.hypot(rows - 40, cols - 70) > 22) & (cols < 120 - 0.3 * rows) & (rows > 6)
    off = np.abs(bounded_low_pass(roof, TEXEL_MM, 0.8, inside) - roof)
    seen = inside & (np.abs(r - 120) > 5 * sigma_px(0.8) + 1)
    assert off[seen].max() < 1e-6
    plain = ndimage.gaussian_filter(np.where(inside, roof, 0), sigma_px(0.8))
    plain /= np.maximum(ndimage.gaussian_filter(inside.astype(float), sigma_px(0.8)), 1e-6)
    assert np.abs(plain - roof)[seen].max() > 0.08  # the mean alone leans by 0.8 sigma at a straight border


@pytest.mark.parametrize("cutoff_mm", [0.3, 2.5])
def test_nothing_is_read_from_outside(cutoff_mm):
    rng = np.random.default_rng(8)
    h = ndimage.gaussian_filter(rng.normal(size=(160, 200)), 3.0) * 0.1
    inside = ragged(h.shape, 4)
    step = np.where(inside, h, 1000.0)
    first, second = (bounded_low_pass(x, TEXEL_MM, cutoff_mm, inside) for x in (h, step))
    assert np.abs(first - second).max() < 1e-9
    assert np.isfinite(second).all() and np.abs(second).max() < 2 * np.abs(h[inside]).max()
    # a piece by itself and the same piece in a picture of more
    alone = bounded_low_pass(h[30:100, 20:120], TEXEL_MM, cutoff_mm)
    box = np.zeros(h.shape)
    box[30:100, 20:120] = 1
    assert np.abs(bounded_low_pass(step, TEXEL_MM, cutoff_mm, box * 1.0)[30:100, 20:120] - alone).max() > 1e-3
    assert np.abs(bounded_low_pass(h, TEXEL_MM, cutoff_mm, box)[30:100, 20:120] - alone).max() < 1e-7


@pytest.mark.parametrize(("per_length", "at_border"), [(0.5, 0.25), (1.0, 0.73), (2.0, 1.0), (5.0, 0.42), (10.0, 0.21)])
def test_waves_do_not_ring_at_the_border(per_length, at_border):
    """A wave on a tilt, as pieces of scans have one; beside a Gaussian over zeros, and one over the border held on."""
    away = (0.0, 0.25, 0.5, 1.0)  # cutoffs from the border
    worst = {name: np.zeros(len(away)) for name in ("moments kept", "over zeros", "border held")}
    length_px, shape = 40.0, (21, 480)
    cutoff_mm, sigma = per_length * length_px * TEXEL_MM, sigma_px(per_length * length_px * TEXEL_MM)
    c = np.arange(shape[1]) + 0.5
    tilt = 3.0 + 6.0 * c / shape[1]
    for phase in np.linspace(0, 2 * np.pi, 16, endpoint=False):
        h = np.tile(np.sin(2 * np.pi * c / length_px + phase), (shape[0], 1))
        want = 2.0 ** -(per_length**2) * h + tilt
        found = {
            "moments kept": bounded_low_pass(h + tilt, TEXEL_MM, cutoff_mm),
            "over zeros": ndimage.gaussian_filter1d(h + tilt, sigma, mode="constant", truncate=6),
            "border held": ndimage.gaussian_filter1d(h + tilt, sigma, mode="nearest", truncate=6),
        }
        for name, out in found.items():
            off = np.abs(out - want).max(axis=0)
            rims = [off[slice(k, len(off) - k)] for k in (int(a * cutoff_mm / TEXEL_MM) for a in away)]
            worst[name] = np.maximum(worst[name], [rim.max() if len(rim) else 0.0 for rim in rims])
        assert np.abs(found["moments kept"] - tilt).max() < math.sqrt(1 + 3.5)  # by its leverage in a corner
    for name, values in worst.items():
        told = ", ".join(f"{value:.4f} from {a:g}" for a, value in zip(away, values, strict=True))
        print(f"cutoff {per_length:g} lengths, {name}: off by amplitudes at most {told} cutoffs from the border on")
    kept = worst["moments kept"]
    assert kept[0] < at_border and kept[1] < at_border and kept[2] < 0.1 and kept[3] < 1e-4
    assert worst["over zeros"][0] > 3 * kept[0]


def test_thin_and_lone_texels_keep_their_heights():
    h = np.random.default_rng(9).normal(size=(90, 90)) * 0.05
    inside = np.zeros(h.shape, bool)
    inside[45, 45] = True
    for cutoff_mm in (0.1, 0.8, 2.5):
        assert bounded_low_pass(h, TEXEL_MM, cutoff_mm, inside)[45, 45] == pytest.approx(h[45, 45], abs=1e-7)
    lone = inside.copy()
    lone[:, 10] = True  # a line: along it a Gaussian of one dimension
    out = bounded_low_pass(h, TEXEL_MM, 0.3, lone)
    s = sigma_px(0.3)
    assert out[20:70, 10] == pytest.approx(ndimage.gaussian_filter1d(h[:, 10], s, truncate=5)[20:70], abs=2e-4)
    assert np.isfinite(out).all() and np.abs(out).max() < np.abs(h).max() * math.sqrt(1 + 16)
    nothing = bounded_low_pass(h, TEXEL_MM, 0.3, np.zeros(h.shape))
    assert not nothing.any()


def test_blocks_do_not_show(monkeypatch):
    """The same heights from blocks of another size, and from the picture as one."""
    from poredepth.patch import regression

    rng = np.random.default_rng(6)
    h = ndimage.gaussian_filter(rng.normal(size=(333, 290)), 2.0) + 0.01 * np.arange(290)
    for inside in (None, ragged(h.shape, 2)):
        found = []
        for least, most in ((4096, 4096), (150, 150), (90, 90)):
            monkeypatch.setattr(regression, "_LEAST_SIDE_PX", least)
            monkeypatch.setattr(regression, "_MOST_SIDE_PX", most)
            found.append(bounded_low_pass(h, TEXEL_MM, 0.5, inside))
        off = max(np.abs(found[0] - other).max() for other in found[1:])
        print(f"blocks differ by {off:.1e} mm")
        assert off < 1e-6


@pytest.mark.parametrize("masked", [False, True])
def test_wide_gaussians_are_fitted_on_cells(masked, monkeypatch):
    """Beside the same fit texel by texel: 10.7 mm is a sigma of 100 texels; turned and drawn out."""
    from poredepth.patch import regression

    rng = np.random.default_rng(7)
    h = ndimage.gaussian_filter(rng.normal(size=(700, 611)), 12.0)
    h *= 0.05 / h.std()
    rows, cols = np.indices(h.shape)
    inside = ragged(h.shape) * rng.random(h.shape) if masked else None
    for cutoff_mm, sides in ((10.7, {"along_ratio": 0.8, "lay_deg": 25.0}), (5000.0, {})):
        monkeypatch.undo()
        plane = 0.002 * rows - 0.003 * cols
        assert np.abs(bounded_low_pass(plane, TEXEL_MM, cutoff_mm, inside, **sides) - plane).max() < 1e-6
        roof = 0.001 * np.abs(rows - 650.0)  # its plane as a whole is another than the one around most texels
        on_cells = bounded_low_pass(h + roof, TEXEL_MM, cutoff_mm, inside, **sides)
        monkeypatch.setattr(regression, "_WIDE_SIGMA_PX", math.inf)
        off = np.abs(on_cells - bounded_low_pass(h + roof, TEXEL_MM, cutoff_mm, inside, **sides))
        off = off if inside is None else off[inside > 0]
        print(f"cutoff {cutoff_mm} mm: cells differ from texels by {off.max():.1e} mm")
        assert off.max() < 3e-5


def test_memory_does_not_grow_with_the_cutoff():
    """Peak of what is allocated beyond the heights and the result, for 2048 x 2048 texels."""
    import tracemalloc

    h = np.zeros((2048, 2048), np.float32)
    inside = np.ones(h.shape, bool)
    inside[500:1500, 700:900] = False
    for cutoff_mm in (0.8, 6.0, 60.0):
        tracemalloc.start()
        bounded_low_pass(h, TEXEL_MM, cutoff_mm, inside)
        peak_mb = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        print(f"cutoff {cutoff_mm} mm: peak {peak_mb:.0f} MB with a result of 16 MB")
        assert peak_mb < 400


# odd sizes, means, messages


@pytest.mark.parametrize("periodic", [True, False])
def test_a_patch_smaller_than_the_cutoff_is_all_band(periodic):
    """2 mm of waves of 0.4 mm below a cutoff of 2.5 mm: nothing coarse is left but its mean."""
    h, _ = wave((100, 100), (0, 5))
    patch = HeightPatch("small", 0.01 * h + 0.3, TEXEL_MM, periodic)
    bands = split_bands(patch, Cutoffs(2.5, 0.8))
    assert np.abs(bands["coarse"] - 0.3).max() < (1e-6 if periodic else 0.0045)  # at the border, see above
    assert bands["coarse"][:, 40:60].mean(dtype=float) == pytest.approx(0.3, abs=1e-6 if periodic else 3e-5)
    assert bands["fine"].std() == pytest.approx(0.01 * (1 - 0.0625) / math.sqrt(2), rel=1e-4 if periodic else 0.07)


@pytest.mark.parametrize("shape", [(4, 4), (4, 50), (64, 64)])
@pytest.mark.parametrize("periodic", [True, False])
def test_a_constant_is_all_coarse(periodic, shape):
    patch = HeightPatch("level", np.full(shape, 0.37), TEXEL_MM, periodic)
    for cutoffs in (Cutoffs(2.5, 0.8), Cutoffs(0.01, 0.001), Cutoffs(1e6, 1e3)):
        bands = split_bands(patch, cutoffs)
        assert np.abs(bands["coarse"] - np.float32(0.37)).max() < 1e-7
        assert max(np.abs(bands[name]).max() for name in ("middle", "fine")) < 1e-7


def test_a_low_pass_goes_by_what_the_patch_is():
    h = np.random.default_rng(1).normal(size=(60, 70)) * 0.02
    inside = ragged(h.shape)
    ratios = {"along_ratio": 1.5, "across_ratio": 0.8}
    turned = {**ratios, "lay_deg": 35.0}
    tiles = HeightPatch("p", h, TEXEL_MM, lay_deg=35.0)
    piece = HeightPatch("p", h, TEXEL_MM, False, lay_deg=35.0)
    masked = HeightPatch("p", h, TEXEL_MM, False, lay_deg=35.0, inside=inside)
    heights = tiles.height_mm
    assert np.array_equal(low_pass(tiles, 0.4, **ratios), periodic_low_pass(heights, TEXEL_MM, 0.4, **turned))
    assert np.array_equal(low_pass(piece, 0.4, **ratios), bounded_low_pass(heights, TEXEL_MM, 0.4, **turned))
    assert np.array_equal(low_pass(masked, 0.4, **ratios), bounded_low_pass(heights, TEXEL_MM, 0.4, inside, **turned))


def test_what_cannot_be_split_is_told():
    h = np.zeros((8, 8))
    patch = HeightPatch("p", h, TEXEL_MM)
    for wrong, message in (
        (lambda: Cutoffs(0.8, 2.5), r"bands: fine_mm is 2.5 and coarse_mm 0.8; allowed is fine_mm below"),
        (lambda: Cutoffs(0.8, 0.8), "fine_mm below coarse_mm"),
        (lambda: Cutoffs(math.nan, 0.8), "bands: coarse_mm is nan; allowed is a finite number"),
        (lambda: Cutoffs(2.5, 0), "bands: fine_mm is 0; allowed is a number above 0"),
        (lambda: Cutoffs("2.5", 0.8), "bands: coarse_mm is '2.5'; allowed is a finite number"),
        (lambda: Cutoffs(2.5, 0.8).scaled(-1), "bands: ratio is -1; allowed is a number above 0"),
        (lambda: low_pass(patch, -1.0), "low pass: cutoff_mm is -1.0; allowed is a number above 0"),
        (lambda: low_pass(patch, 1.0, along_ratio=0), "low pass: along_ratio is 0;"),
        (lambda: periodic_low_pass(h[0], 1, 1), r"low pass: height_mm has shape \(8,\); allowed is \(rows, cols\)"),
        (lambda: periodic_low_pass(h + np.nan, 1, 1), "low pass: 64 value.s. are NaN"),
        (lambda: periodic_low_pass([["a"]], 1, 1), "low pass: height_mm is no array of numbers"),
        (lambda: bounded_low_pass(h, 1, 1, h[1:]), r"inside has shape \(7, 8\).*allowed: numbers of the shape"),
        (lambda: bounded_low_pass(h, 1, 1, h + 2), "inside runs from 2 to 2; allowed: 0"),
        (lambda: bounded_low_pass(h, 1, 1, h + np.nan), "inside runs from nan to nan"),
    ):
        with pytest.raises(PatchError, match=message):
            wrong()
