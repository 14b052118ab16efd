"""What files say of the size of a pixel, and what of it is believed."""

import numpy as np
import OpenEXR
import pytest
import tifffile
from picture_files import phys, write_png

from poredepth.errors import PatchError
from poredepth.patch.intake import read_raw, real_size
from poredepth.patch.intake.size_tags import HABITUAL_DPI

CODES = np.arange(30, dtype=np.uint16).reshape(5, 6) * 2000


def tiff(path, **options):
    tifffile.imwrite(path, CODES, **options)
    return path


def exr(path, **header):
    OpenEXR.File({"type": OpenEXR.scanlineimage, **header}, {"Y": np.float32(CODES)}).write(str(path))
    return path


def test_png_phys_is_pixels_per_metre(tmp_path):
    """54.6 um is 18315 pixels a metre: the value of the project's table of facts, 1 / 54.6e-6."""
    raw = read_raw(write_png(tmp_path / "a.png", CODES, phys(18315, 18315)))
    assert raw.pixel_mm == pytest.approx((0.0546, 0.0546), rel=1e-5)
    assert raw.pixel_from == "pHYs"
    assert raw.notes == ("size tag: pHYs states 54.6001 um a pixel",)


def test_png_phys_written_by_another_library(tmp_path):
    from PIL import Image

    Image.fromarray(CODES).save(tmp_path / "a.png", dpi=(1270, 1270))  # 1270 an inch: 20 um
    assert read_raw(tmp_path / "a.png").pixel_mm == pytest.approx((0.02, 0.02), rel=1e-4)


def test_phys_without_a_unit_says_the_shape_of_a_pixel_only(tmp_path):
    raw = read_raw(write_png(tmp_path / "a.png", CODES, phys(3, 2, 0)))
    assert raw.pixel_mm is None and raw.pixel_from == ""
    assert raw.pixel_aspect == pytest.approx(1.5)  # 2 pixels as high as 3 are wide
    assert raw.notes == ("size tag: pHYs has no unit; it only says that a pixel is 1.5 times as high as wide",)
    assert real_size(raw, "a.png", texel_um=20) == pytest.approx((0.02, 0.03))
    assert read_raw(write_png(tmp_path / "b.png", CODES, phys(1, 1, 0))).notes == ()


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"resolution": (500, 500), "resolutionunit": 3}, (0.02, 0.02)),  # 500 a cm
        ({"resolution": (1270, 1016), "resolutionunit": 2}, (0.02, 0.025)),  # 1270 and 1016 an inch
        ({"resolution": ((254000, 100), (254000, 100)), "resolutionunit": 2}, (0.01, 0.01)),
    ],
)
def test_tiff_resolution(tmp_path, options, expected):
    raw = read_raw(tiff(tmp_path / "a.tif", **options))
    assert raw.pixel_mm == pytest.approx(expected, rel=1e-9)
    assert raw.pixel_from == "TIFF resolution"


def test_tiff_without_a_unit_says_nothing_of_size(tmp_path):
    for number in (1, 500):
        raw = read_raw(tiff(tmp_path / "a.tif", resolution=(number, number), resolutionunit=1))
        assert raw.pixel_mm is None and raw.notes == ()
    raw = read_raw(tiff(tmp_path / "a.tif", resolution=(200, 100), resolutionunit=1))
    assert raw.pixel_mm is None and raw.pixel_aspect == 2


def test_exr_density_is_per_inch_and_its_aspect_width_over_height(tmp_path):
    """OpenEXR, standard optional attributes: the vertical density is xDensity * pixelAspectRatio."""
    assert read_raw(exr(tmp_path / "a.exr", xDensity=465.2)).pixel_mm == pytest.approx((0.0546, 0.0546), rel=1e-4)
    raw = read_raw(exr(tmp_path / "b.exr", xDensity=1270.0, pixelAspectRatio=0.8))
    assert raw.pixel_mm == pytest.approx((0.02, 0.025), rel=1e-6)
    assert raw.pixel_from == "xDensity"
    raw = read_raw(exr(tmp_path / "c.exr", pixelAspectRatio=0.5))
    assert raw.pixel_mm is None and raw.pixel_aspect == 2.0


