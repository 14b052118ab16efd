"""Whole tiles.  The bounds of 1.2 (border) and 3 % (fine band) are the project's own: common practice has none."""

import numpy as np
import pytest
from scipy import ndimage
from tiling_pieces import DEMO_PATCHES, MEASURED, demo_patch, measured_level

from poredepth.errors import PatchError
from poredepth.patch.bands import SIGMA_PER_CUTOFF
from poredepth.patch.tiling import make_tileable, tile_border
from poredepth.patch.tiling.cut import cut_seams
from poredepth.patch.tiling.measure import MOST_BORDER_RATIO
from poredepth.patch.tiling.quality import TileQuality
from poredepth.patch.tiling.tiled import Tiled


def _fine(h, cutoff_px, mode):
    return h - ndimage.gaussian_filter(np.asarray(h, float), SIGMA_PER_CUTOFF * cutoff_px, mode=mode)


def _kept_of_what_was_cut(seams, cutoff_px):
    """Sq of a fine band of the tile / that of the texels it was made of, each from the margin that leads there."""
    ratio = 1.0
    for seam in seams:
        width = seam.left.shape[1]
        rest = (_fine(seam.picture, cutoff_px, "wrap")[:, width:] ** 2).sum()
        both, left, right = (
            _fine(s, cutoff_px, "reflect") ** 2 for s in (seam.picture[:, :width], seam.left, seam.right)
        )
        leads = np.where(np.arange(width) >= seam.path[:, None], left, right).sum()
        ratio *= np.sqrt((rest + both.sum()) / (rest + leads))
    return ratio


def _told(name: str, tiled: Tiled) -> TileQuality:
    q = tiled.quality[tiled.method]
    print(
        f"{name}: {tiled.method} {tiled.height_mm.shape}, overlap {tiled.overlap_px}, "
        f"jump {np.round(q.border.jump_ratio, 2)}, gradient {np.round(q.border.gradient_ratio, 2)}, "
        f"seam {q.seam_ratio:.2f}, contrast {q.contrast_ratio:.3f}, blotch {q.blotch_ratio:.3f}, "
        f"kept {q.kept_ratio:.2f}"
    )
    return q


@pytest.mark.parametrize("name", MEASURED)
def test_measured_surfaces_tile(name):
    """Fine bands: waves below 8 texels, and below a tenth of the shorter side: Sq within 3 % of what was cut."""
    found = measured_level(name)
    if found is None:
        return  # the data lie beside a checkout, not in it
    h, texel_mm = found
    before = tile_border(h)
    tiled = make_tileable(h, texel_mm)
    q = _told(name, tiled)
    assert before.worst_ratio > 2
    assert q.border == tile_border(tiled.height_mm)
    assert q.border.worst_ratio <= MOST_BORDER_RATIO and q.tiles
    assert q.kept_ratio > 0.6
    seams = cut_seams(h)
    for cutoff_px in (8.0, min(h.shape) / 10):
        kept = _kept_of_what_was_cut(seams, cutoff_px)
        whole = _fine(tiled.height_mm, cutoff_px, "wrap").std() / _fine(h, cutoff_px, "reflect").std()
        print(f"    waves below {cutoff_px:.0f} texels: kept {kept:.4f}, beside the whole picture {whole:.3f}")
        assert kept == pytest.approx(1, abs=0.03)
        if name == "conf_768":  # alike everywhere; the other has three grooves, of which the tile holds two
            assert whole == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("name", DEMO_PATCHES)
def test_pieces_of_skin_tile(name):
    """Pieces of 8 mm (wrinkles 16 mm) of relief that was made by synthesis: pores, lines, wrinkles, grain."""
    patch = demo_patch(name)
    h = patch.height_mm[60:460, 40:440]
    tiled = make_tileable(h, patch.texel_mm)
    q = _told(name, tiled)
    assert tiled.height_mm.dtype == np.float32
    assert q.border.worst_ratio <= MOST_BORDER_RATIO and q.border.continues
    assert q.seam_ratio < 2.0 and q.contrast_ratio == pytest.approx(1, abs=0.08)
    assert q.kept_ratio > 0.5
    seams = cut_seams(h) if tiled.method == "cut" else ()
    for cutoff_px in (8.0, 40.0):
        assert _kept_of_what_was_cut(seams, cutoff_px) == pytest.approx(1, abs=0.03)
        after, before = _fine(tiled.height_mm, cutoff_px, "wrap").std(), _fine(h, cutoff_px, "reflect").std()
        # a few wrinkles more or less are cut off with the margins
        assert after == pytest.approx(before, rel=0.06 if name == "wrinkles" else 0.03), cutoff_px
    assert float(tiled.height_mm.std()) == pytest.approx(float(h.std()), rel=0.12)


