"""Files as independent readers see them; values against those of the libraries themselves."""

from __future__ import annotations

import numpy as np
import OpenImageIO as oiio
import pytest
from PIL import Image

from poredepth.checking import UnreadableMapError, check_files, find_maps, open_map
from poredepth.checking.scan import scan
from poredepth.output import EXTENSION, FORMATS, ChannelCoding, MapMetadata, encode, fit_calibration, write_map
from poredepth.output.write import write_channels

# no multiple of a block of rows or of a tile
SHAPE = (300, 270)


def relief_mm():
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return (0.3 * np.sin(row / 7.0) * np.cos(col / 11.0)).astype(np.float32)


def write(folder, format, height_mm=None, **metadata):
    height_mm = relief_mm() if height_mm is None else height_mm
    calibration = fit_calibration(format, "mm", float(height_mm.min()), float(height_mm.max()))
    path = folder / f"m{EXTENSION[format]}"
    write_map(path, height_mm, calibration, MapMetadata(texel_um=54.6, recipe="gesicht-ä.yaml", **metadata))
    return path, encode(height_mm, calibration)


def values_of(opened):
    blocks = list(opened.blocks())
    assert [first for first, _ in blocks] == list(np.cumsum([0, *(len(block) for _, block in blocks[:-1])]))
    return np.concatenate([block for _, block in blocks])[..., 0]


@pytest.mark.parametrize("with_oiio", [True, False])
@pytest.mark.parametrize("format", FORMATS)
def test_values_and_text(format, with_oiio, tmp_path):
    path, expected = write(tmp_path, format)
    opened = open_map(path, oiio=with_oiio)
    assert opened.reader.startswith("OpenImageIO" if with_oiio else ("OpenEXR" if "exr" in format else "Pillow"))
    assert ("it also wrote the file" in opened.reader) == (not with_oiio and "exr" in format)
    assert opened.pixel_type == str(expected.dtype)
    assert opened.shape == SHAPE
    assert opened.row_order == "rows from the top"
    assert opened.compression == ("deflate" if format == "png-16" else "zip")
    assert opened.upright
    assert opened.fills_frame
    found = values_of(opened)
    assert found.dtype == expected.dtype
    np.testing.assert_array_equal(found, expected)
    text = opened.strings.get("poredepth") or opened.strings["ImageDescription"]
    assert "gesicht-\\u00e4.yaml" in text


@pytest.mark.parametrize("with_oiio", [True, False])
@pytest.mark.parametrize("format", FORMATS)
def test_values_of_three_channels_have_all_their_bits(format, with_oiio, tmp_path):
    quantity = np.random.default_rng(0).uniform(0, 1, (*SHAPE, 3)).astype(np.float32)
    coding = ChannelCoding(format, 0.0, 1.0, "1")
    written = write_channels(
        tmp_path / f"m{EXTENSION[format]}", quantity, coding, MapMetadata(kind="normal", channels=("R", "G", "B"))
    )
    opened = open_map(written.path, oiio=with_oiio)
    expected = coding.encode(quantity)
    assert opened.pixel_type == str(expected.dtype) and opened.shape == SHAPE and len(opened.channels) == 3
    found = np.concatenate([block for _, block in opened.blocks()])
    # files keep channels by the alphabet, which is their names' own order backwards
    np.testing.assert_array_equal(found[..., [opened.channels.index(name) for name in "RGB"]], expected)
    assert [str(one) for one in check_files([written.path], oiio=with_oiio).findings] == []


@pytest.mark.parametrize("kind, tile_px", [("half", 64), ("float", 64), ("float", 100)])
def test_tiled_exr(kind, tile_px, tmp_path):
    """Tiles that end beyond the picture; written by OpenImageIO."""
    values = relief_mm().astype(np.float16 if kind == "half" else np.float32)
    spec = oiio.ImageSpec(SHAPE[1], SHAPE[0], 1, kind)
    spec.tile_width = spec.tile_height = tile_px
    spec.tile_depth = 1
    spec.channelnames = ("Y",)
    spec.attribute("compression", "piz")
    out = oiio.ImageOutput.create(str(tmp_path / "t.exr"))
    assert out.open(str(tmp_path / "t.exr"), spec)
    assert out.write_tiles(0, SHAPE[1], 0, SHAPE[0], 0, 1, values[..., None])
    out.close()
    for with_oiio in (True, False):
        opened = open_map(tmp_path / "t.exr", oiio=with_oiio)
        assert opened.compression == "piz"
        np.testing.assert_array_equal(values_of(opened), values)


def test_mip_mapped_exr(tmp_path):
    """Of a map with all its levels, the first one."""
    height_mm = relief_mm()
    calibration = fit_calibration("exr-half", "mm", -1, 1)
    path = tmp_path / "m.exr"
    write_map(path, height_mm, calibration, MapMetadata(), mip_mapped=True)
    np.testing.assert_array_equal(values_of(open_map(path)), encode(height_mm, calibration))


