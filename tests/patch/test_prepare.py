"""A picture made into a patch, from end to end: what is known of the skin comes out again."""

from __future__ import annotations

import json
import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from PIL import Image
from scipy import ndimage
from shared_data import FOLDER
from skimage.feature import match_template

from poredepth.errors import PatchError
from poredepth.patch.bands import SIGMA_PER_CUTOFF
from poredepth.patch.prepare import PatchAdviceWarning, prepare_patch
from poredepth.patch.prepare_options import PrepareOptions
from poredepth.patch.store import read_patch, write_patch
from poredepth.patch.synthesise import synthesise
from poredepth.patch.types import HeightPatch, Provenance

TEXEL_UM = 20.0


@pytest.fixture(scope="module")
def skin_mm():
    """Lines of the forehead, lay along +u, 12 mm of skin: more than is shown, so that it can be turned."""
    return synthesise("lines", size_mm=12, texel_um=TEXEL_UM, seed=4).height_mm.astype(float)


def fine_sq_mm(height_mm, cutoff_px=16.0, margin=20):
    """Sq of waves below a cutoff, away from the border: what a general-purpose Gaussian leaves, three times over.

    Once would let 1 % of a step or slope pass, which of a furrow with steep walls is as much as all its fine relief.
    """
    fine = height_mm.astype(float)
    for _ in range(3):
        fine = fine - ndimage.gaussian_filter(fine, SIGMA_PER_CUTOFF * cutoff_px, truncate=6)
    return float(fine[margin:-margin, margin:-margin].std())


