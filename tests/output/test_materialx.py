"""The MaterialX document: the library validates it, and its graph gives the heights of the map."""

from __future__ import annotations

from functools import cache

import MaterialX as mx
import numpy as np
import pytest
from hand_offs import CALIBRATIONS, calibration_of, set_metadata, set_of, stored_values

from poredepth.output.handoff import NormalMap, hand_off
from poredepth.output.materialx import UNIT_NAME, materialx_text, write_materialx
from poredepth.units import MM_PER_UNIT


@cache
def library():
    """The data library that comes with MaterialX."""
    found = mx.createDocument()
    mx.loadLibraries(mx.getDefaultDataLibraryFolders(), mx.getDefaultDataSearchPath(), found)
    return found


def parsed(text: str):
    document = mx.createDocument()
    mx.readFromXmlString(document, text)
    document.setDataLibrary(library())
    return document


def valid(told):
    document = parsed(materialx_text(told))
    assert document.validate() == (True, "")
    return document


def walked(node, pictures: dict[str, np.ndarray]):
    """What a node gives: the graph's formula by hand, in float64, from the text of its numbers.

    ``displacement`` multiplies by its scale (MaterialX specification, standard shader nodes).
    """
    kind = node.getCategory()
    if kind == "image":
        return pictures[node.getInputValue("file")]
    if kind == "displacement":
        return _given(node, "displacement", pictures) * _given(node, "scale", pictures)
    if kind == "normalmap":
        return _given(node, "in", pictures)
    in1, in2 = _given(node, "in1", pictures), _given(node, "in2", pictures)
    return {"subtract": np.subtract, "multiply": np.multiply, "add": np.add}[kind](in1, in2)


def _given(node, name: str, pictures):
    found = node.getInput(name)
    if found.getConnectedNode() is not None:
        return walked(found.getConnectedNode(), pictures)
    if found.getConnectedOutput() is not None:
        return walked(found.getConnectedOutput().getConnectedNode(), pictures)
    return np.array([float(x) for x in found.getValueString().split(",")])


@pytest.mark.parametrize("calibration", CALIBRATIONS)
@pytest.mark.parametrize("unit", [*MM_PER_UNIT, None])
def test_the_graph_gives_the_heights_in_scene_units(calibration, unit):
    calibration = calibration_of(*calibration)
    unit_mm = 2.5 if unit is None else MM_PER_UNIT[unit]
    told = set_of(calibration, unit, unit_mm)
    document = valid(told)
    value, height_mm = stored_values(calibration)
    found = walked(document.getNode("skin").getConnectedNode("displacementshader"), {told.pattern: value})
    # to 1e-12 of the height by the formula in mm, and of the scale by the code's own definition
    np.testing.assert_allclose(found, (value - told.mid) * told.scale_mm / unit_mm, rtol=1e-12, atol=0)
    np.testing.assert_allclose(found, height_mm / unit_mm, rtol=0, atol=1e-12 * calibration.scale_mm / unit_mm)
    scale = document.getNode("skin_displacement").getInput("scale")
    assert scale.getUnit() == ("" if unit is None else UNIT_NAME[unit])
    assert scale.getUnitType() == ("" if unit is None else "distance")


def test_units_have_the_librarys_names_and_lengths():
    """Metres in one unit, from the library's own definitions."""
    [defined] = [d for d in library().getUnitDefs() if d.getUnitType() == "distance"]
    metres = {unit.getName(): float(unit.getAttribute("scale")) for unit in defined.getUnits()}
    for unit, name in UNIT_NAME.items():
        assert metres[name] * 1000 == pytest.approx(MM_PER_UNIT[unit], rel=1e-12)


def test_the_picture_is_read_raw_with_tiles_found_first():
    document = valid(set_of())
    image = document.getNodeGraph("relief").getNode("height")
    assert image.getInputValue("file") == "head.<UDIM>.tif"
    assert image.getInput("file").getColorSpace() == "raw"
    assert image.getInputValue("uaddressmode") == image.getInputValue("vaddressmode") == "clamp"
    assert image.getInputValue("filtertype") == "linear"
    # a missing file is no displacement
    assert image.getInput("default").getValueString() == "0.5000076295109483"


