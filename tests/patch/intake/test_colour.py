"""Colour and the curves on it."""

import struct

import numpy as np
import OpenEXR
import pytest
import tifffile
from picture_files import NO_CURVE, SRGB_CURVE, gamma_curve, icc_profile, iccp, write_png

from poredepth.errors import PatchError
from poredepth.patch.intake import read_raw
from poredepth.patch.intake.curves import curve_of_profile, without_srgb_curve

RNG = np.random.default_rng(3)
GREY = RNG.integers(0, 65536, (8, 9), dtype=np.uint16)
RGB = RNG.integers(0, 65536, (8, 9, 3), dtype=np.uint16)
SAME = np.repeat(GREY[..., None], 3, axis=2)
SRGB = (b"sRGB", b"\0")


def gama(number):
    return b"gAMA", struct.pack(">I", number)


def test_the_srgb_curve():
    """IEC 61966-2-1; 0.5 is 0.214041 linear (the project's table of facts), both parts meet at 0.04045."""
    assert without_srgb_curve(np.array([0.0, 0.02, 0.5, 1.0])) == pytest.approx(
        [0, 0.02 / 12.92, 0.21404114, 1], abs=1e-8
    )
    assert np.diff(without_srgb_curve(np.array([0.04045, 0.0404501])))[0] < 1e-6


@pytest.mark.parametrize(
    "chunk", [SRGB, gama(45455), gama(55556), iccp(SRGB_CURVE), iccp(gamma_curve(2.2)), (b"cICP", b"\1\x0d\0\1")]
)
def test_tagged_grey_is_refused_until_someone_says_what_it_is(tmp_path, chunk):
    path = write_png(tmp_path / "a.png", GREY, chunk)
    with pytest.raises(PatchError) as error:
        read_raw(path)
    text = str(error.value)
    assert "a.png: found a" in text
    assert "colour 'linear'" in text and "colour 'srgb'" in text
    assert "many programs put an sRGB tag on grey that is linear" in text
    raw = read_raw(path, colour="linear")
    assert raw.values == pytest.approx(GREY / 65535, abs=1e-7)
    assert "not applied, stored numbers taken as heights" in raw.notes[0]


@pytest.mark.parametrize(
    "chunk", [gama(100_000), iccp(NO_CURVE), iccp(gamma_curve(1.0), b"rTRC"), (b"cICP", b"\1\x08\0\1")]
)
def test_grey_that_is_tagged_linear_is_taken(tmp_path, chunk):
    raw = read_raw(write_png(tmp_path / "a.png", GREY, chunk))
    assert raw.values == pytest.approx(GREY / 65535, abs=1e-7)
    assert raw.notes == ()


def test_the_curve_is_taken_off_when_asked_to(tmp_path):
    grey = np.full((4, 4), 32768, np.uint16)
    grey[0, :2] = 0, 65535
    raw = read_raw(write_png(tmp_path / "a.png", grey, SRGB), colour="srgb")
    assert raw.values[1, 1] == pytest.approx(0.214041, abs=1e-5)  # 32768 is 0.50001
    assert raw.values[0, 0] == 0 and raw.values[0, 1] == pytest.approx(1, abs=1e-6)
    # slope of the curve at a half: 2.4 / 1.055 * ((0.5 + 0.055) / 1.055)**1.4 = 0.9254 (by hand)
    assert raw.code_step == pytest.approx(0.9254 / 65535, rel=1e-3)
    assert raw.notes[0] == "colour: sRGB curve taken off"
    plain = read_raw(write_png(tmp_path / "b.png", grey), colour="srgb")  # untagged, but so stated
    assert np.array_equal(plain.values, raw.values)


@pytest.mark.parametrize("chunk", [gama(55556), gama(100_000), iccp(gamma_curve(1.5)), (b"cICP", b"\1\x10\0\1")])
def test_srgb_is_not_said_of_a_file_that_says_otherwise(tmp_path, chunk):
    with pytest.raises(PatchError, match="colour is 'srgb', but the file has a"):
        read_raw(write_png(tmp_path / "a.png", GREY, chunk), colour="srgb")


def colour_files(folder, codes):
    tifffile.imwrite(folder / "a.tif", codes, photometric="rgb")
    tifffile.imwrite(folder / "b.tif", np.moveaxis(codes, 2, 0), photometric="rgb", planarconfig="separate")
    share = np.float32(codes) / np.float32(65535)
    channels = {name: np.ascontiguousarray(share[..., k]) for k, name in enumerate("RGB")}
    OpenEXR.File({"type": OpenEXR.scanlineimage}, channels).write(str(folder / "a.exr"))
    return [write_png(folder / "a.png", codes), folder / "a.tif", folder / "b.tif", folder / "a.exr"]


def test_colour_is_refused(tmp_path):
    for path in colour_files(tmp_path, RGB):
        with pytest.raises(PatchError, match=r"found a colour picture, with channels that differ; .* 'linear'.*'srgb'"):
            read_raw(path)


def test_luminance_of_the_stored_numbers(tmp_path):
    """ITU-R BT.709."""
    expected = (RGB / 65535) @ [0.2126, 0.7152, 0.0722]
    for path in colour_files(tmp_path, RGB):
        raw = read_raw(path, colour="linear")
        assert raw.values.shape == (8, 9)
        assert raw.values == pytest.approx(expected, abs=2e-7)
        assert raw.notes == ("colour: luminance of the stored numbers taken, 0.2126 red + 0.7152 green + 0.0722 blue",)


