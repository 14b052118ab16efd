"""Reading and decoding of values, against outside readers of pictures and by hand."""

from __future__ import annotations

import numpy as np
import OpenImageIO as oiio
import pytest
from displaced import float_maps
from scipy.ndimage import map_coordinates

from poredepth import MapFileError, MapMetadata
from poredepth.checking.rendered import TURNS, RenderedMaps, bilinear_values, checked_maps
from poredepth.checking.tessellate import BasePoints


def _values(rows=37, cols=53):
    return np.random.default_rng(0).normal(size=(rows, cols)).astype(np.float32)


def _uv(n=4000):
    return np.random.default_rng(1).random((n, 2))


def test_bilinear_as_scipy_reads():
    """scipy.ndimage.map_coordinates, order 1: sample i at i, so texel centres at +0.5 are at x - 0.5."""
    values, uv = _values(), _uv()
    at = np.array([(1 - uv[:, 1]) * 37 - 0.5, uv[:, 0] * 53 - 0.5])
    assert bilinear_values(values, uv) == pytest.approx(
        map_coordinates(values.astype(float), at, order=1, mode="nearest"), abs=1e-12
    )


def test_bilinear_as_a_texture_system_reads(tmp_path):
    """OpenImageIO's texture look-up, bilinear, one level, clamped: it counts t downwards, so t = 1 - v."""
    values, uv = _values(32, 64), _uv(300)
    spec = oiio.ImageSpec(64, 32, 1, oiio.FLOAT)
    file = oiio.ImageOutput.create(str(tmp_path / "t.exr"))
    assert file.open(str(tmp_path / "t.exr"), spec)
    assert file.write_image(np.ascontiguousarray(values[..., None]))
    file.close()
    options = oiio.TextureOpt()
    options.interpmode = oiio.InterpMode.Bilinear
    options.mipmode = oiio.MipMode.NoMIP
    options.swrap = options.twrap = oiio.Wrap.Clamp
    system = oiio.TextureSystem()
    read = [system.texture(str(tmp_path / "t.exr"), options, float(u), float(1 - v), 0, 0, 0, 0, 1)[0] for u, v in uv]
    # it keeps shares in 32 bits
    assert bilinear_values(values, uv) == pytest.approx(np.array(read), abs=2e-5)


def test_codes_count_as_shares_of_65535():
    codes = np.array([[0, 65535], [32768, 100]], np.uint16)
    corners = np.array([[0.25, 0.75], [0.75, 0.75], [0.25, 0.25], [0.75, 0.25], [0.5, 0.5]])
    want = np.array([0, 65535, 32768, 100, (65535 + 32768 + 100) / 4]) / 65535
    assert bilinear_values(codes, corners) == pytest.approx(want, abs=1e-15)


@pytest.mark.parametrize(
    "unit, in_scene", [("mm", 0.3), ("cm", 0.03), ("m", 0.0003), ("um", 300.0), ("in", 0.3 / 25.4)]
)
def test_heights_are_lengths_of_the_scene(unit, in_scene):
    """(value - mid) * scale: 0.75 about 0.5 times 0.12 cm is 0.3 mm."""
    maps = checked_maps(float_maps(np.full((4, 4), 0.75), mid=0.5, scale=0.12, scale_mm=1.2, unit="cm"), unit)
    height, tile = maps.height(np.array([[0.3, 0.6]]), np.array([[0.3, 0.6]]))
    assert height == pytest.approx([in_scene], rel=1e-12)
    assert tile.tolist() == [1001]


def test_tiles_are_told_by_whole_parts_and_borders_by_their_side():
    maps = checked_maps(float_maps(np.full((4, 4), 1.0)) | float_maps(np.full((4, 4), 2.0), 1012), "mm")
    uv = np.array([[0.5, 0.5], [1.5, 1.5], [1.0, 0.5], [1.0, 1.5], [1.5, 0.5], [np.nan, np.nan], [-0.5, 0.5]])
    toward = np.array([[0.5, 0.5], [1.5, 1.5], [0.9, 0.5], [1.1, 1.5], [1.5, 0.6], [np.nan, np.nan], [-0.5, 0.5]])
    height, tile = maps.height(uv, toward)
    assert tile.tolist() == [1001, 1012, 1001, 1012, -1, -1, -1]
    assert height.tolist() == [1, 2, 1, 2, 0, 0, 0]


