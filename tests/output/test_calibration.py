"""Calibration: codes, steps and mid against hand-computed numbers."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poredepth.errors import CalibrationError
from poredepth.output import (
    ENCODINGS,
    FILE_FORMATS,
    FORMATS,
    Calibration,
    decode,
    encode,
    fit_calibration,
    tolerance_mm,
)

U16_FORMATS = ("tiff-16", "png-16")
ALL_CODES = np.arange(65536, dtype=np.uint16).reshape(256, 256)


def two_mm(format="tiff-16"):
    return fit_calibration(format, "mm", -0.9, 0.9, scale_mm=2.0)


def test_default_float_values_are_millimetres_and_not_copied():
    calibration = fit_calibration("exr-float", "mm", -0.3, 0.2)
    assert calibration == Calibration("exr-float", 0.0, 1.0, "mm", fitted=False)
    assert calibration.is_identity and calibration.mid_code is None and calibration.code_step_um is None
    height_mm = np.array([[0.25, -0.125]], np.float32)
    assert encode(height_mm, calibration) is height_mm
    assert decode(height_mm, calibration) is height_mm


@pytest.mark.parametrize("unit, scale_mm", [("um", 0.001), ("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4)])
def test_float_value_is_the_height_in_the_asked_unit(unit, scale_mm):
    # 25.4 mm to the inch: international yard and pound agreement, 1959; the others are SI prefixes
    calibration = fit_calibration("exr-float", unit, -1.0, 1.0)
    assert calibration.scale_mm == scale_mm and calibration.scale_in_unit == 1.0
    value = encode(np.array([[0.5]], np.float32), calibration)
    np.testing.assert_allclose(value, 0.5 / scale_mm, rtol=1e-7)


def test_sixteen_bit_mid_is_the_real_code_32768():
    calibration = two_mm()
    assert calibration.mid == 32768 / 65535 and calibration.mid_code == 32768
    # u16 over 2 mm: step 0.030518 um, and a decoder that assumes 0.5 is off by +0.01526 um (arithmetic, own derivation)
    assert calibration.code_step_um == pytest.approx(0.030518, abs=5e-7)
    assert 1000 * (calibration.mid - 0.5) * calibration.scale_mm == pytest.approx(0.01526, abs=5e-6)


@pytest.mark.parametrize("scale_mm, step_um", [(2.0, 0.030518), (1.0, 0.015259), (0.4, 0.006104)])
def test_code_step(scale_mm, step_um):
    calibration = fit_calibration("png-16", "mm", 0.0, 0.0, scale_mm=scale_mm)
    assert calibration.code_step_um == pytest.approx(step_um, abs=5e-7)


@pytest.mark.parametrize("format", U16_FORMATS)
@pytest.mark.parametrize("mid", [0.5, 0.25, 0.7312, 1 / 65535, 65534 / 65535])
def test_every_code_survives_the_way_to_millimetres_and_back(format, mid):
    calibration = fit_calibration(format, "mm", 0.0, 0.0, mid=mid, scale_mm=1.2)
    np.testing.assert_array_equal(encode(decode(ALL_CODES, calibration), calibration), ALL_CODES)


@settings(max_examples=200, deadline=None)
@given(
    scale_mm=st.floats(1e-3, 1e3),
    mid=st.floats(0.01, 0.99),
    share=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20),
    format=st.sampled_from(U16_FORMATS),
)
def test_sixteen_bit_round_trip_within_half_a_step(scale_mm, mid, share, format):
    calibration = fit_calibration(format, "mm", 0.0, 0.0, mid=mid, scale_mm=scale_mm)
    low_mm, high_mm = calibration.reach_mm
    height_mm = (low_mm + np.array([share]) * (high_mm - low_mm)).astype(np.float32)
    codes = encode(height_mm, calibration)
    back_mm = decode(codes, calibration)
    # half a step, and the one float32 step that heights travel with anyway
    half_step_mm = 0.5 * scale_mm / 65535
    assert np.all(np.abs(back_mm - height_mm.astype(float)) <= half_step_mm + np.spacing(np.abs(height_mm)))
    assert np.all(np.abs(back_mm - height_mm) <= tolerance_mm(height_mm, calibration))
    np.testing.assert_array_equal(encode(back_mm, calibration), codes)


@settings(max_examples=200, deadline=None)
@given(
    unit=st.sampled_from(["um", "mm", "cm", "m", "in"]),
    height=st.lists(st.floats(-15.0, 15.0, width=32), min_size=1, max_size=20),
    mid=st.sampled_from([0.0, 0.0, 0.5]),
)
def test_float_round_trip_within_a_millionth_of_a_millimetre(unit, height, mid):
    height_mm = np.array([height], np.float32)
    # a mid of 0.5 spends float32 precision; 4 mm of scale is where 15 mm still fits the promise
    scale_mm = 4.0 if mid else None
    calibration = fit_calibration("exr-float", unit, height_mm.min(), height_mm.max(), mid=mid, scale_mm=scale_mm)
    back_mm = decode(encode(height_mm, calibration), calibration)
    assert np.abs(back_mm - height_mm.astype(float)).max() <= 1e-6


@pytest.mark.parametrize("mid", [0.5, 0.1, 0.3333, 0.9])
@pytest.mark.parametrize("format", FORMATS)
def test_zero_height_is_exactly_mid_and_comes_back_as_exactly_zero(format, mid):
    mid = 0.0 if format == "exr-half" else mid
    calibration = fit_calibration(format, "mm", -0.01, 0.01, mid=mid, scale_mm=0.7)
    value = encode(np.zeros((2, 3), np.float32), calibration)
    if calibration.is_float:
        assert np.all(value == np.float32(mid)) and calibration.mid == float(np.float32(mid))
    else:
        assert np.all(value == math.floor(mid * 65535 + 0.5))
        assert np.all(value / 65535 == calibration.mid)
    assert np.all(decode(value, calibration) == 0.0)


def test_formula_text_is_the_calculation():
    codes = np.array([[0, 1, 32768, 65535]], np.uint16)
    calibration = two_mm("png-16")
    assert calibration.formula == "height_mm = (code / 65535 - 0.5000076295109483) * 2.0"
    by_text_mm = eval(calibration.formula.split("=")[1], {"code": codes.astype(float)})
    np.testing.assert_allclose(by_text_mm, decode(codes, calibration), atol=6e-8)
    # by hand: code 0 is -32768/65535 * 2 mm, code 65535 is 32767/65535 * 2 mm
    np.testing.assert_allclose(by_text_mm, [[-1.000015259, -0.999984741, 0.0, 0.999984741]], atol=1e-9)
    assert fit_calibration("exr-float", "cm", 0, 0).formula == "height_mm = (value - 0.0) * 10.0"


@pytest.mark.parametrize(
    "low_mm, high_mm, headroom, scale_mm",
    [
        (0.0, 0.0, 0.05, 1.0),
        (-0.5, 0.2, 0.0, 1.0),  # 0.5 mm below mid is code 0.5: holds
        (-0.5, 0.2, 0.05, 1.2),  # 0.525 * 2 = 1.05
        (-0.2, 0.5, 0.0, 1.2),  # above mid there is half a code less, so 1.0 is 7.6e-6 too small
        (-0.071, 0.049, 0.05, 0.15),  # 0.07455 * 2 = 0.1491
        (-0.16, 0.1, 0.05, 0.4),  # 0.336
        (-4.1, 0.0, 0.05, 10.0),  # 8.61
        (0.0, 1e-9, 0.05, 2.5e-9),  # 2.1e-9
        (0.3, 0.9, 0.05, 2.0),  # all outward: zero must still fit
    ],
)
def test_fitted_scale_is_the_smallest_friendly_one(low_mm, high_mm, headroom, scale_mm):
    calibration = fit_calibration("tiff-16", "mm", low_mm, high_mm, headroom=headroom)
    assert calibration.scale_mm == scale_mm and calibration.fitted
    encode(np.array([[low_mm, high_mm]]), calibration)


@settings(max_examples=200, deadline=None)
@given(
    low_mm=st.floats(-50, 0, allow_subnormal=False),
    high_mm=st.floats(0, 50, allow_subnormal=False),
    mid=st.floats(0.05, 0.95),
)
def test_a_fitted_scale_always_holds_the_range_with_headroom(low_mm, high_mm, mid):
    if max(-low_mm, high_mm) < 1e-30:
        low_mm = high_mm = 0.0
    calibration = fit_calibration("png-16", "mm", low_mm, high_mm, mid=mid)
    reach_low_mm, reach_high_mm = calibration.reach_mm
    assert reach_low_mm <= low_mm * 1.05 * (1 - 1e-12) and reach_high_mm >= high_mm * 1.05 * (1 - 1e-12)


def test_a_given_scale_that_would_clip_says_what_is_needed():
    with pytest.raises(CalibrationError) as caught:
        fit_calibration("png-16", "mm", -0.8, 0.3, scale_mm=1.0)
    message = str(caught.value)
    assert "-0.8 to 0.3 mm" in message and "scale of 1 mm" in message
    assert "1.59998 mm" in message and "(2 is the next" in message  # 0.8 * 65535 / 32768


@pytest.mark.parametrize("mid", [0.0, 1.0, -0.1, 1.5, 7e-6, math.nan, math.inf])
def test_sixteen_bit_mid_must_leave_both_sides(mid):
    with pytest.raises(CalibrationError, match="mid"):
        fit_calibration("png-16", "mm", -0.1, 0.1, mid=mid)


@pytest.mark.parametrize(
    "bad, match",
    [
        (dict(format="exr-double"), "format.*exr-float, exr-half, tiff-float, tiff-16, png-16"),
        (dict(unit="ft"), "unit.*um, mm, cm, m, in"),
        (dict(scale_mm=0.0), "scale_mm"),
        (dict(scale_mm=-1.0), "scale_mm"),
        (dict(scale_mm=math.inf), "scale_mm"),
        (dict(low_mm=0.2, high_mm=0.1), "range"),
        (dict(low_mm=math.nan), "range"),
        (dict(headroom=-0.1), "headroom"),
    ],
)
def test_bad_arguments_are_named(bad, match):
    given_arguments = dict(format="png-16", unit="mm", low_mm=-0.1, high_mm=0.1) | bad
    with pytest.raises(CalibrationError, match=match):
        fit_calibration(**given_arguments)


def test_a_mid_between_codes_is_refused_by_the_class_itself():
    with pytest.raises(CalibrationError, match="32768/65535"):
        Calibration("png-16", 0.5, 2.0, "mm", fitted=False)


def test_a_float_mid_that_would_round_heights_away_is_refused():
    # float32 near 100 steps by 7.6e-6
    with pytest.raises(CalibrationError, match="mid near 0"):
        fit_calibration("exr-float", "mm", -0.1, 0.1, mid=100.0)


def test_clipping_names_count_row_and_column_of_the_map():
    height_mm = np.zeros((4, 5), np.float32)
    height_mm[2, 3] = 1.2
    height_mm[3, 0] = -7.0
    with pytest.raises(CalibrationError, match=r"2 texel\(s\), first at row 102, col 3 \(1.2 mm\): would clip"):
        encode(height_mm, two_mm(), first_row=100)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("format", FORMATS)
def test_what_is_not_finite_is_refused(format, value):
    height_mm = np.zeros((4, 5), np.float32)
    height_mm[1, 4] = value
    with pytest.raises(CalibrationError, match=r"1 texel\(s\), first at row 1, col 4 \(.*\): is not finite"):
        encode(height_mm, fit_calibration(format, "mm", 0.0, 0.0))


def test_half_a_code_beyond_the_end_is_rounding_and_not_clipping():
    calibration = two_mm()
    step_mm = 2.0 / 65535
    inside = np.array([[-32768.49 * step_mm, 32767.49 * step_mm]])
    np.testing.assert_array_equal(encode(inside, calibration), [[0, 65535]])
    with pytest.raises(CalibrationError, match="would clip"):
        encode(np.array([[32767.51 * step_mm]]), calibration)


def test_ties_go_to_the_even_code():
    # a scale of 65535 makes one code one millimetre, so that ties are exact
    calibration = fit_calibration("tiff-16", "mm", 0, 0, scale_mm=65535.0)
    codes = encode(np.array([[0.5, 1.5, -0.5, -1.5]]), calibration)
    np.testing.assert_array_equal(codes, [[32768, 32770, 32768, 32766]])


def test_blocks_of_rows_give_the_same_codes_as_the_whole():
    height_mm = np.random.default_rng(3).uniform(-0.9, 0.9, (50, 20)).astype(np.float32)
    whole = encode(height_mm, two_mm())
    in_blocks = np.vstack([encode(height_mm[row : row + 7], two_mm(), first_row=row) for row in range(0, 50, 7)])
    np.testing.assert_array_equal(whole, in_blocks)


def test_values_of_another_format_are_refused():
    with pytest.raises(CalibrationError, match="got float32, png-16 holds uint16"):
        decode(np.zeros((2, 2), np.float32), two_mm("png-16"))


# facts of number formats: Imath, half.h (steps of halves); the rest is arithmetic, own derivation
@pytest.mark.parametrize("span_mm, step_um", [(2.0, 7.843), (1.0, 3.922), (0.4, 1.569)])
def test_eight_bits_could_not_carry_fine_lines_and_are_not_offered(span_mm, step_um):
    assert 1000 * span_mm / 255 == pytest.approx(step_um, abs=5e-4)
    assert not any(one.dtype.itemsize == 1 for one in FILE_FORMATS.values())


def test_half_steps_at_mid_grey_and_about_zero():
    # over a span of 2 mm: 2^-12 below 0.5, 2^-11 above it
    assert 2000 * float(np.spacing(np.float16(0.49))) == pytest.approx(0.488, abs=5e-4)
    assert 2000 * float(np.spacing(np.float16(0.5))) == pytest.approx(0.977, abs=5e-4)
    calibration = fit_calibration("exr-half", "mm", -0.2, 0.2)
    assert calibration.encoding == "half-zero" and calibration.scale_mm == 1.0
    for height_um, step_um in ((5, 0.0038), (20, 0.0153), (50, 0.0305), (100, 0.0610), (199, 0.1221)):
        assert calibration.largest_step_um(0.0, height_um / 1000) == pytest.approx(step_um, abs=1e-4)
        height_mm = np.linspace(0.9, 1.0, 999, dtype=np.float32)[None] * height_um / 1000
        error_um = 1000 * np.abs(decode(encode(height_mm, calibration), calibration) - height_mm.astype(float))
        assert 0.4 * step_um < error_um.max() <= 0.5 * step_um * (1 + 1e-3) + 1e-5


@pytest.mark.parametrize("mid", [0.5, 1.0, -0.25])
def test_a_half_about_mid_grey_is_refused_with_the_reason(mid):
    with pytest.raises(CalibrationError, match="allowed is 0 for exr-half: halves are finest about 0 and coarse"):
        fit_calibration("exr-half", "mm", -0.1, 0.1, mid=mid)


def test_halves_of_a_large_unit_hold_millimetres():
    assert fit_calibration("exr-half", "cm", -0.1, 0.1).scale_mm == 10.0
    metres = fit_calibration("exr-half", "m", -0.1, 0.1)
    assert metres.scale_mm == 1.0 and metres.scale_in_unit == 0.001
    # 1 um is a normal half there: 2^-14 is 0.061 um
    assert float(encode(np.array([[0.001]]), metres)[0, 0]) == pytest.approx(0.001, rel=2**-11)


def test_a_half_that_would_overflow_is_refused():
    with pytest.raises(CalibrationError, match="about 0, which holds -65.504 to 65.504 mm"):
        fit_calibration("exr-half", "um", -0.1, 70.0)


def test_encodings_are_named_by_type_and_zero():
    named = {format: fit_calibration(format, "mm", -0.1, 0.1).encoding for format in FORMATS}
    assert named == {
        "exr-float": "float-zero", "exr-half": "half-zero", "tiff-float": "float-zero", "tiff-16": "u16-mid",
        "png-16": "u16-mid",
    }  # fmt: skip
    assert ENCODINGS == {
        "float-zero": ("exr-float", "tiff-float"), "half-zero": ("exr-half",), "u16-mid": ("tiff-16", "png-16")
    }  # fmt: skip
    assert fit_calibration("exr-float", "mm", -0.1, 0.1, mid=0.5).encoding == "float-mid"


def test_a_scene_unit_is_a_number_of_millimetres():
    calibration = fit_calibration("exr-float", "scene", -0.1, 0.1, unit_mm=25.0)
    assert calibration.scale_mm == 25.0 and calibration.scale_in_unit == 1.0
    # 0.05 mm is 0.002 of 25 mm
    assert float(encode(np.array([[0.05]]), calibration)[0, 0]) == pytest.approx(0.002, rel=1e-6)
    for unit_mm in (None, 0.0, -1.0, math.nan):
        with pytest.raises(CalibrationError, match="scene needs the millimetres in one scene unit"):
            fit_calibration("exr-float", "scene", -0.1, 0.1, unit_mm=unit_mm)


@pytest.mark.parametrize("unit, unit_mm, expected", [("in", None, 0.012), ("scene", 7.0, 0.04), ("cm", None, 0.03)])
def test_a_fitted_scale_is_friendly_in_the_unit_it_is_typed_in(unit, unit_mm, expected):
    # 0.13 mm both ways with 5 %: 0.273 mm = 0.010748 in, 0.039 units of 7 mm, 0.0273 cm
    calibration = fit_calibration("tiff-16", unit, -0.13, 0.13, unit_mm=unit_mm)
    assert calibration.scale_in_unit == pytest.approx(expected, rel=1e-12)


def test_heights_are_limited_only_if_that_is_allowed():
    height_mm = np.array([[-0.3, -0.1, 0.0, 0.2, 0.26]], np.float32)
    with pytest.raises(CalibrationError, match="or allow clipping"):
        fit_calibration("png-16", "mm", -0.3, 0.26, scale_mm=0.5)
    calibration = fit_calibration("png-16", "mm", -0.3, 0.26, scale_mm=0.5, clips=True)
    np.testing.assert_array_equal(encode(height_mm, calibration), [[0, 19661, 32768, 58982, 65535]])