def window_of(height_mm, piece_mm):
    """The part of a relief that a piece was made of, found by its middle."""
    rows, cols = (side // 3 for side in piece_mm.shape)
    found = match_template(height_mm, piece_mm[rows : 2 * rows, cols : 2 * cols])
    row, col = np.unravel_index(int(found.argmax()), found.shape)
    assert found.max() > 0.9
    top, left = max(row - rows, 0), max(col - cols, 0)
    return height_mm[top : top + piece_mm.shape[0], left : left + piece_mm.shape[1]]


def as_scanned(skin_mm, turned_deg=25.0):
    """The skin turned on the scanner, tilted and bent, in mm; 400 x 400."""
    turned = ndimage.rotate(skin_mm, turned_deg, reshape=False, order=5, mode="wrap")
    middle = turned[100:500, 100:500]
    y, x = np.mgrid[-1:1:400j, -1:1:400j]
    return middle + 0.15 * x - 0.08 * y + 0.05 * (x * x + 0.5 * y * y)


def write_16_bit(path, height_mm, full_um=800.0, **tags):
    codes = np.round((height_mm * 1000 / full_um + 0.5) * 65535)
    assert codes.min() >= 0 and codes.max() <= 65535
    tifffile.imwrite(path, codes.astype(np.uint16), **tags)
    return path


def test_a_turned_tilted_bent_scan_becomes_level_skin_along_u(tmp_path, skin_mm):
    path = write_16_bit(tmp_path / "scan.tif", as_scanned(skin_mm))
    options = PrepareOptions(texel_um=TEXEL_UM, height_um=800, align=True, source="own", licence="MIT", consent="given")
    with pytest.warns(PatchAdviceWarning, match="repeats will show"):  # few lines on a small piece
        made = prepare_patch(path, options)
    patch = made.patch
    assert patch.periodic and patch.texel_mm == 0.02
    # a small piece of skin whose lines wander: what is left is told, and counted in when it is laid
    lay_deg = (made.texture.std_deg + 90) % 180 - 90
    told_deg = (patch.lay_deg + 90) % 180 - 90
    print(f"lay {lay_deg:.2f} degrees, told {told_deg:.2f}")
    assert abs(lay_deg) < 3 and abs(lay_deg - told_deg) < 1.01
    kept, known = (fine_sq_mm(h, 20) for h in (patch.height_mm, skin_mm))
    print(f"fine band's Sq {1000 * kept:.3f} um of {1000 * known:.3f}; border {made.border}")
    assert kept == pytest.approx(known, rel=0.08)  # another piece of the same skin
    assert max(*made.border.jump_ratio, *made.border.gradient_ratio) <= 1.2
    down, right = np.gradient(patch.height_mm.astype(float), 0.02)
    assert abs(down.mean()) < 2e-4 and abs(right.mean()) < 2e-4  # was 0.0375 and more
    assert abs(patch.height_mm.mean(dtype=float)) < 1e-8
    history = patch.provenance.history
    assert [line.split(":")[0] for line in history if line.startswith(("read", "form", "made", "mean"))] == [
        "read", "form taken off", "made to tile", "mean taken off",
    ]  # fmt: skip
    assert any("is 0 (strength" in line for line in history)
    assert (patch.provenance.source, patch.provenance.consent) == ("own", "given")
    again = read_patch(write_patch(tmp_path / "skin.tif", patch).path)
    np.testing.assert_array_equal(again.height_mm, patch.height_mm)
    assert again.provenance.history == history


def test_the_direction_of_turning_is_right(tmp_path, skin_mm):
    """Turned anticlockwise by 25 degrees, the lay is told as 25 degrees."""
    path = write_16_bit(tmp_path / "scan.tif", as_scanned(skin_mm, 25.0))
    patch = prepare_patch(path, PrepareOptions(texel_um=TEXEL_UM, height_um=800)).patch
    assert patch.lay_deg == pytest.approx(25, abs=3)


def test_skin_that_needs_nothing_stays_as_it_is(tmp_path):
    known = synthesise("pores", size_mm=6, texel_um=TEXEL_UM, seed=2).height_mm
    tifffile.imwrite(tmp_path / "pores.tif", known)
    made = prepare_patch(tmp_path / "pores.tif", PrepareOptions(texel_um=TEXEL_UM, height_um=1000, form="none"))
    np.testing.assert_allclose(made.patch.height_mm, known, atol=1e-8)
    assert [line.split(":")[0] for line in made.patch.provenance.history if "tiles" not in line] == [
        "read", "height", "made to tile", "lay", "mean taken off",
    ]  # fmt: skip
    assert not made.advice


@pytest.mark.parametrize(("name", "lay"), [("conf_768", 90.0), ("groove_616", 90.0)])
def test_measured_surfaces_come_out_level_aligned_and_tiling(tmp_path, name, lay):
    """Surfaces that instruments measured (test data of two open libraries, see their README); stands without them."""
    if not (FOLDER / f"{name}.npy").is_file():
        return
    stored_mm = np.load(FOLDER / f"{name}.npy")
    told = json.loads((FOLDER / f"{name}.json").read_text())
    x_mm, y_mm = told["mm_per_px_x"], told["mm_per_px_y"]
    path = tmp_path / f"{name}.tif"
    tifffile.imwrite(path, stored_mm, resolution=(10 / x_mm, 10 / y_mm), resolutionunit="CENTIMETER")
    # the one surface is smoother than any skin, which is said
    warnings.filterwarnings("ignore", ".*its relief has Sq 0.01" if name == "conf_768" else "-")
    found = prepare_patch(path, PrepareOptions(height_um=1000)).patch.lay_deg
    level_mm, turned_mm = (
        prepare_patch(path, PrepareOptions(height_um=1000, tiling="none", align=align)).patch.height_mm
        for align in (False, True)
    )
    made = prepare_patch(path, PrepareOptions(height_um=1000, align=True))
    patch = made.patch
    assert patch.texel_mm == pytest.approx(x_mm, rel=1e-6)
    assert found == pytest.approx(lay, abs=2)
    assert min(made.texture.std_deg, 180 - made.texture.std_deg) < 1
    level = fine_sq_mm(level_mm) / fine_sq_mm(stored_mm)
    kept = fine_sq_mm(patch.height_mm) / fine_sq_mm(window_of(turned_mm, patch.height_mm))
    slopes = [math.degrees(abs(g.mean())) for g in np.gradient(level_mm.astype(float), x_mm)]
    before = [math.degrees(abs(g.mean())) for g in np.gradient(stored_mm.astype(float), x_mm)]
    print(
        f"{name}: lay {found:.2f} degrees; border {made.border}; "
        f"Sq below {16 * x_mm:.4f} mm: {level:.4f} of it once level, {kept:.4f} of that once it tiles; "
        f"mean slopes {slopes} degrees, before {before}"
    )
    assert max(*made.border.jump_ratio, *made.border.gradient_ratio) <= 1.2
    assert level == pytest.approx(1, abs=0.01)
    assert kept == pytest.approx(1, abs=0.03)


def test_eight_bits_holes_and_spikes(tmp_path, skin_mm):
    """An 8-bit picture with dust and a hole: terraces, spikes and the hole are found and told."""
    height = skin_mm[:400, :400] + np.linspace(0, 0.1, 400)
    codes = np.round((height * 1000 / 400 + 0.5) * 255).astype(np.uint8)
    codes[100, 50] = codes[300, 220] = 255
    alpha = np.full(codes.shape, 255, np.uint8)
    alpha[200:206, 120:126] = 0
    Image.merge("LA", [Image.fromarray(codes), Image.fromarray(alpha)]).save(tmp_path / "scan.png")
    made = prepare_patch(
        tmp_path / "scan.png", PrepareOptions(texel_um=TEXEL_UM, height_um=400, tiling="none", form="none")
    )
    told = "\n".join(made.patch.provenance.history)
    assert "holes filled: 36 pixels" in told and "spikes taken out: 2, 2 pixels" in told and "terraces smoothed" in told
    error = (made.patch.height_mm - (height - height.mean()))[20:-20, 20:-20]
    error -= error.mean()
    stored = (codes / 255 - 0.5) * 0.4 - (height - height.mean())
    stored = (stored - stored.mean())[20:-20, 20:-20]
    clean = np.ones(error.shape, bool)
    clean[175:190, 95:110] = clean[79:82, 29:32] = clean[279:282, 199:202] = False
    rms_um, stored_um = (1000 * math.sqrt((e[clean] ** 2).mean()) for e in (error, stored))
    print(f"error {rms_um:.3f} um, as stored {stored_um:.3f} um (a step is {400 / 255:.2f} um)")
    assert rms_um < stored_um
    assert not made.patch.periodic


def test_black_outward_is_advised_and_turned_over(tmp_path):
    known = synthesise("pores", size_mm=8, texel_um=TEXEL_UM, seed=3).height_mm.astype(float)
    path = write_16_bit(tmp_path / "inside_out.tif", -known, 200)
    with pytest.warns(PatchAdviceWarning, match="invert"):
        prepare_patch(path, PrepareOptions(texel_um=TEXEL_UM, height_um=200, form="none"))
    made = prepare_patch(path, PrepareOptions(texel_um=TEXEL_UM, height_um=200, form="none", invert=True))
    np.testing.assert_allclose(made.patch.height_mm, known - known.mean(), atol=0.2 / 65535)


def test_heights_in_another_unit_are_told(tmp_path, skin_mm):
    path = write_16_bit(tmp_path / "a.tif", skin_mm)
    with pytest.warns(PatchAdviceWarning, match="is the height in mm"):
        prepare_patch(path, PrepareOptions(texel_um=TEXEL_UM, height_um=0.8, tiling="none"))


def test_a_wished_sq(tmp_path, skin_mm):
    path = write_16_bit(tmp_path / "a.tif", skin_mm)
    made = prepare_patch(path, PrepareOptions(texel_um=TEXEL_UM, sq_um=11, form="none"))
    assert made.patch.sq_mm == pytest.approx(0.011, rel=1e-5)
    assert "scaled to Sq 11 um, by wish, not by measure" in made.patch.provenance.history[-1]


@pytest.mark.parametrize("made_of", ["one grey", "8-bit grey", "a plane"])
@pytest.mark.parametrize("height", [{"height_um": 400}, {"sq_um": 10}])
def test_rounding_is_not_taken_for_relief(tmp_path, made_of, height):
    """A wished Sq would make 10 um of what is 1e-8 um."""
    values = {
        "one grey": np.full((100, 100), 0.3, np.float32),
        "8-bit grey": np.full((100, 100), 77, np.uint8),
        "a plane": np.linspace(0, 1, 10000, dtype=np.float32).reshape(100, 100),
    }[made_of]
    tifffile.imwrite(tmp_path / "a.tif", values)
    with pytest.raises(PatchError, match="a.tif: holds no relief"):
        prepare_patch(tmp_path / "a.tif", PrepareOptions(texel_um=20, **height))


def test_a_tilt_that_is_kept_but_cannot_tile_is_told(tmp_path, skin_mm):
    """0.1 mm over 6 mm: atan 1/60, 0.955 degrees."""
    path = write_16_bit(tmp_path / "a.tif", skin_mm[:300, :300] + np.linspace(-0.05, 0.05, 300))
    options = PrepareOptions(texel_um=TEXEL_UM, height_um=800, form="none")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PatchAdviceWarning)
        made = prepare_patch(path, options)
    [said] = [line for line in made.patch.provenance.history if line.startswith("tilt of ")]
    assert float(said.split()[2]) == pytest.approx(0.955, abs=0.05)
    assert not any(
        "tilt of" in s for s in prepare_patch(path, replace(options, tiling="none")).patch.provenance.history
    )