def test_points_that_read_nothing_stay_exactly():
    maps = checked_maps(float_maps(np.ones((4, 4))), "mm")
    position = np.random.default_rng(3).normal(size=(3, 3))
    uv = np.array([[0.5, 0.5], [np.nan, np.nan], [3.5, 0.5]])
    moved = maps.displaced(BasePoints(position, np.tile([0.0, 0, 1], (3, 1)), uv, uv))
    assert np.array_equal(moved[1:], position[1:])
    assert moved[0] == pytest.approx(position[0] + [0, 0, 1])


@pytest.mark.parametrize(
    "dtype, mid, moves",
    [(np.float32, 0.5, False), (np.float16, 0.0, False), (np.uint16, 32768 / 65535, False), (np.uint16, 0.5, True)],
)
def test_the_value_of_zero_height_moves_nothing(dtype, mid, moves):
    """Exactly nothing, at any share of a texel; 0.5 is no code of 16 bits (32768 / 65535 is 7.6e-6 above it)."""
    metadata = MapMetadata(mid=mid, scale=2.0, scale_mm=2.0)
    maps = RenderedMaps({1001: np.zeros((8, 8), dtype)}, {1001: metadata}, "mm").at_mid()
    height, _ = maps.height(_uv(), _uv())
    assert np.all(height == 0) != moves
    assert np.abs(height).max() == pytest.approx(2 * (32768 / 65535 - 0.5) if moves else 0, rel=1e-6)


def test_steps_of_the_file():
    """A code of 65535; half floats have 2^-11 between 0.5 and 1 (IEEE 754 binary16), also once read as floats."""
    metadata = MapMetadata(scale=2.0, scale_mm=2.0)
    half = MapMetadata(scale=2.0, scale_mm=2.0, format="exr-half")
    cases = [(np.uint16, metadata, 2 / 65535), (np.float16, metadata, 2**-10), (np.float32, half, 2**-10)]
    for dtype, known, want in cases:
        maps = RenderedMaps({1001: np.zeros((2, 2), dtype)}, {1001: known}, "mm")
        assert maps.step(1001, np.array([0.7])) == pytest.approx([want])


def test_turns_mend_what_they_name():
    values, uv = _values(16, 16), _uv()
    wrong = {
        "its rows are turned over": values[::-1],
        "its columns are turned over": values[:, ::-1],
        "it is turned by half": values[::-1, ::-1],
        "its rows and columns are swapped": values.T,
        "it is turned by a quarter, anticlockwise": np.rot90(values),
        "it is turned by a quarter, clockwise": np.rot90(values, -1),
    }
    assert set(wrong) == set(TURNS)
    for turn, picture in wrong.items():
        maps = checked_maps(float_maps(picture), "mm")
        assert maps.height(uv, uv, turn)[0] == pytest.approx(bilinear_values(values, uv)), turn


def test_maps_that_are_no_heights_are_refused():
    good = float_maps(np.zeros((4, 4)))[1001]
    with pytest.raises(MapFileError, match="maps: found none; allowed: values and metadata by UV tile"):
        checked_maps({}, "mm")
    with pytest.raises(MapFileError, match=r"maps: 1001 is float32 \(4, 4, 3\); allowed: one channel"):
        checked_maps({1001: (np.zeros((4, 4, 3), np.float32), good[1])}, "mm")
    with pytest.raises(MapFileError, match=r"maps: 1001 is uint8 \(4, 4\); allowed: one channel .* 16-bit codes"):
        checked_maps({1001: (np.zeros((4, 4), np.uint8), good[1])}, "mm")
    with pytest.raises(MapFileError, match="maps: 1002 has the metadata of tile 1001"):
        checked_maps({1002: good}, "mm")
