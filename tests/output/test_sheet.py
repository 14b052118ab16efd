"""The plain sheet: its numbers are those of the files, its advice that of the closed forms."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hand_offs import CALIBRATIONS, calibration_of, set_metadata, set_of, stored_values

from poredepth.output.handoff import NormalMap, hand_off
from poredepth.output.sheet import sheet_text, write_sheet
from poredepth.units import MM_PER_UNIT


@pytest.mark.parametrize("calibration", CALIBRATIONS)
@pytest.mark.parametrize("unit", [*MM_PER_UNIT, None])
def test_the_lines_to_type_give_the_heights(calibration, unit):
    calibration = calibration_of(*calibration)
    unit_mm = 2.5 if unit is None else MM_PER_UNIT[unit]
    told = set_of(calibration, unit, unit_mm)
    text = sheet_text(told, area_mm2=150_000, median_edge_mm=3.1)
    value, height_mm = stored_values(calibration)
    [(scale, sign, bias)] = re.findall(r"height = value \* ([\d.]+) ([+-]) ([\d.]+)$", text, re.M)
    [mid] = re.findall(r"No displacement is the value +(-?[\d.]+)", text)
    [unit_scale] = re.findall(r"One full unit of value is +([\d.]+) ", text)
    atol = 1e-12 * calibration.scale_mm / unit_mm
    np.testing.assert_allclose(value * float(scale) + float(sign + bias), height_mm / unit_mm, rtol=0, atol=atol)
    np.testing.assert_allclose((value - float(mid)) * float(unit_scale), height_mm / unit_mm, rtol=0, atol=atol)
    [(start, middle, scale_mm)] = re.findall(r"height_mm = \((.+) - ([\d.]+)\) \* ([\d.]+)", text)
    assert start == ("value" if calibration.is_float else "code / 65535")
    np.testing.assert_allclose((value - float(middle)) * float(scale_mm), height_mm, atol=1e-12 * calibration.scale_mm)
    assert max(len(line) for line in text.splitlines()) <= (100 if unit else 110)


def test_long_numbers_stand_once_where_they_are_typed():
    """Exact numbers once for each form; all others have at most six digits."""
    text = sheet_text(set_of(calibration_of("tiff-16", None, None), "in"), area_mm2=150_000, median_edge_mm=3.1)
    numbers = {line: re.findall(r"\d+\.\d+", line) for line in text.splitlines()}
    long = [line for line, found in numbers.items() if any(len(n.replace(".", "").lstrip("0")) > 6 for n in found)]
    assert [line.split("  ")[1] if line.startswith("  ") else line[:5] for line in long] == [
        "No displacement is the value",
        "One full unit of value is",
        "As multiply and add",
        "In mm",
    ]


def test_raw_heights_are_offered_only_where_the_values_are_heights():
    raw = sheet_text(set_of(calibration_of("exr-float", None, 10.0), "cm"))
    assert "nothing to type: the values are heights in cm" in raw
    assert "multiplier 0)" in raw and "Make the multiplier" in raw
    assert "nothing to type" not in sheet_text(set_of(calibration_of("exr-float", None, 1.0), "cm"))
    assert "If the middle is fixed at 0.5, all skin is 0.0061 um off" in sheet_text(set_of())
    with_middle = sheet_text(set_of(calibration_of("tiff-16", 0.25, 2.7)))
    assert "fixed at 0.5" not in with_middle


def test_subdivision_by_hand():
    """Four texels of 54.6 um are 0.2184 mm, a quarter of that 0.0546 mm; 3.1 mm halved six times is 0.0484 mm;
    150000 mm2 hold 2 x 150000 / 0.0546^2 = 101 million triangles; 1 - 8 / pi^2 = 19 %, 1 - sqrt(1/2) = 29 %."""
    text = sheet_text(set_of(), area_mm2=150_000, median_edge_mm=3.1)
    assert "Shortest wave the displacement shows: 0.218 mm (a texel is 54.6 um on the skin)" in text
    assert "lose 19 % of its height" in text and "29 % of a" in text
    rows = [re.split(r" {2,}", line.strip()) for line in text.splitlines() if re.match(r" {3,}", line)]
    table = [row for row in rows if len(row) == 5]
    assert table[0] == ["waves from, mm", "edges, mm", "edges, cm", "levels", "triangles"]
    assert table[1] == ["0.218", "0.0546", "0.00546", "6", "101 million"]
    assert table[2] == ["0.437", "0.109", "0.0109", "5", "25.2 million"]
    assert table[4] == ["1.75", "0.437", "0.0437", "3", "1.57 million"]
    assert "1500 cm2" in text
    bare = sheet_text(set_of(unit="mm"))
    assert "levels" not in bare and "million" not in bare and "edges, mm" in bare
    assert "Four edges for the shortest wave" in sheet_text(set_of(texel_um=None))


def test_the_ruler_check_by_hand():
    """-0.31 to 0.0513 mm in a scene in cm: ten times as large, 3.1 mm = 0.31 cm inwards and 0.513 mm outwards."""
    text = sheet_text(set_of())
    assert "Make multiplier and offset 10 times as large" in text
    assert "0.513 mm (0.0513 cm) out of the plain head, in tile 1001." in text
    assert "3.1 mm (0.31 cm) into the plain head, in tile 1002." in text
    metadata = set_metadata(calibration_of("exr-float", None, None), (1003,))
    flat = hand_off(
        [m.described(m.calibration(), (0.0, 0.0), (64, 64)) for m in metadata],
        ["a.exr"],
        scene_unit="mm",
        scene_unit_mm=1.0,
    )
    assert "The map is flat" in sheet_text(flat)
    assert "let the texture repeat" in sheet_text(flat)


def test_tiles_normals_and_origin_are_told():
    normal = NormalMap("head_normal.<UDIM>.png", y_up=False)
    text = sheet_text(set_of(normal=normal))
    assert re.search(r"1002 +head\.1002\.tif +1 to 2 +0 to 1 +-0\.3100 to \+0\.0234", text)
    assert "use it instead of the displacement, never on top of it" in text
    assert "+Y down" in text and "head_normal.<UDIM>.png" in text
    assert "pores: source made here; licence MIT; consent synthetic" in text
    assert "lines: source not stated; licence not stated; consent not stated" in text
    split = sheet_text(set_of(normal=normal, split_mm=0.5))
    assert "waves shorter than 0.5 mm, the displacement longer ones: use both together" in split
    assert "Split at a longer wave" in split and "a smaller map" not in split


def test_it_is_written(tmp_path):
    path = write_sheet(tmp_path, set_of(), area_mm2=1e5)
    assert path.name == "how-to-render.txt"
    assert path.read_text(encoding="utf-8") == sheet_text(set_of(), area_mm2=1e5)