@pytest.mark.parametrize("name", DEMO_PATCHES)
def test_what_tiles_already_is_left_alone(name):
    patch = demo_patch(name)
    h = np.roll(patch.height_mm, (123, 77), axis=(0, 1))
    tiled = make_tileable(h, patch.texel_mm)
    assert tiled.method == "none" and np.array_equal(tiled.height_mm, h)
    assert tiled.overlap_px == (0, 0) and list(tiled.quality) == ["none"]
    assert tiled.notes == ("it tiles already: left as it is",)


def test_white_noise_is_left_alone_and_a_level_picture_is():
    for h in (np.random.default_rng(1).normal(size=(200, 170)), np.zeros((40, 30)), np.full((5, 7), 2.0)):
        tiled = make_tileable(h, 0.02)
        assert tiled.method == "none" and np.array_equal(tiled.height_mm, h)


def test_a_ramp_becomes_level():
    h = np.add.outer(0.001 * np.arange(90), 0.002 * np.arange(120))
    tiled = make_tileable(h, 0.02)
    assert tiled.method == "smooth" and tiled.height_mm.shape == h.shape
    assert np.abs(tiled.height_mm - h.mean()).max() < 1e-12


def test_a_grating_is_cut_to_whole_periods():
    """Outside truth: its own wavelength, 37.3 texels."""
    wave = np.sin(2 * np.pi * np.arange(300) / 37.3)
    h = np.tile(0.02 * wave, (200, 1))
    for picture, axis in ((h, 1), (h.T, 0)):
        tiled = make_tileable(picture, 0.02)
        q = _told("grating", tiled)
        assert tiled.method == "cut" and q.tiles
        periods = tiled.height_mm.shape[axis] / 37.3
        assert abs(periods - round(periods)) * 37.3 < 0.51  # whole texels
        assert float(np.sqrt(2) * tiled.height_mm.std()) == pytest.approx(0.02, rel=0.01)


def test_a_step_edge_tiles_along_itself():
    h = np.where(np.arange(200) > 90, 0.05, 0.0) * np.ones((150, 1))
    h = h + 0.002 * ndimage.gaussian_filter(np.random.default_rng(2).normal(size=h.shape), 1.5)
    tiled = make_tileable(h, 0.02)
    q = _told("step edge", tiled)
    assert q.border.worst_ratio <= MOST_BORDER_RATIO


@pytest.mark.parametrize("shape", [(4, 4), (5, 7), (8, 8), (9, 31), (11, 400)])
def test_tiny_and_narrow_pictures_pass(shape):
    rng = np.random.default_rng(shape[1])
    h = rng.normal(size=shape).cumsum(axis=0).cumsum(axis=1)
    for method in ("best", "smooth", "none", *(["cut"] if min(shape) >= 8 else [])):
        tiled = make_tileable(h, 0.02, method=method)
        assert np.isfinite(tiled.height_mm).all() and min(tiled.height_mm.shape) >= 4
        assert method in ("best", tiled.method)
        if tiled.method == "smooth":
            assert tiled.height_mm.shape == shape
            assert tiled.height_mm.mean() == pytest.approx(h.mean(), rel=1e-9)


def test_a_picture_far_from_square_tiles():
    patch = demo_patch("nose_pores")
    for h in (patch.height_mm[:90, :500], patch.height_mm[:500, :90]):
        tiled = make_tileable(h, patch.texel_mm)
        q = _told("narrow", tiled)
        assert q.border.worst_ratio <= MOST_BORDER_RATIO


def test_the_same_heights_give_the_same_tile_and_progress_ends():
    h = demo_patch("forehead_lines").height_mm[:160, :200]
    seen = []
    one = make_tileable(h, 0.02, on_progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 3), (2, 3), (3, 3)]
    assert np.array_equal(one.height_mm, make_tileable(h, 0.02).height_mm)
    assert set(one.quality) == {"none", "cut", "smooth"}
    asked = make_tileable(h, 0.02, method="smooth")
    assert asked.method == "smooth" and set(asked.quality) == {"none", "smooth"}
    assert any(note.startswith("the border may show: steps and kinks over it are") for note in asked.notes)


def test_low_waves_are_advised_about():
    y, x = np.mgrid[:100, :100]
    h = np.sin(2 * np.pi * x / 100) + 0.5 * np.random.default_rng(3).normal(size=(100, 100))
    [said] = [note for note in make_tileable(h, 0.02).notes if "shorter cutoff" in note]
    # closed form: sqrt(0.5 / (0.5 + 0.25)) = 0.816, give or take the noise
    assert 81 <= float(said.split(" %", 1)[0]) < 82.5
    assert "lies in waves longer than a third of the tile (advised: at most 35 %)" in said


def test_what_is_asked_wrongly_is_refused():
    h = np.arange(35.0).reshape(5, 7)
    for args, message in (
        ((h, 0.02, "magic"), "tiling: method is 'magic'; allowed are best, smooth, cut, none"),
        ((h, 0.0), "tiling: texel_mm is 0"),
        ((h[0], 0.02), r"tiling: height_mm has shape \(7,\)"),
        ((h, 0.02, "cut"), "allowed is at least 8 texels"),
    ):
        with pytest.raises(PatchError, match=message):
            make_tileable(*args)