def test_a_patch_prepared_again_keeps_its_terms_and_history(tmp_path):
    """Else a cut-out of a scan would be without the consent that the scan has."""
    skin = synthesise("pores", size_mm=6, texel_um=TEXEL_UM, seed=2).height_mm
    terms = Provenance("own scan", "CC0-1.0", "signed", history=("read: raw.png",))
    written = write_patch(tmp_path / "a.tif", HeightPatch("a", skin, 0.02, provenance=terms), format="tiff-16")
    made = prepare_patch(written.path, PrepareOptions(licence="MIT", form="none"))
    origin = made.patch.provenance
    assert (origin.source, origin.licence, origin.consent) == ("own scan", "MIT", "signed")
    assert origin.history[:2] == ("read: raw.png", "read: a.tif, 300 x 300 pixels of 20 x 20 um")
    np.testing.assert_allclose(made.patch.height_mm, skin, atol=2e-6)
    with pytest.raises(PatchError, match="allowed is a difference of"):
        prepare_patch(written.path, PrepareOptions(texel_um=25))
    assert prepare_patch(written.path, PrepareOptions(sq_um=5)).patch.sq_mm == pytest.approx(0.005, rel=1e-5)


def test_what_shows_once_it_tiles_is_advised(tmp_path, skin_mm):
    """Two waves across a tile: they tile well, and show as repeats."""
    x = np.arange(300) / 300
    waves = 0.03 * np.sin(4 * np.pi * x) + skin_mm[:300, :300]
    path = write_16_bit(tmp_path / "a.tif", waves)
    with pytest.warns(PatchAdviceWarning, match="a.tif: .* % of Sq lies in waves longer than a third of the tile"):
        made = prepare_patch(path, PrepareOptions(texel_um=TEXEL_UM, height_um=800, form="none"))
    assert any("repeats will show" in line for line in made.advice)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (PrepareOptions(texel_um=20000, height_um=100), "texel_um is 20000; pictures of skin have 0.5 to 1000"),
        (PrepareOptions(texel_um=20, height_um=5e5), "its relief has Sq .* um; that of skin is below 2000 um: check"),
    ],
)
def test_numbers_in_another_unit_are_told_while_they_can_be_changed(tmp_path, skin_mm, options, said):
    with pytest.warns(PatchAdviceWarning, match=said):
        made = prepare_patch(write_16_bit(tmp_path / "a.tif", skin_mm), options)
    assert any("both are in micrometres" in line for line in made.advice)


