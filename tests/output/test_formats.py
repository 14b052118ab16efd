"""Each format read back by readers that are not this project's: OpenImageIO, tifffile, imageio, the EXR library."""

import json
import math
import os
import struct
import zlib

import imageio.v3 as iio
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
import tifffile

from poredepth.errors import CalibrationError, MapFileError
from poredepth.output import EXTENSION, FILE_FORMATS, FORMATS, MapMetadata, encode, fit_calibration, read_map, write_map
from poredepth.output.write import FORMAT_MODULES

# wider and higher than one block of 256 rows or one 256 px tile, and no multiple of either
SHAPE = (600, 530)
TEXEL_UM = 54.6


def relief_mm(shape=SHAPE):
    row, col = np.mgrid[: shape[0], : shape[1]]
    height_mm = 0.3 * np.sin(row / 7.0) * np.cos(col / 11.0) + 0.01 * np.random.default_rng(5).standard_normal(shape)
    height_mm[0, 0] = 0.0
    return height_mm.astype(np.float32)


def metadata(**changes):
    known = dict(
        recipe="gesicht-ä.yaml",
        recipe_hash="ab" * 32,
        seed=7,
        tile=1012,
        texel_um=TEXEL_UM,
        gutter_px=16,
        patches=[
            dict(name="pores", file="pores.tif", sha256="cd" * 32, source="own", licence="CC0", consent="none needed")
        ],
        layers=["sculpt", "cheek pores"],
    )
    return MapMetadata(**(known | changes))


def calibration_of(format):
    return fit_calibration(format, "mm", -0.4, 0.4, scale_mm=None if FILE_FORMATS[format].is_float else 2.0)


def limit_mm(calibration):
    """What a reader may find a height of relief_mm off by: written down here anew, by hand."""
    if calibration.is_half:
        # 0.34 mm is the most: half of the step of the binade it lies in (Imath, half.h: 11 binary digits)
        return 2.0 ** (math.floor(math.log2(0.4 / calibration.scale_mm)) - 11) * calibration.scale_mm
    return 1e-6 if calibration.is_float else calibration.scale_mm / 65535 / 2 * (1 + 1e-4)


@pytest.fixture(params=FORMATS)
def written(request, tmp_path):
    calibration = calibration_of(request.param)
    height_mm = relief_mm()
    return (
        height_mm,
        calibration,
        write_map(tmp_path / f"m{EXTENSION[request.param]}", height_mm, calibration, metadata()),
    )


def open_with_oiio(path):
    image = oiio.ImageInput.open(str(path))
    assert image, oiio.geterror()
    return image, image.spec()


def test_oiio_finds_the_same_values(written):
    height_mm, calibration, result = written
    image, spec = open_with_oiio(result.path)
    kind = {np.uint16: oiio.UINT16, np.float16: oiio.HALF, np.float32: oiio.FLOAT}[calibration.dtype.type]
    assert (spec.height, spec.width, spec.nchannels) == (*SHAPE, 1)
    assert str(spec.format) == {"float32": "float", "float16": "half", "uint16": "uint16"}[str(calibration.dtype)]
    values = image.read_image(kind)[..., 0]
    np.testing.assert_array_equal(values, encode(height_mm, calibration))
    # the formula by hand, with nothing of this project: within half of 0.030518 um, or exactly
    if calibration.is_half:
        # 11 binary digits (Imath, half.h): 2^-12 of the height; all heights here are above 2^-14 mm or 0, or nearly so
        assert np.all(np.abs(values.astype(float) - height_mm) <= np.maximum(np.abs(height_mm) * 2.0**-11, 2.0**-24))
    elif calibration.is_float:
        np.testing.assert_array_equal(values, height_mm)
    else:
        by_hand_mm = (values / 65535 - 32768 / 65535) * 2.0
        assert np.abs(by_hand_mm - height_mm).max() <= 0.030518e-3 / 2 * (1 + 1e-4)
        assert by_hand_mm[0, 0] == 0.0


def test_oiio_finds_the_same_metadata(written):
    _, calibration, result = written
    spec = open_with_oiio(result.path)[1]
    if calibration.format.startswith("tiff"):
        plain = json.loads(spec["ImageDescription"])["poredepth"]
    else:
        plain = json.loads(spec["poredepth"])
        assert float(spec["poredepth:mid"]) == calibration.mid
        assert float(spec["poredepth:scale_mm"]) == calibration.scale_mm
        assert spec["poredepth:recipe"] == "gesicht-ä.yaml" and spec["poredepth:tile"] == "1012"
        assert spec["poredepth:formula"] == calibration.formula
        assert spec.getattribute("poredepth:mid_code") == (None if calibration.is_float else "32768")
    assert plain == result.metadata.to_dict() == json.loads(result.sidecar.read_text("utf-8"))