def test_files_without_a_tag_have_no_size(tmp_path):
    for path in (write_png(tmp_path / "a.png", CODES), tiff(tmp_path / "a.tif"), exr(tmp_path / "a.exr")):
        raw = read_raw(path)
        assert (raw.pixel_mm, raw.pixel_from, raw.pixel_aspect, raw.notes) == (None, "", 1.0, ())


@pytest.mark.parametrize("dpi", HABITUAL_DPI)
def test_densities_of_screens_and_prints_are_not_believed(tmp_path, dpi):
    """However they are rounded: whole pixels per metre, 72.009 for 72."""
    pictures = [
        write_png(tmp_path / "a.png", CODES, phys(round(dpi / 0.0254), round(dpi / 0.0254))),
        tiff(tmp_path / "a.tif", resolution=(dpi, dpi), resolutionunit=2),
        tiff(tmp_path / "b.tif", resolution=((round(1000.12 * dpi), 1000),) * 2, resolutionunit=2),
        tiff(tmp_path / "c.tif", resolution=((round(dpi / 2.54 * 100), 100),) * 2, resolutionunit=3),
        exr(tmp_path / "a.exr", xDensity=float(dpi)),
    ]
    for path in pictures:
        raw = read_raw(path)
        assert raw.pixel_mm is None and raw.pixel_from == ""
        assert f"not believed, as that is {dpi} pixels an inch" in raw.notes[0]


def test_a_size_that_is_not_believed_is_told_with_the_way_out(tmp_path):
    raw = read_raw(tiff(tmp_path / "a.tif", resolution=(300, 300), resolutionunit=2))
    with pytest.raises(PatchError) as error:
        real_size(raw, "a.tif")
    assert "states 84.6667 um a pixel" in str(error.value)
    assert "if it is the real size, give texel_um 84.6667" in str(error.value)
    assert real_size(raw, "a.tif", texel_um=20) == (0.02, 0.02)  # no conflict with what is not believed


@pytest.mark.parametrize(("dpi", "um"), [(1200, 21.1667), (2400, 10.5833), (1270, 20.0), (254, 100.0), (508, 50.0)])
def test_densities_that_mean_something_are_believed(tmp_path, dpi, um):
    """Those of scanners, and whole micrometres."""
    raw = read_raw(tiff(tmp_path / "a.tif", resolution=(dpi, dpi), resolutionunit=2))
    assert raw.pixel_mm == pytest.approx((um / 1e3, um / 1e3), rel=1e-5)


@pytest.mark.parametrize("per_cm", [1, 5, 10**6])
def test_pixels_that_no_picture_of_skin_has_are_not_believed(tmp_path, per_cm):
    raw = read_raw(tiff(tmp_path / "a.tif", resolution=(per_cm, per_cm), resolutionunit=3))
    assert raw.pixel_mm is None
    assert "no size that pictures of skin have, 0.5 to 1000 um" in raw.notes[0]


def test_broken_numbers_count_as_none(tmp_path):
    assert read_raw(write_png(tmp_path / "a.png", CODES, phys(0, 5))).pixel_mm is None
    zero = [(tag, "2I", 1, (1, 0), True) for tag in (282, 283)]  # 1 / 0
    assert read_raw(tiff(tmp_path / "a.tif", resolution=None, extratags=zero)).pixel_mm is None
    assert read_raw(exr(tmp_path / "a.exr", xDensity=float("nan"))).pixel_mm is None
    with pytest.raises(PatchError, match=r"b.png: the file is truncated, corrupt"):
        read_raw(write_png(tmp_path / "b.png", CODES, (b"pHYs", b"\0\0\0")))