def test_what_is_missing_or_contradicts_is_said(tmp_path, skin_mm):
    path = write_16_bit(tmp_path / "a.tif", skin_mm)
    for options, said in (
        (PrepareOptions(texel_um=20), "found neither height_um nor sq_um; allowed is one of them"),
        (PrepareOptions(texel_um=20, height_um=100, sq_um=9), "found both height_um and sq_um"),
        (PrepareOptions(height_um=100), "real size of a pixel is not known"),
        (PrepareOptions(texel_um=20, width_mm=13, height_um=100), "allowed is a difference of"),
        (PrepareOptions(texel_um=-1, height_um=100), "texel_um is -1"),
        (PrepareOptions(texel_um=1e-300, height_um=100), "allowed: 0.001 to 1e.06; texel_um is in micrometres"),
        (PrepareOptions(texel_um=1e300, height_um=100), "allowed: 0.001 to 1e.06; texel_um is in micrometres"),
        (PrepareOptions(texel_um=20, height_um=100, form="wavy"), "form is 'wavy'; allowed: auto, none, tilt, bend"),
        (PrepareOptions(texel_um=20, height_um=100, tiling="maybe"), "allowed"),
        (PrepareOptions(texel_um=20, height_um=100, crop_px=(500, 0, 200, 100)), "allowed"),
    ):
        with pytest.raises(PatchError, match=said):
            prepare_patch(path, options)


@pytest.mark.parametrize(("form", "degree"), [("tilt", 1), ("bend", 2), ("4", 4)])
def test_a_form_of_a_degree_is_taken_off(tmp_path, skin_mm, form, degree):
    """Polynomials of that degree and below are gone; the next one stays."""
    x = np.linspace(-1, 1, 300)
    for power, is_left in ((degree, False), (degree + 2, True)):
        path = write_16_bit(tmp_path / "a.tif", skin_mm[:300, :300] + 0.3 * x**power)
        options = PrepareOptions(texel_um=TEXEL_UM, height_um=800, tiling="none")
        height_mm = prepare_patch(path, replace(options, form=form)).patch.height_mm.mean(axis=0)
        assert (np.ptp(ndimage.gaussian_filter1d(height_mm, 20)) > 0.006) == is_left


def test_progress_names_every_step_in_order(tmp_path, skin_mm):
    path = write_16_bit(tmp_path / "a.tif", skin_mm[:200, :200])
    said = []
    options = PrepareOptions(texel_um=20, height_um=800)
    prepare_patch(path, options, on_progress=lambda stage, done, total: said.append(stage))
    assert list(dict.fromkeys(said)) == ["read", "clean", "form", "turn", "tile", "measure"]
