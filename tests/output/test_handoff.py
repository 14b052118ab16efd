"""What documents beside a set are told: names, units and exact numbers."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hand_offs import CALIBRATIONS, calibration_of, set_metadata, set_of, stored_values
from hypothesis import given
from hypothesis import strategies as st

from poredepth.errors import MapFileError
from poredepth.output.handoff import NormalMap, decimal, file_pattern, hand_off, signed
from poredepth.units import MM_PER_UNIT


@pytest.mark.parametrize("calibration", CALIBRATIONS)
@pytest.mark.parametrize("unit", [*MM_PER_UNIT, None])
def test_multiply_and_add_gives_the_height_in_scene_units(calibration, unit):
    calibration = calibration_of(*calibration)
    unit_mm = 2.5 if unit is None else MM_PER_UNIT[unit]
    told = set_of(calibration, unit, unit_mm)
    value, height_mm = stored_values(calibration)
    found = value * told.scale + told.bias
    np.testing.assert_allclose(found, height_mm / unit_mm, rtol=0, atol=1e-12 * calibration.scale_mm / unit_mm)
    # the value of no displacement is exactly that of the file, and gives nothing but the rounding of the product
    assert told.mid == (float(np.float32(calibration.mid)) if calibration.is_float else calibration.mid_code / 65535)
    assert told.mid * told.scale + told.bias == 0.0


def test_by_hand():
    """16-bit, 2 mm, scene in inches of 25.4 mm: code 40000 is 0.220707 mm (docs/metadata.md), 0.00868925 in."""
    told = set_of(calibration_of("png-16", 0.5, 2.0), "in")
    assert told.scale == pytest.approx(0.07874015748, rel=1e-9)
    assert told.bias == pytest.approx(-0.07874015748 * 32768 / 65535, rel=1e-9)
    assert 40000 / 65535 * told.scale + told.bias == pytest.approx(0.220707 / 25.4, rel=1e-5)
    assert told.formula_mm == "height_mm = (code / 65535 - 0.5000076295109483) * 2.0"


def test_a_float_mid_is_the_one_the_file_holds():
    told = hand_off(
        set_metadata(dataclasses.replace(calibration_of("exr-float", 0.0, 1.0), mid=0.1), (1001,)),
        ["a.exr"],
        scene_unit="mm",
        scene_unit_mm=1.0,
    )
    assert told.mid == float(np.float32(0.1)) != 0.1
    assert told.bias == -told.mid


def test_a_middle_of_zero_adds_zero_without_a_sign():
    told = set_of(calibration_of("exr-float", None, None))
    assert decimal(told.bias) == "0.0"
    assert told.multiply_add == "height = value * 0.1 + 0.0"


@pytest.mark.parametrize(
    "tiles, names, pattern",
    [
        ([1001, 1002], ["head.1001.exr", "head.1002.exr"], "head.<UDIM>.exr"),
        ([1012, 1001], ["v2.1001.head.1012.tif", "v2.1001.head.1001.tif"], "v2.1001.head.<UDIM>.tif"),
        ([1001, 1002], ["1001.1001.exr", "1001.1002.exr"], "1001.<UDIM>.exr"),
        ([1001], ["head.1001.exr"], "head.<UDIM>.exr"),
        ([1001], ["head.exr"], "head.exr"),
        ([1001], ["head1001.exr"], "head1001.exr"),
        ([1001], ["head.1002.exr"], "head.1002.exr"),  # another number is part of the name
        ([1001], ["maps/head.1001.exr"], "maps/head.<UDIM>.exr"),
    ],
)
def test_only_a_files_own_number_becomes_the_token(tiles, names, pattern):
    assert file_pattern(tiles, names) == pattern
    for tile, name in zip(tiles, names, strict=True):
        assert pattern.replace("<UDIM>", str(tile)) == name


@pytest.mark.parametrize(
    "tiles, names, message",
    [
        ([1001, 1002], ["head.1002.exr", "head.1001.exr"], r"head.1002.exr: allowed for tile 1001"),
        ([1001, 1002], ["head.1001.exr", "neck.1002.exr"], r"neck.1002.exr: allowed for tile 1002"),
        ([1001, 1002], ["head.1001.exr", "head.1002.tif"], r"head.1002.tif"),
        ([1001, 1002], ["head_1001.exr", "head_1002.exr"], r"NAME.1001.ENDING"),
        ([1001, 1001], ["head.1001.exr", "neck.1001.exr"], r"each number once"),
        ([1001], ["head.<UDIM>.exr"], r"without <UDIM>"),
        ([1001], ["/home/head.1001.exr"], r"relative"),
        ([1001], ["head"], r"with an ending"),
        ([1101], ["head.1101.exr"], r"1001 to 1100"),
    ],
)
def test_names_that_fit_no_pattern_are_refused(tiles, names, message):
    with pytest.raises(MapFileError, match=message):
        file_pattern(tiles, names)


def test_tiles_are_put_in_order_with_their_names_and_ranges():
    told = set_of(tiles=(1002, 1001))
    assert [(t.tile, t.name, t.low_mm) for t in told.tiles] == [
        (1001, "head.1001.tif", -0.0812),
        (1002, "head.1002.tif", -0.31),
    ]
    assert told.range_mm == (-0.31, 0.0513)
    assert told.stem == "head" and told.is_tiled and not told.wraps
    assert told.tiles[1].corner_uv == (1, 0)


def test_a_single_file_of_another_tile_is_wrapped():
    metadata = set_metadata(calibration_of("exr-float", None, None), (1002,))
    told = hand_off(metadata, ["some.head.exr"], scene_unit="mm", scene_unit_mm=1.0)
    assert told.wraps and told.stem == "some.head"
    assert not hand_off(metadata, ["h.1002.exr"], scene_unit="mm", scene_unit_mm=1.0).wraps


def test_finest_wave_is_four_texels_the_split_or_what_is_given():
    assert set_of().finest_mm == pytest.approx(0.2184)
    assert set_of(split_mm=0.5).finest_mm == 0.5
    assert set_of(split_mm=0.1).finest_mm == pytest.approx(0.2184)  # texels cannot hold what the split lets pass
    assert set_of(texel_um=None).finest_mm is None
    metadata = set_metadata(calibration_of("tiff-16", None, None))
    names = ["a.1001.tif", "a.1002.tif"]
    assert hand_off(metadata, names, scene_unit="mm", scene_unit_mm=1.0, finest_um=300.0).finest_mm == 0.3


@pytest.mark.parametrize(
    "more, message",
    [
        ({"scene_unit": "ft", "scene_unit_mm": 304.8}, "scene_unit: got 'ft', allowed is one of um, mm, cm, m, in"),
        ({"scene_unit": "cm", "scene_unit_mm": 1.0}, "one cm is 10.0 mm"),
        ({"scene_unit": None, "scene_unit_mm": 0.0}, "scene_unit_mm: got 0.0"),
        ({"scene_unit": None, "scene_unit_mm": float("nan")}, "scene_unit_mm: got nan"),
        ({"scene_unit": "mm", "scene_unit_mm": 1.0, "split_mm": -1.0}, "split_mm: got -1.0"),
    ],
)
def test_units_that_contradict_themselves_are_refused(more, message):
    metadata = set_metadata(calibration_of("tiff-16", None, None), (1001,))
    with pytest.raises(MapFileError, match=message):
        hand_off(metadata, ["a.tif"], **more)


def test_tiles_of_two_calibrations_are_refused():
    metadata = [
        *set_metadata(calibration_of("tiff-16", None, 0.8), (1001,)),
        *set_metadata(calibration_of("tiff-16", None, 0.9), (1002,)),
    ]
    with pytest.raises(MapFileError, match=r"b.1002.tif: scale_mm is 0.9, but b.1001.tif has 0.8"):
        hand_off(metadata, ["b.1001.tif", "b.1002.tif"], scene_unit="mm", scene_unit_mm=1.0)
    with pytest.raises(MapFileError, match="got 0 metadata"):
        hand_off([], [], scene_unit="mm", scene_unit_mm=1.0)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9))
def test_decimals_give_the_number_back_without_an_exponent(number):
    text = decimal(number)
    assert float(text) == number
    assert "e" not in text and "." in text
    sign, rest = signed(number).split()
    assert float(sign + rest) == number


@pytest.mark.parametrize("y_up", [True, False])
@pytest.mark.parametrize("is_signed", [True, False])
def test_normals_are_decoded(y_up, is_signed):
    """A ramp of 45 degrees that rises along +v: n = (0, -1, 1) / sqrt(2); in 0 to 1 with +Y up green is 0.146447."""
    normal = np.array([0.0, -1.0, 1.0]) / np.sqrt(2)
    stored = normal * [1, 1 if y_up else -1, 1]
    if not is_signed:
        stored = (stored + 1) / 2
        assert stored[1] == pytest.approx(0.146447 if y_up else 0.853553, abs=1e-6)
    told = NormalMap("n.<UDIM>.exr", y_up=y_up, signed=is_signed)
    scale, bias = told.decode
    np.testing.assert_allclose(stored * scale + bias, normal, atol=1e-15)
    np.testing.assert_allclose(np.array(told.flat) * scale + bias, [0, 0, 1], atol=0)


def test_lines_say_when_normals_must_not_come_on_top():
    normal = NormalMap("head_normal.<UDIM>.exr")
    assert any("instead of the displacement" in line for line in set_of(normal=normal).lines())
    split = set_of(normal=normal, split_mm=0.5).lines()
    assert not any("instead" in line for line in split)
    assert "Split: waves longer than 0.5 mm are displacement, shorter ones normals." in split