def test_a_single_file_of_another_tile_repeats():
    metadata = set_metadata(calibration_of("exr-float", None, None), (1002,))
    told = hand_off(metadata, ["head.exr"], scene_unit="mm", scene_unit_mm=1.0)
    document = valid(told)
    image = document.getNodeGraph("relief").getNode("height")
    assert image.getInputValue("file") == "head.exr"
    assert image.getInputValue("uaddressmode") == image.getInputValue("vaddressmode") == "periodic"


@pytest.mark.parametrize("y_up", [True, False])
@pytest.mark.parametrize("is_signed", [True, False])
def test_a_normal_reaches_the_surface_in_0_to_1_with_y_up(y_up, is_signed):
    """The `normalmap` node takes (n + 1) / 2, flat (0.5, 0.5, 1): its definition in the library."""
    told = set_of(normal=NormalMap("n.<UDIM>.exr", y_up=y_up, signed=is_signed), split_mm=0.4)
    document = valid(told)
    rng = np.random.default_rng(2)
    normal = rng.normal(size=(1000, 3))
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    stored = normal * [1, 1 if y_up else -1, 1]
    stored = stored if is_signed else (stored + 1) / 2
    surface = document.getNode("skin").getConnectedNode("surfaceshader")
    assert [i.getName() for i in surface.getInputs()] == ["geometry_normal"]
    found = walked(
        surface.getInput("geometry_normal").getConnectedOutput().getConnectedNode(), {"n.<UDIM>.exr": stored}
    )
    np.testing.assert_allclose(found, (normal + 1) / 2, atol=1e-15)
    default = document.getNodeGraph("relief").getNode("normal_picture").getInput("default").getValueString()
    flat = np.array([[float(x) for x in default.split(",")]])
    found = walked(document.getNodeGraph("relief").getNode("skin_normal"), {"n.<UDIM>.exr": flat})
    np.testing.assert_allclose(found, [[0.5, 0.5, 1]], atol=0)


def test_normals_of_all_the_relief_are_a_material_of_their_own():
    normal = NormalMap("n.<UDIM>.exr")
    both = valid(set_of(normal=normal, split_mm=0.4))
    assert [m.getName() for m in both.getMaterialNodes()] == ["skin"]
    assert both.getNode("skin").getConnectedNode("surfaceshader") is not None
    apart = valid(set_of(normal=normal))
    assert [m.getName() for m in apart.getMaterialNodes()] == ["skin", "skin_by_normals"]
    assert apart.getNode("skin").getConnectedNode("surfaceshader") is None
    assert apart.getNode("skin_by_normals").getConnectedNode("displacementshader") is None


@pytest.mark.parametrize("stem", ['a&b "c" <d>', "a--b---c", "grün -", "tile]]>"])
def test_any_file_name_survives(stem):
    document = valid(set_of(stem=stem))
    assert document.getNodeGraph("relief").getNode("height").getInputValue("file") == f"{stem}.<UDIM>.tif"


def test_the_library_refuses_what_is_wrong():
    """The check can fail: an unknown unit, a dangling node, a wrong type."""
    text = materialx_text(set_of())
    for good, bad in (
        ('unit="centimeter"', 'unit="centimetre"'),
        ('nodename="height_minus_mid"', 'nodename="heights"'),
        ('<subtract name="height_minus_mid" type="float"', '<subtract name="height_minus_mid" type="color3"'),
    ):
        assert good in text
        assert not parsed(text.replace(good, bad)).validate()[0]


def test_it_is_written_beside_the_tiles_and_is_the_same_bytes_again(tmp_path):
    told = set_of()
    path = write_materialx(tmp_path / "new", told)
    assert path.name == "head.mtlx"
    first = path.read_bytes()
    assert write_materialx(tmp_path / "new", told).read_bytes() == first
    assert b"\r" not in first and first.decode("utf-8") == materialx_text(told)
    assert [p.name for p in path.parent.iterdir()] == ["head.mtlx"]
