import hashlib
import re
import struct
import warnings
import zlib

import numpy as np
import OpenEXR
import OpenImageIO
import pytest
import tifffile
from PIL import Image

from poredepth.errors import PatchError
from poredepth.patch.read import load_patch, read_picture
from poredepth.patch.types import CoarseHeightWarning, PatchOffsetWarning, PatchScaleWarning

CODES = np.array([[0, 1, 32767, 32768, 65535], [5, 6, 7, 8, 9], [10, 20, 30, 40, 50], [9, 8, 7, 6, 5]], np.uint16)


def write_exr(path, channels, **header):
    OpenEXR.File({"type": OpenEXR.scanlineimage, **header}, channels).write(str(path))
    return path


def write_png(path, pixels, **options):
    Image.fromarray(pixels).save(path, **options)
    return path


def write_tiff(path, pixels, **options):
    tifffile.imwrite(path, pixels, **options)
    return path


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_tiff_codes_become_shares_of_the_largest(tmp_path, order, compression):
    path = write_tiff(tmp_path / "a.tif", CODES, byteorder=order, compression=compression)
    value = read_picture(path)
    assert value.dtype == np.float32
    assert value == pytest.approx(CODES / 65535, abs=4e-8)


def test_png_16_bit_written_by_two_programs(tmp_path):
    assert read_picture(write_png(tmp_path / "a.png", CODES)) == pytest.approx(CODES / 65535, abs=4e-8)
    spec = OpenImageIO.ImageSpec(5, 4, 1, "uint16")
    out = OpenImageIO.ImageOutput.create("png")
    assert out.open(str(tmp_path / "b.png"), spec)
    assert out.write_image(CODES[:, :, None])
    out.close()
    assert read_picture(tmp_path / "b.png") == pytest.approx(CODES / 65535, abs=4e-8)


def test_tiff_8_and_32_bit_codes(tmp_path):
    assert read_picture(write_tiff(tmp_path / "a.tif", CODES.astype(np.uint8)))[0, 2] == pytest.approx(1.0)
    wide = CODES.astype(np.uint32) * 65537
    value = read_picture(write_tiff(tmp_path / "b.tif", wide))
    assert value.dtype == np.float64
    assert value == pytest.approx(wide / (2**32 - 1), abs=1e-15)


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
def test_tiff_floats_are_raw(tmp_path, dtype):
    given = np.linspace(-3, 40, 20, dtype=dtype).reshape(4, 5)
    value = read_picture(write_tiff(tmp_path / "a.tif", given))
    assert np.array_equal(value, given)
    assert value.dtype == (np.float64 if dtype == np.float64 else np.float32)


@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_exr_floats_are_raw_whatever_the_only_channel_is_called(tmp_path, dtype):
    given = np.linspace(-3, 40, 20, dtype=dtype).reshape(4, 5)
    assert np.array_equal(read_picture(write_exr(tmp_path / "a.exr", {"R": given})), given)


def test_exr_takes_the_one_height_channel_among_others(tmp_path):
    given = np.linspace(0, 1, 20, dtype=np.float32).reshape(4, 5)
    path = write_exr(tmp_path / "a.exr", {"skin.Height": given, "mask": given * 0})
    assert np.array_equal(read_picture(path), given)


def test_exr_written_by_another_library(tmp_path):
    given = np.linspace(0, 1, 20, dtype=np.float32).reshape(4, 5)
    spec = OpenImageIO.ImageSpec(5, 4, 1, "float")
    spec.channelnames = ("Y",)
    spec.tile_width = spec.tile_height = 64
    spec.tile_depth = 1
    out = OpenImageIO.ImageOutput.create("a.exr")
    assert out.open(str(tmp_path / "a.exr"), spec)
    assert out.write_image(given[:, :, None])
    out.close()
    assert np.array_equal(read_picture(tmp_path / "a.exr"), given)


def test_the_first_bytes_decide_not_the_name(tmp_path):
    path = write_tiff(tmp_path / "a.tif", CODES).rename(tmp_path / "a.png")
    assert read_picture(path) == pytest.approx(CODES / 65535, abs=4e-8)


