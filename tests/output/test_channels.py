"""Maps of several channels, and of quantities that are no heights, read by readers that are not this project's."""

import json

import imageio.v3 as iio
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
import tifffile

from poredepth.errors import CalibrationError, MapFileError
from poredepth.output import EXTENSION, ChannelCoding, MapMetadata, read_map, read_map_metadata, write_channels
from poredepth.output.write import FORMAT_MODULES

SHAPE = (300, 270)


def normals(shape=SHAPE):
    slope = np.random.default_rng(3).normal(0, 0.3, (*shape, 2)).astype(np.float32)
    n = np.concatenate([-slope, np.ones((*shape, 1), np.float32)], axis=2)
    n /= np.linalg.norm(n, axis=2, keepdims=True)
    n[0, 0] = 0, 0, 1
    return n


def described(kind="normal", channels=("R", "G", "B"), **known):
    return MapMetadata(kind=kind, channels=channels, convention="+Y up", settings={"cutoff_mm": 0.1}, **known)


@pytest.mark.parametrize("format", ["exr-float", "exr-half", "tiff-float", "tiff-16", "png-16"])
def test_three_channels_in_every_format(tmp_path, format):
    path = tmp_path / f"n{EXTENSION[format]}"
    n = normals()
    coding = ChannelCoding(format, 0.5, 2.0, "1")
    written = write_channels(path, lambda a, b: n[a:b], coding, described(size_px=SHAPE[::-1]))
    image = oiio.ImageInput.open(str(path))
    spec = image.spec()
    assert (spec.height, spec.width) == SHAPE and list(spec.channelnames) == ["R", "G", "B"]
    # how a renderer reads a normal texture: 2 value - 1 (glTF 2.0, material.normalTexture); oiio scales codes to 0..1
    read = 2.0 * image.read_image(oiio.FLOAT).astype(float) - 1.0
    limit = {"exr-float": 2e-7, "exr-half": 2.0**-11 * 1.001, "tiff-float": 2e-7}.get(format, 1 / 65535 * 1.01)
    assert np.abs(read - n).max() <= limit
    plain = json.loads(path.with_name(path.name + ".json").read_text("utf-8"))
    assert plain["kind"] == "normal" and plain["scale_mm"] is None and plain["convention"] == "+Y up"
    assert plain["settings"] == {"cutoff_mm": 0.1} and read_map_metadata(path) == written.metadata
    values, own = FORMAT_MODULES[format].read(path)
    assert own == written.metadata.to_dict()
    np.testing.assert_allclose(coding.decode(values), n, atol=limit)


def test_five_channels_keep_their_order_in_an_exr(tmp_path):
    names = ("bx", "by", "bxx", "byy", "bxy")
    five = np.random.default_rng(1).normal(size=(*SHAPE, 5)).astype(np.float32)
    path = tmp_path / "s.exr"
    write_channels(path, five, ChannelCoding("exr-float", 0.0, 1.0, "1"), described("slopes", names))
    with OpenEXR.File(str(path), separate_channels=True) as file:
        for number, name in enumerate(names):
            np.testing.assert_array_equal(file.channels()[name].pixels, five[..., number])
    np.testing.assert_array_equal(FORMAT_MODULES["exr-float"].read(path)[0], five)


def test_other_libraries_read_the_tiff_and_the_png(tmp_path):
    n = normals()
    coding = ChannelCoding("tiff-16", 0.5, 2.0, "1")
    write_channels(tmp_path / "n.tif", n, coding, described())
    codes = tifffile.imread(tmp_path / "n.tif")
    assert codes.dtype == np.uint16 and np.abs(codes / 65535 * 2 - 1 - n).max() <= 1 / 65535 * 1.01
    np.testing.assert_array_equal(codes[0, 0], [32768, 32768, 65535])
    write_channels(tmp_path / "n.png", n, ChannelCoding("png-16", 0.5, 2.0, "1"), described())
    assert iio.immeta(tmp_path / "n.png")["gamma"] == 1.0


def test_a_map_of_another_kind_is_not_read_as_heights(tmp_path):
    write_channels(tmp_path / "n.exr", normals(), ChannelCoding("exr-float", 0.5, 2.0, "1"), described())
    with pytest.raises(MapFileError, match="holds normal, not heights"):
        read_map(tmp_path / "n.exr")


def test_values_that_do_not_fit_are_refused_with_their_place(tmp_path):
    wrong = np.zeros(SHAPE, np.float32)
    wrong[7, 9] = 1.5
    with pytest.raises(CalibrationError, match=r"1 value\(s\), first at row 7, col 9"):
        write_channels(tmp_path / "o.png", wrong, ChannelCoding("png-16", 0.0, 1.0, "1"), described("open", ("Y",)))
    wrong[7, 9] = np.nan
    with pytest.raises(CalibrationError, match="row 7, col 9"):
        write_channels(tmp_path / "o.exr", wrong, ChannelCoding("exr-float", 0.0, 1.0, "1"), described("open", ("Y",)))
    assert list(tmp_path.iterdir()) == []