def test_texel_density(written):
    # 54.6 um: 25400 / 54.6 = 465.20 per inch; 1e6 / 54.6 = 18315 per metre; 1e4 / 54.6 = 183.15 per cm
    _, calibration, result = written
    spec = open_with_oiio(result.path)[1]
    if calibration.format.startswith("exr"):
        with OpenEXR.File(str(result.path), header_only=True) as file:
            assert file.header()["xDensity"] == pytest.approx(465.20, abs=0.005)
    elif calibration.format.startswith("tiff"):
        with tifffile.TiffFile(result.path) as file:
            top, bottom = file.pages[0].tags["XResolution"].value
            assert top / bottom == pytest.approx(183.15, abs=0.005)
            assert file.pages[0].tags["ResolutionUnit"].value == 3
            assert "DateTime" not in file.pages[0].tags
    else:
        raw = result.path.read_bytes()
        at = raw.index(b"pHYs") + 4
        assert struct.unpack(">IIB", raw[at : at + 9]) == (18315, 18315, 1)
    per_unit = 183.15 if calibration.format.startswith("tiff") else 465.20
    assert spec["XResolution"] == pytest.approx(per_unit, abs=0.005)


def test_no_density_is_written_when_the_texel_size_is_unknown(tmp_path):
    for format in FORMATS:
        result = write_map(tmp_path / f"m{EXTENSION[format]}", relief_mm(), calibration_of(format), MapMetadata())
        assert open_with_oiio(result.path)[1].getattribute("XResolution") in (None, 1.0)
        assert read_map(result.path)[1].texel_um is None


def test_general_purpose_readers_of_tiff_and_png_agree(tmp_path):
    height_mm = relief_mm()
    for format in ("tiff-16", "png-16"):
        calibration = calibration_of(format)
        path = write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration, metadata()).path
        codes = encode(height_mm, calibration)
        found = iio.imread(path)
        assert found.dtype == np.uint16
        np.testing.assert_array_equal(found, codes)
        if format == "tiff-16":
            np.testing.assert_array_equal(tifffile.imread(path), codes)
            assert json.loads(tifffile.TiffFile(path).pages[0].description)["poredepth"]["mid_code"] == 32768
        else:
            stated = iio.immeta(path)
            assert stated["poredepth:mid"] == repr(32768 / 65535)
            assert json.loads(stated["poredepth"])["scale_mm"] == 2.0


def test_png_is_labelled_linear(tmp_path):
    # without gAMA a colour-managed reader assumes sRGB: code 0.5 would read as 0.214 (sRGB curve), -0.57 mm over 2 mm
    path = write_map(tmp_path / "m.png", relief_mm(), calibration_of("png-16"), metadata()).path
    assert "srgb" not in open_with_oiio(path)[1]["oiio:ColorSpace"].lower()
    assert iio.immeta(path)["gamma"] == 1.0


def test_exr_is_one_lossless_float_channel(tmp_path):
    path = write_map(tmp_path / "m.exr", relief_mm(), calibration_of("exr-float"), metadata()).path
    with OpenEXR.File(str(path)) as file:
        header = file.header()
        assert list(file.channels()) == ["Y"] and file.channels()["Y"].pixels.dtype == np.float32
        assert header["compression"] == OpenEXR.ZIP_COMPRESSION and header["type"] == OpenEXR.scanlineimage
        assert header["comments"] == "height_mm = (value - 0.0) * 1.0"
        # numbers travel as decimal text: a float attribute would come back as float32
        assert isinstance(header["poredepth:texel_um"], str) and float(header["poredepth:texel_um"]) == 54.6


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize(
    "view",
    [
        lambda a: a[:, ::2],
        lambda a: a.T,
        lambda a: a[::-1, ::-1],
        lambda a: a[::2, 3:],
        np.asfortranarray,
        lambda a: a[:300],
    ],
)
def test_arrays_of_any_layout_are_written_right(tmp_path, format, view):
    height_mm = view(relief_mm())
    path = write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration_of(format), metadata()).path
    image, _ = open_with_oiio(path)
    values = image.read_image(oiio.FLOAT if FILE_FORMATS[format].is_float else oiio.UINT16)[..., 0]
    np.testing.assert_array_equal(values, encode(height_mm, calibration_of(format)))


def test_strided_rows_go_through_the_exr_writer_itself_unharmed(tmp_path):
    # the library takes a strided array for a contiguous one without an error
    height_mm = relief_mm()[:, ::3]
    calibration = calibration_of("exr-float")
    described = metadata().described(calibration, (-0.4, 0.4), height_mm.shape[::-1])
    FORMAT_MODULES["exr-float"].write(tmp_path / "m.exr", height_mm, calibration, described)
    with OpenEXR.File(str(tmp_path / "m.exr")) as file:
        np.testing.assert_array_equal(file.channels()["Y"].pixels, height_mm)


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("unit", ["cm", "um", "in"])
def test_memory_maps_and_functions_give_the_same_bytes_as_arrays(tmp_path, format, unit):
    height_mm = relief_mm()
    height_mm.tofile(tmp_path / "heights.f32")
    mapped = np.memmap(tmp_path / "heights.f32", np.float32, mode="r", shape=SHAPE)
    calibration = fit_calibration(format, unit, -0.4, 0.4)
    size_px = (SHAPE[1], SHAPE[0])
    raw = set()
    for rows in (height_mm, mapped, lambda first, end: height_mm[first:end]):
        path = write_map(tmp_path / f"m{EXTENSION[format]}", rows, calibration, metadata(size_px=size_px)).path
        raw.add(path.read_bytes())
        back_mm, _ = read_map(path)
        assert np.abs(back_mm - height_mm).max() <= limit_mm(calibration)
    assert len(raw) == 1