def colour_png(path):
    return write_png(path / "f.png", np.zeros((4, 5, 3), np.uint8))


def alpha_png(path):
    return write_png(path / "f.png", np.zeros((4, 5, 2), np.uint8))


def rgba_png(path):
    return write_png(path / "f.png", np.zeros((4, 5, 4), np.uint8))


def palette_png(path):
    Image.fromarray(np.zeros((4, 5), np.uint8)).convert("P").save(path / "f.png")
    return path / "f.png"


def one_bit_png(path):
    Image.fromarray(np.zeros((4, 5), np.uint8)).convert("1").save(path / "f.png")
    return path / "f.png"


def transparent_png(path):
    return write_png(path / "f.png", np.zeros((4, 5), np.uint8), transparency=0)


def colour_tiff(path):
    return write_tiff(path / "f.tif", np.zeros((8, 9, 3), np.uint16), photometric="rgb")


def alpha_tiff(path):
    layout = {"photometric": "minisblack", "planarconfig": "contig", "extrasamples": [2]}
    return write_tiff(path / "f.tif", np.zeros((8, 9, 2), np.uint16), **layout)


def palette_tiff(path):
    return write_tiff(
        path / "f.tif", np.zeros((8, 9), np.uint8), photometric="palette", colormap=np.zeros((3, 256), np.uint16)
    )


def white_is_zero_tiff(path):
    return write_tiff(path / "f.tif", np.zeros((8, 9), np.uint16), photometric="miniswhite")


def signed_tiff(path):
    return write_tiff(path / "f.tif", np.zeros((8, 9), np.int16))


def many_paged_tiff(path):
    return write_tiff(path / "f.tif", np.zeros((3, 8, 9), np.uint16), photometric="minisblack")


def turned_tiff(path):
    return write_tiff(path / "f.tif", np.zeros((8, 9), np.uint16), extratags=[(274, "H", 1, 6, True)])


def colour_exr(path):
    plane = np.zeros((4, 5), np.float32)
    return write_exr(path / "f.exr", {"R": plane, "G": plane, "B": plane})


def two_heights_exr(path):
    plane = np.zeros((4, 5), np.float32)
    return write_exr(path / "f.exr", {"Y": plane, "Z": plane})


def alpha_exr(path):
    return write_exr(path / "f.exr", {"A": np.zeros((4, 5), np.float32)})


def whole_number_exr(path):
    return write_exr(path / "f.exr", {"Y": np.zeros((4, 5), np.uint32)})


def cropped_exr(path):
    window = (np.array([0, 0], np.int32), np.array([9, 9], np.int32))
    return write_exr(path / "f.exr", {"Y": np.zeros((4, 5), np.float32)}, displayWindow=window)


def jpeg(path):
    Image.fromarray(np.zeros((4, 5), np.uint8)).save(path / "f.jpg")
    return path / "f.jpg"


def empty_file(path):
    (path / "f.tif").write_bytes(b"")
    return path / "f.tif"


def text_file(path):
    (path / "f.png").write_text("heights")
    return path / "f.png"