def test_luminance_of_linear_light(tmp_path):
    expected = without_srgb_curve(RGB / 65535) @ [0.2126, 0.7152, 0.0722]
    for path in colour_files(tmp_path, RGB)[:3]:
        raw = read_raw(path, colour="srgb")
        assert raw.values == pytest.approx(expected, abs=2e-7)
        assert raw.notes[1] == "colour: luminance taken, 0.2126 red + 0.7152 green + 0.0722 blue"


def test_exr_is_never_srgb(tmp_path):
    path = colour_files(tmp_path, RGB)[3]
    with pytest.raises(PatchError, match="'srgb', but the file has the EXR format, which is linear"):
        read_raw(path, colour="srgb")


def test_grey_stored_as_colour_is_grey(tmp_path):
    for path in colour_files(tmp_path, SAME):
        for colour in ("refuse", "linear"):
            raw = read_raw(path, colour=colour)
            assert raw.values == pytest.approx(GREY / 65535, abs=1e-7)
            assert raw.notes == ("colour: three equal channels taken as one grey",)
    path = write_png(tmp_path / "b.png", SAME, SRGB)
    with pytest.raises(PatchError, match="found an sRGB tag"):
        read_raw(path)


def test_8_bit_grey_stored_as_colour_counts_as_srgb(tmp_path):
    path = write_png(tmp_path / "a.png", (SAME // 257).astype(np.uint8))
    with pytest.raises(PatchError, match="grey stored as 8-bit colour, which without a tag counts as sRGB"):
        read_raw(path)
    assert read_raw(path, colour="linear").values == pytest.approx((GREY // 257) / 255, abs=1e-7)


def test_colour_with_alpha(tmp_path):
    alpha = np.where(np.arange(9) < 5, 65535, 0).astype(np.uint16) * np.ones((8, 1), np.uint16)
    four = np.dstack([RGB, alpha])
    tifffile.imwrite(tmp_path / "a.tif", four, photometric="rgb", extrasamples=[2])
    for path in (write_png(tmp_path / "a.png", four), tmp_path / "a.tif"):
        raw = read_raw(path, colour="linear")
        assert raw.values == pytest.approx((RGB / 65535) @ [0.2126, 0.7152, 0.0722], abs=2e-7)
        assert raw.inside == pytest.approx(alpha / 65535)
    tifffile.imwrite(tmp_path / "b.tif", four, photometric="rgb", extrasamples=[1])
    with pytest.raises(PatchError, match="found colours that are multiplied by its alpha already"):
        read_raw(tmp_path / "b.tif", colour="linear")


def test_tiff_with_a_colour_profile(tmp_path):
    for curve, is_taken in ((SRGB_CURVE, False), (gamma_curve(2.2), False), (NO_CURVE, True), (b"lut?" * 9, False)):
        profile = icc_profile(curve)
        tifffile.imwrite(tmp_path / "a.tif", GREY, iccprofile=profile)
        if is_taken:
            read_raw(tmp_path / "a.tif")
            continue
        with pytest.raises(PatchError, match="found an ICC colour profile"):
            read_raw(tmp_path / "a.tif")
        assert read_raw(tmp_path / "a.tif", colour="linear").values == pytest.approx(GREY / 65535, abs=1e-7)


def test_profiles_of_another_library():
    """Pillow's littleCMS makes an sRGB profile."""
    from PIL import ImageCms

    assert curve_of_profile(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()) == "srgb"


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2, 2.4])
@pytest.mark.parametrize("kind", [0, 1, 2, 3, 4])
def test_parametric_curves(gamma, kind):
    """ICC.1:2022, table 68: each kind with the numbers that make it the plain power."""
    numbers = [gamma, 1, 0, 0, 0, 0, 0][: (1, 3, 4, 5, 7)[kind]]
    curve = b"para" + bytes(4) + struct.pack(f">HH{len(numbers)}i", kind, 0, *(round(65536 * n) for n in numbers))
    expected = {1.0: "linear", 1.8: "other", 2.2: "srgb", 2.4: "other"}[gamma]
    assert curve_of_profile(icc_profile(curve)) == expected


def test_sampled_curves():
    at = np.linspace(0, 1, 1024)
    for curve, expected in ((at, "linear"), (without_srgb_curve(at), "srgb"), (at**3, "other")):
        codes = np.round(curve * 65535).astype(">u2").tobytes()
        assert curve_of_profile(icc_profile(b"curv" + bytes(4) + struct.pack(">I", 1024) + codes)) == expected
    for broken in (b"", bytes(200), icc_profile(b"curv"), icc_profile(b"para" + bytes(4) + b"\0\x09\0\0")):
        assert curve_of_profile(broken) == "other"


def test_floats(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.float32(GREY / 65535))
    assert read_raw(tmp_path / "a.tif", colour="srgb").values == pytest.approx(
        without_srgb_curve(GREY / 65535), abs=1e-6
    )
    tifffile.imwrite(tmp_path / "b.tif", np.float32(GREY))
    with pytest.raises(PatchError, match="'srgb', but values run from .*; the sRGB curve is one of 0 to 1"):
        read_raw(tmp_path / "b.tif", colour="srgb")


def test_an_unknown_choice(tmp_path):
    with pytest.raises(PatchError, match="colour is 'raw'; allowed: refuse, linear, srgb"):
        read_raw(write_png(tmp_path / "a.png", GREY), colour="raw")