def test_levels_that_are_lost_or_broken(tmp_path):
    """A program that saves the first level alone; a file that is cut in its last levels, whose first one is whole."""
    height_mm = relief_mm()
    path = tmp_path / "m.exr"
    write_map(path, height_mm, fit_calibration("exr-float", "mm", -1, 1), MapMetadata(), mip_mapped=True)
    assert open_map(path).n_levels == 9 and check_files([path]).ok and check_files([path], oiio=False).ok
    whole = path.read_bytes()
    path.write_bytes(whole[:-300])
    with pytest.raises(UnreadableMapError, match="level [1-8], rows"):
        check_files([path])
    path.write_bytes(whole)
    values, strings = values_of(open_map(path)), open_map(path).strings
    spec = oiio.ImageSpec(SHAPE[1], SHAPE[0], 1, "float")
    spec.channelnames = ("Y",)
    for key, text in strings.items():
        spec.attribute(key, text)
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec) and out.write_image(values[..., None])
    out.close()
    report = check_files([path])
    assert report.names == ("levels-differ",)
    assert "the file has 1 mip levels (1: none), stated are 9" in report.findings[0].text


def test_the_channel_of_heights_among_others(tmp_path):
    values = np.dstack([relief_mm(), 2 * relief_mm(), 3 * relief_mm()])
    spec = oiio.ImageSpec(SHAPE[1], SHAPE[0], 3, "float")
    spec.channelnames = ("A", "Y", "Z")
    out = oiio.ImageOutput.create(str(tmp_path / "c.exr"))
    assert out.open(str(tmp_path / "c.exr"), spec)
    assert out.write_image(values)
    out.close()
    for with_oiio in (True, False):
        opened = open_map(tmp_path / "c.exr", oiio=with_oiio)
        assert sorted(opened.channels) == ["A", "Y", "Z"]
        np.testing.assert_array_equal(values_of(opened), values[..., 1])


def test_several_channels_are_scanned_together(tmp_path):
    normal = np.dstack([relief_mm(), relief_mm(), 1 + 0 * relief_mm()])
    coding = ChannelCoding("exr-float", 0.0, 1.0, "1")
    path = tmp_path / "n.exr"
    write_channels(path, normal, coding, MapMetadata(kind="normal", channels=("R", "G", "B")))
    opened = open_map(path)
    assert opened.n_read == 3
    found = scan(opened, np.empty(0, np.int64))
    assert (found.high.value, found.high.n) == (1.0, SHAPE[0] * SHAPE[1])


def test_scan_against_numpy(tmp_path):
    height_mm = relief_mm()
    height_mm[5, 7] = height_mm[200, 3] = height_mm.max() + 0.125
    path, values = write(tmp_path, "tiff-16", height_mm)
    wanted = np.array([0, 271, SHAPE[0] * SHAPE[1] - 1])
    found = scan(open_map(path), wanted)
    assert (found.low.value, found.high.value) == (values.min(), values.max())
    assert found.high.n == 2
    assert found.high.texel.tolist() == [5 * 270 + 7, 200 * 270 + 3]
    np.testing.assert_array_equal(found.levels, np.unique(values))
    np.testing.assert_array_equal(found.texels.raw, values.ravel()[wanted])
    assert found.texels.at(np.array([1]), np.array([1]))[0] == values[1, 1]
    with pytest.raises(AssertionError, match="not asked for"):
        found.texels.at(np.array([2]), np.array([1]))


def test_scan_counts_what_is_not_finite(tmp_path):
    values = relief_mm()
    values[280, 9] = np.nan
    values[281, 4] = np.inf
    oiio_write(tmp_path / "n.exr", values)
    found = scan(open_map(tmp_path / "n.exr"), np.empty(0, np.int64))
    assert (found.n_not_finite, found.first_not_finite) == (2, (280, 9))
    assert found.high.value == np.float32(np.nanmax(values[np.isfinite(values)]))


def oiio_write(path, values):
    spec = oiio.ImageSpec(values.shape[1], values.shape[0], 1, "float")
    spec.channelnames = ("Y",)
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec)
    assert out.write_image(values[..., None])
    out.close()


def test_what_cannot_be_opened(tmp_path):
    for name, content, words in (
        ("no.exr", None, "no such file"),
        ("m.jpg", b"", "ends in '.jpg'; allowed: .exr, .tif, .tiff, .png"),
        ("broken.exr", b"not a picture", "cannot be read"),
        ("broken.png", b"not a picture", "cannot be read"),
        ("broken.tif", b"not a picture", "cannot be read"),
    ):
        if content is not None:
            (tmp_path / name).write_bytes(content)
        for with_oiio in (True, False):
            with pytest.raises(UnreadableMapError, match=words) as error:
                open_map(tmp_path / name, oiio=with_oiio)
            assert error.value.exit_code == 3
            assert name in str(error.value)


@pytest.mark.parametrize("format", FORMATS)
def test_a_file_that_is_cut_off(format, tmp_path):
    path, _ = write(tmp_path, format)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    for with_oiio in (True, False):
        with pytest.raises(UnreadableMapError, match="cannot be read"):
            values_of(open_map(path, oiio=with_oiio))


def test_a_folder_gives_its_maps_only(tmp_path):
    path, _ = write(tmp_path, "png-16")
    Image.new("L", (8, 8)).save(tmp_path / "picture.png")
    (tmp_path / "notes.txt").write_text("no map")
    assert [one.path for one in find_maps([tmp_path, path])] == [path]
    (tmp_path / "empty").mkdir()
    with pytest.raises(UnreadableMapError, match="no map of poredepth in this folder"):
        find_maps([tmp_path / "empty"])