@pytest.mark.parametrize(
    ("write", "found", "fix"),
    [
        (colour_png, "RGB colour, 8 bits a channel", "export one channel as grey"),
        (alpha_png, "grey with alpha, 8 bits a channel", "export one channel as grey"),
        (rgba_png, "RGB colour with alpha, 8 bits a channel", "export one channel as grey"),
        (palette_png, "a colour palette", "export one channel as grey"),
        (one_bit_png, "grey with 1 bit(s)", "export it with 16 bits"),
        (transparent_png, "grey with a transparent value", "without transparency"),
        (colour_tiff, "RGB colour", "export one channel as grey"),
        (alpha_tiff, "grey with alpha", "export one channel as grey"),
        (palette_tiff, "a colour palette", "export one channel as grey"),
        (white_is_zero_tiff, "grey with white as zero", "black as zero"),
        (signed_tiff, "16-bit signed values", "16-bit unsigned or 32-bit float"),
        (many_paged_tiff, "3 pages", "alone"),
        (turned_tiff, "a turned picture (orientation tag 6)", "the right way up"),
        (colour_exr, "channels B, G, R", "name exactly one of them Y, Z, height or displacement"),
        (two_heights_exr, "channels Y, Z", "name exactly one of them"),
        (alpha_exr, "channels A", "export one channel"),
        (whole_number_exr, "channel Y of type uint32", "float or half"),
        (cropped_exr, "a data window [[0, 0], [4, 3]] that differs from the display window [[0, 0], [9, 9]]", "crop"),
        (jpeg, "a JPEG picture", "export the heights anew"),
        (empty_file, "an empty file", "export the heights anew"),
        (text_file, "neither PNG, TIFF nor EXR", "export the heights anew"),
    ],
)
def test_refusals_name_file_finding_allowance_and_fix(tmp_path, write, found, fix):
    path = write(tmp_path)
    with pytest.raises(PatchError) as caught:
        read_picture(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: found {found}"), message
    assert "allowed is one channel of heights" in message
    assert fix in message.split("allowed is", 1)[1]


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(PatchError, match="none.tif: no such file; allowed is a PNG, TIFF or EXR picture"):
        read_picture(tmp_path / "none.tif")
    with pytest.raises(PatchError, match="cannot be read .* not a folder"):
        read_picture(tmp_path)


def sound_files(tmp_path):
    codes = np.random.default_rng(5).integers(0, 65535, (64, 80), dtype=np.uint16)
    yield write_tiff(tmp_path / "plain.tif", codes, rowsperstrip=8)
    yield write_tiff(tmp_path / "zlib.tif", codes, compression="zlib", rowsperstrip=8)
    yield write_png(tmp_path / "a.png", codes)
    yield write_exr(tmp_path / "a.exr", {"Y": codes.astype(np.float32)})


def test_a_truncated_file_is_refused_at_any_length(tmp_path):
    for path in sound_files(tmp_path):
        whole = path.read_bytes()
        for length in (9, 30, 200, len(whole) // 2, len(whole) - 40):
            path.write_bytes(whole[:length])
            with pytest.raises(PatchError, match=re.escape(str(path))):
                read_picture(path)


def test_flipped_bytes_never_raise_anything_else(tmp_path):
    rng = np.random.default_rng(11)
    for path in sound_files(tmp_path):
        whole = path.read_bytes()
        for place in rng.integers(4, min(len(whole), 400), 25):
            broken = bytearray(whole)
            broken[place] ^= 0xFF
            path.write_bytes(broken)
            try:
                assert read_picture(path).ndim == 2
            except PatchError as error:
                assert str(path) in str(error)


def test_a_png_of_absurd_size_is_refused_before_it_is_decoded(tmp_path):
    ihdr = struct.pack(">IIBBBBB", 2**20, 2**20, 16, 0, 0, 0, 0)
    chunk = struct.pack(">I", 13) + b"IHDR" + ihdr + struct.pack(">I", zlib.crc32(b"IHDR" + ihdr))
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + chunk)
    with pytest.raises(PatchError, match="found a size of 1048576 x 1048576 texels"):
        read_picture(tmp_path / "a.png")


def test_nan_is_counted_and_placed(tmp_path):
    given = np.zeros((6, 7), np.float32)
    given[4, 2] = np.nan
    given[5, 0] = -np.inf
    for path in (write_tiff(tmp_path / "a.tif", given), write_exr(tmp_path / "a.exr", {"Y": given})):
        with pytest.raises(PatchError, match=rf"{path.name}: 2 value\(s\) are NaN or infinite, .* at row 4, col 2"):
            read_picture(path)


def test_calibration_numbers(tmp_path):
    codes = np.tile(np.array([0, 65535, 32768, 32767, 13107, 52428], np.uint16), (4, 1))
    path = write_tiff(tmp_path / "a.tif", codes)
    patch = load_patch("p", path, texel_um=10, height_um=120, lay_deg=30, source="s", licence="MIT", consent="c")
    # code 13107 = 0.2, so (0.2 - 0.5) * 120 um = -36 um (arithmetic by hand)
    assert patch.height_mm[0] * 1e3 == pytest.approx([-60, 60, 120 / 131070, -120 / 131070, -36, 36], abs=1e-5)
    assert (patch.texel_mm, patch.lay_deg, patch.periodic) == (0.01, 30.0, True)
    assert patch.width_mm == pytest.approx(0.06)
    kept = patch.provenance
    assert (kept.source, kept.licence, kept.consent, kept.file) == ("s", "MIT", "c", str(path))
    assert kept.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    turned = load_patch("p", path, texel_um=10, height_um=120, invert=True, periodic=False)
    assert np.array_equal(turned.height_mm, -patch.height_mm)
    assert not turned.periodic


def test_zero_moves_the_heights_and_a_mean_of_its_own_is_reported(tmp_path):
    codes = np.tile(np.array([0, 65535], np.uint16), (4, 4))
    path = write_tiff(tmp_path / "a.tif", codes)
    with pytest.warns(PatchOffsetWarning, match=r"the mean height is \+50 um with Sq 50 um.*within 0.25 Sq; set zero"):
        patch = load_patch("p", path, texel_um=10, height_um=100, zero=0.0)
    assert patch.height_mm[0, :2] * 1e3 == pytest.approx([0, 100], abs=1e-5)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        load_patch("p", path, texel_um=10, height_um=100, zero=0.4)  # mean 10 um, Sq 50 um: within


def test_float_files_count_in_full_units(tmp_path):
    given = np.tile(np.array([-0.02, 0.02], np.float32), (4, 4))
    path = write_exr(tmp_path / "a.exr", {"Y": given})
    patch = load_patch("p", path, texel_um=10, height_um=1000, zero=0.0)
    assert patch.height_mm == pytest.approx(given, abs=1e-9)


def test_8_bit_heights_are_warned_about_with_their_step(tmp_path):
    codes = np.tile(np.array([0, 255], np.uint8), (4, 4))
    path = write_png(tmp_path / "a.png", codes)
    with pytest.warns(CoarseHeightWarning, match="found 8-bit codes: one height step is 0.392 um, too coarse"):
        load_patch("p", path, texel_um=10, height_um=100)
    wide = write_tiff(tmp_path / "a.tif", np.arange(256, dtype=np.uint16).reshape(16, 16) * 257)
    with pytest.warns(CoarseHeightWarning, match="16-bit codes that are 8-bit ones spread out"):
        load_patch("p", wide, texel_um=10, height_um=100)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_picture(path)  # a mask: no height, no step


@pytest.mark.parametrize(
    ("numbers", "message"),
    [
        ({"texel_um": 0}, "texel_um is 0; allowed is a number above 0; it is the size of one texel"),
        ({"height_um": -5}, "height_um is -5; allowed is a number above 0; to turn the relief inside out set invert"),
        ({"zero": float("nan")}, "zero is nan; allowed is a finite number"),
        ({"lay_deg": "up"}, "lay_deg is 'up'; allowed is a finite number"),
        ({"height_um": float("inf")}, "height_um is inf; allowed is a finite number"),
    ],
)
def test_bad_numbers_are_refused(tmp_path, numbers, message):
    path = write_tiff(tmp_path / "a.tif", CODES)
    with pytest.raises(PatchError, match=rf"patch 'p' \(.*a.tif\): {message}"):
        load_patch("p", path, **{"texel_um": 10, "height_um": 100, **numbers})


def test_a_tiny_picture_is_refused(tmp_path):
    path = write_tiff(tmp_path / "a.tif", CODES[:3])
    with pytest.raises(PatchError, match=r"found 3 x 5 texels \(rows x cols\); allowed is at least 4 x 4"):
        load_patch("p", path, texel_um=10, height_um=100)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"texel_um": 0.02, "height_um": 180}, "texel_um is 0.02; pictures of skin have 0.5 to 1000"),
        ({"texel_um": 20, "height_um": 180_000}, "its relief has Sq .* um; that of skin is below 2000 um"),
    ],
)
def test_numbers_in_another_unit_are_told(tmp_path, keys, told):
    code = np.random.default_rng(0).integers(0, 65536, (64, 64)).astype(np.uint16)
    write_png(tmp_path / "skin.png", code)
    with pytest.warns(PatchScaleWarning, match=told):
        load_patch("skin", tmp_path / "skin.png", **keys)