def test_every_code_survives_each_16_bit_file(tmp_path):
    codes = np.random.default_rng(2).permutation(65536).astype(np.uint16).reshape(128, 512)
    for format in ("tiff-16", "png-16"):
        calibration = fit_calibration(format, "mm", 0, 0, scale_mm=2.0)
        height_mm = ((codes / 65535 - 32768 / 65535) * 2.0).astype(np.float32)
        path = write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration, MapMetadata()).path
        np.testing.assert_array_equal(iio.imread(path), codes)


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("shape", [(1, 1), (1, 700), (700, 1), (256, 256), (257, 255)])
def test_small_and_odd_sizes(tmp_path, format, shape):
    height_mm = relief_mm(shape)
    path = write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration_of(format), MapMetadata()).path
    back_mm, found = read_map(path)
    assert found.size_px == (shape[1], shape[0])
    np.testing.assert_allclose(back_mm, height_mm, atol=limit_mm(calibration_of(format)))


@pytest.mark.parametrize("format", FORMATS)
def test_row_zero_is_the_top(tmp_path, format):
    height_mm = np.zeros((40, 30), np.float32)
    height_mm[0] = 0.25
    path = write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration_of(format), MapMetadata()).path
    image, _ = open_with_oiio(path)
    values = image.read_image(oiio.FLOAT)[..., 0]
    assert values[0].min() > values[1:].max()


@pytest.mark.parametrize("format", FORMATS)
def test_a_cut_or_damaged_file_is_named_and_not_read_as_zeros(tmp_path, format):
    path = write_map(tmp_path / f"m{EXTENSION[format]}", relief_mm(), calibration_of(format), MapMetadata()).path
    whole = path.read_bytes()
    for n_bytes in (0, 4, 60, len(whole) // 2, len(whole) - 9):
        path.write_bytes(whole[:n_bytes])
        with pytest.raises(MapFileError, match=path.name):
            read_map(path)


def test_a_png_saved_with_other_filters_is_still_read(tmp_path):
    height_mm = relief_mm()
    path = write_map(tmp_path / "m.png", height_mm, calibration_of("png-16"), MapMetadata()).path
    iio.imwrite(path, iio.imread(path))  # a general-purpose program: drops the text, chooses its own filters
    raw = path.read_bytes()
    assert b"poredepth" not in raw
    at = raw.index(b"IDAT")
    n_bytes = struct.unpack(">I", raw[at - 4 : at])[0]
    rows = np.frombuffer(zlib.decompressobj().decompress(raw[at + 4 : at + 4 + n_bytes]), np.uint8)
    used = {int(kind) for kind in rows[: rows.size // 1061 * 1061 : 1061]}
    assert used - {1}
    back_mm, found = read_map(path)  # its meaning comes from the sidecar
    np.testing.assert_allclose(back_mm, height_mm, atol=1.6e-5)
    assert found.scale_mm == 2.0


def test_pictures_of_another_kind_are_refused(tmp_path):
    write_map(tmp_path / "a.png", relief_mm(), calibration_of("png-16"), MapMetadata())
    iio.imwrite(tmp_path / "a.png", np.zeros((4, 4), np.uint8))
    with pytest.raises(MapFileError, match="8 bits, colour type 0"):
        read_map(tmp_path / "a.png")
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((4, 4), np.float64))
    with pytest.raises(MapFileError, match="float64"):
        read_map(tmp_path / "a.tif")
    with OpenEXR.File({}, {"RGB": np.zeros((4, 4, 3), np.float16)}) as file:
        file.write(str(tmp_path / "a.exr"))
    with pytest.raises(MapFileError, match="a.exr"):
        read_map(tmp_path / "a.exr")


@pytest.mark.parametrize("format", FORMATS)
def test_not_finite_in_a_late_block_names_the_row_of_the_map(tmp_path, format):
    height_mm = relief_mm()
    height_mm[555, 12] = np.nan
    with pytest.raises(CalibrationError, match="row 555, col 12"):
        write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration_of(format), MapMetadata())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize("keeps_sidecar", [True, False])
def test_a_round_trip_through_another_library_keeps_it_readable(tmp_path, format, keeps_sidecar):
    height_mm, calibration = relief_mm(), calibration_of(format)
    result = write_map(tmp_path / f"m{EXTENSION[format]}", height_mm, calibration, metadata())
    buffer = oiio.ImageBuf(str(result.path))
    assert buffer.read(0, 0, True)
    assert buffer.write(str(tmp_path / f"n{EXTENSION[format]}")), buffer.geterror()
    os.replace(tmp_path / f"n{EXTENSION[format]}", result.path)
    if not keeps_sidecar:
        result.sidecar.unlink()
    back_mm, found = read_map(result.path)
    assert found == result.metadata
    assert np.abs(back_mm - height_mm).max() <= limit_mm(calibration)
