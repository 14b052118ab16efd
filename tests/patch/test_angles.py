"""Painted maps of directions from files: which pictures are read, as what, and which are refused."""

import numpy as np
import pytest
import tifffile
from PIL import Image

from poredepth.errors import PatchError
from poredepth.patch.angles import read_angle_picture

GREY = np.arange(64, dtype=np.uint8).reshape(8, 8) * 4


def save(folder, mode, *channels):
    bands = [Image.fromarray(channel) for channel in channels]
    picture = bands[0] if len(bands) == 1 else Image.merge(mode, bands)
    picture.save(folder / "a.png")
    return folder / "a.png"


def test_grey_of_8_and_16_bits_and_floats(tmp_path):
    picture = read_angle_picture(save(tmp_path, "L", GREY))
    assert picture.alpha is None and picture.full == 255
    assert np.array_equal(picture.code, GREY)
    Image.fromarray(GREY.astype(np.uint16) * 257).save(tmp_path / "b.png")
    assert read_angle_picture(tmp_path / "b.png").full == 65535
    tifffile.imwrite(tmp_path / "c.tif", GREY.astype(np.float32) / 255)
    for name in ("b.png", "c.tif"):
        doubled, strength = read_angle_picture(tmp_path / name).doubled(np.array([3, 7]), np.array([2, 7]))
        assert doubled == pytest.approx(np.exp(2j * np.pi * GREY[[3, 7], [2, 7]] / 255), abs=1e-6)
        assert (strength == 1).all()


@pytest.mark.parametrize("mode", ["LA", "RGBA"])
def test_alpha_is_strength_in_grey_and_in_colour_files(tmp_path, mode):
    alpha = 255 - GREY
    path = save(tmp_path, mode, *([GREY] * (len(mode) - 1)), alpha)
    picture = read_angle_picture(path)
    assert np.array_equal(picture.code, GREY) and np.array_equal(picture.alpha, alpha)
    doubled, strength = picture.doubled(np.array([5]), np.array([1]))
    assert strength == pytest.approx(alpha[5, 1] / 255)
    assert np.abs(doubled) == pytest.approx(alpha[5, 1] / 255)
    assert np.mod(np.angle(doubled) / (2 * np.pi), 1) == pytest.approx(GREY[5, 1] / 255)


def test_a_palette_of_greys_is_read(tmp_path):
    Image.fromarray(GREY // 32 * 32).convert("RGB").quantize(16, dither=Image.Dither.NONE).save(tmp_path / "p.png")
    assert np.abs(read_angle_picture(tmp_path / "p.png").code.astype(int) - GREY // 32 * 32).max() <= 1


def test_colour_where_alpha_is_0_does_not_matter_and_elsewhere_is_refused(tmp_path):
    red, alpha = GREY.copy(), np.full((8, 8), 255, np.uint8)
    red[2, 3] = 200
    with pytest.raises(PatchError, match=r"a\.png: found colour in a map of directions \(row 2, column 3"):
        read_angle_picture(save(tmp_path, "RGBA", red, GREY, GREY, alpha))
    alpha[2, 3] = 0
    assert read_angle_picture(save(tmp_path, "RGBA", red, GREY, GREY, alpha)).code[2, 3] == 200


def test_pictures_that_are_no_map_of_directions(tmp_path):
    with pytest.raises(PatchError, match="8 x 4 pixels; allowed: a square picture"):
        read_angle_picture(save(tmp_path, "L", GREY[:4]))
    tifffile.imwrite(tmp_path / "h.tif", GREY.astype(np.float32) - 4)
    with pytest.raises(PatchError, match="values of a map of directions run from -4 to 248; allowed: 0"):
        read_angle_picture(tmp_path / "h.tif")
    with pytest.raises(PatchError, match="no such file"):
        read_angle_picture(tmp_path / "none.png")
    data = save(tmp_path, "LA", GREY, GREY).read_bytes()
    (tmp_path / "cut.png").write_bytes(data[: len(data) // 2])
    with pytest.raises(PatchError, match=r"cut\.png: the file is truncated or corrupt"):
        read_angle_picture(tmp_path / "cut.png")
