"""The USD layer: read by a strict grammar of our own; tests/extra reads it by the library."""

from __future__ import annotations

import numpy as np
import pytest
from hand_offs import CALIBRATIONS, calibration_of, set_metadata, set_of, stored_values
from usda_grammar import read_layer

from poredepth.errors import MapFileError
from poredepth.output.handoff import NormalMap, hand_off
from poredepth.output.usd import usd_text, write_usd
from poredepth.units import MM_PER_UNIT

NORMAL = NormalMap("head_normal.<UDIM>.tif")


def displaced(layer, value: np.ndarray, material: str = "SkinRelief") -> np.ndarray:
    """What the material displaces by, from its connections; `UsdUVTexture` gives value * scale + bias."""
    _, path = layer.prims[material].connections["outputs:displacement"]
    surface, output = layer.source_of(path)
    assert (surface.id, output) == ("UsdPreviewSurface", "outputs:displacement")
    texture, output = layer.source_of(surface.connections["inputs:displacement"][1])
    assert (texture.id, output) == ("UsdUVTexture", "outputs:r")
    scale, bias = (texture.attributes[name][1] for name in ("inputs:scale", "inputs:bias"))
    assert len(set(scale)) == len(set(bias)) == 1
    return value * scale[0] + bias[0]


@pytest.mark.parametrize("calibration", CALIBRATIONS)
@pytest.mark.parametrize("unit", [*MM_PER_UNIT, None])
def test_it_displaces_by_the_heights_in_scene_units(calibration, unit):
    calibration = calibration_of(*calibration)
    unit_mm = 2.5 if unit is None else MM_PER_UNIT[unit]
    told = set_of(calibration, unit, unit_mm)
    layer = read_layer(usd_text(told))
    value, height_mm = stored_values(calibration)
    found = displaced(layer, value)
    np.testing.assert_allclose(found, height_mm / unit_mm, rtol=0, atol=1e-12 * calibration.scale_mm / unit_mm)
    # and so in metres, by the unit of the layer
    assert layer.metadata["metersPerUnit"] == pytest.approx(unit_mm / 1000, rel=1e-15)


def test_the_picture_is_read_raw_by_st():
    layer = read_layer(usd_text(set_of()))
    texture = layer.prims["SkinRelief"].children["Height"]
    given = {name: value for name, (_, value) in texture.attributes.items()}
    assert given["inputs:file"] == "./head.<UDIM>.tif"
    assert given["inputs:sourceColorSpace"] == "raw"
    assert given["inputs:wrapS"] == given["inputs:wrapT"] == "clamp"
    assert displaced(layer, np.array(given["inputs:fallback"])) == pytest.approx(0, abs=1e-17)
    reader, output = layer.source_of(texture.connections["inputs:st"][1])
    assert (reader.id, output) == ("UsdPrimvarReader_float2", "outputs:result")
    assert reader.attributes["inputs:varname"] == ("string", "st")
    assert "height_mm = (code / 65535 - 0.5000076295109483) * 0.8" in layer.metadata["doc"]


def test_a_single_file_of_another_tile_repeats():
    metadata = set_metadata(calibration_of("exr-float", None, None), (1002,))
    told = hand_off(metadata, ["head.exr"], scene_unit="mm", scene_unit_mm=1.0)
    texture = read_layer(usd_text(told)).prims["SkinRelief"].children["Height"]
    assert texture.attributes["inputs:file"][1] == "./head.exr"
    assert texture.attributes["inputs:wrapS"][1] == texture.attributes["inputs:wrapT"][1] == "repeat"


@pytest.mark.parametrize("y_up, is_signed", [(True, False), (False, False), (True, True), (False, True)])
def test_normals_reach_the_surface_as_tangent_space(y_up, is_signed):
    """`UsdPreviewSurface` takes -1 to 1; pictures of 0 to 1 have scale 2, bias -1, alpha 1 and 0: its specification."""
    told = set_of(normal=NormalMap("n.<UDIM>.exr", y_up=y_up, signed=is_signed), split_mm=0.4)
    layer = read_layer(usd_text(told))
    assert list(layer.prims) == ["SkinRelief"]
    surface = layer.prims["SkinRelief"].children["Preview"]
    texture, output = layer.source_of(surface.connections["inputs:normal"][1])
    assert output == "outputs:rgb"
    scale, bias = (np.array(texture.attributes[name][1]) for name in ("inputs:scale", "inputs:bias"))
    if y_up and not is_signed:
        assert scale.tolist() == [2, 2, 2, 1] and bias.tolist() == [-1, -1, -1, 0]
    normal = np.array([0.6, -0.48, 0.64])
    stored = normal * [1, 1 if y_up else -1, 1]
    stored = stored if is_signed else (stored + 1) / 2
    np.testing.assert_allclose(stored * scale[:3] + bias[:3], normal, atol=1e-15)


def test_normals_of_all_the_relief_are_a_material_of_their_own():
    layer = read_layer(usd_text(set_of(normal=NORMAL)))
    assert list(layer.prims) == ["SkinRelief", "SkinReliefByNormals"]
    assert "inputs:normal" not in layer.prims["SkinRelief"].children["Preview"].connections
    assert list(layer.prims["SkinReliefByNormals"].connections) == ["outputs:surface"]
    assert layer.metadata["defaultPrim"] == "SkinRelief"


@pytest.mark.parametrize("stem", ["a@b", "a@@@b", 'say "x" \\ y', "grün", "#not a remark"])
def test_any_file_name_survives(stem):
    layer = read_layer(usd_text(set_of(stem=stem)))
    assert layer.prims["SkinRelief"].children["Height"].attributes["inputs:file"][1] == f"./{stem}.<UDIM>.tif"
    assert f"{stem}.<UDIM>.tif" in layer.metadata["doc"]


def test_tiles_beyond_the_hundred_are_refused():
    """Tiles lie within 1001 to 1100: UsdPreviewSurface specification."""
    assert ", tiles 1001, 1100;" in usd_text(set_of(tiles=(1001, 1100)))
    with pytest.raises(MapFileError, match="1001 to 1100"):
        set_of(tiles=(1001, 1101))


@pytest.mark.parametrize(
    "good, bad",
    [
        ("float4 inputs:scale", "float3 inputs:scale"),
        ("outputs:r>", "outputs:rgb>"),
        ("/Height.outputs", "/Heights.outputs"),
        ('"raw"', '"linear"'),
        ("metersPerUnit = 0.01", "metersPerUnit = 0,01"),
        ('token info:id = "UsdUVTexture"', 'token info:id = "UsdTexture"'),
        ("    }\n}\n", "    }\n"),
    ],
)
def test_the_grammar_refuses_what_is_wrong(good, bad):
    text = usd_text(set_of())
    assert good in text
    with pytest.raises((AssertionError, KeyError, IndexError)):
        read_layer(text.replace(good, bad))


def test_it_is_written_beside_the_tiles_and_is_the_same_bytes_again(tmp_path):
    path = write_usd(tmp_path, set_of())
    assert path.name == "head.usda"
    first = path.read_bytes()
    assert write_usd(tmp_path, set_of()).read_bytes() == first
    assert first.decode("utf-8") == usd_text(set_of())
    (tmp_path / "taken").write_text("a file, no folder")
    with pytest.raises(MapFileError, match="cannot write"):
        write_usd(tmp_path / "taken", set_of())
