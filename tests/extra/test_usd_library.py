"""The USD layer, read and checked by OpenUSD itself (extra ``usd``)."""

from __future__ import annotations

import numpy as np
import pytest
from hand_offs import CALIBRATIONS, calibration_of, set_of, stored_values
from pxr import Gf, Sdf, Usd, UsdGeom, UsdShade

from poredepth.output.handoff import NormalMap
from poredepth.output.usd import usd_text, write_usd
from poredepth.units import MM_PER_UNIT

NORMAL = NormalMap("head_normal.<UDIM>.tif", y_up=False)


def opened(text: str) -> Usd.Stage:
    layer = Sdf.Layer.CreateAnonymous(".usda")
    assert layer.ImportFromString(text)
    return Usd.Stage.Open(layer)


def source(shader, name: str):
    """The shader and the name of its output that an input is connected to."""
    [info], invalid = shader.GetInput(name).GetConnectedSources()
    assert not invalid
    return UsdShade.Shader(info.source.GetPrim()), info.sourceName


@pytest.mark.parametrize("calibration", CALIBRATIONS)
@pytest.mark.parametrize("unit", [*MM_PER_UNIT, None])
def test_the_library_reads_the_same_heights(calibration, unit):
    calibration = calibration_of(*calibration)
    unit_mm = 2.5 if unit is None else MM_PER_UNIT[unit]
    stage = opened(usd_text(set_of(calibration, unit, unit_mm)))
    assert UsdGeom.GetStageMetersPerUnit(stage) == pytest.approx(unit_mm / 1000, rel=1e-15)
    assert UsdGeom.StageHasAuthoredMetersPerUnit(stage)
    material = UsdShade.Material(stage.GetDefaultPrim())
    preview, output, _ = material.ComputeDisplacementSource()
    assert (preview.GetIdAttr().Get(), output) == ("UsdPreviewSurface", "displacement")
    texture, output = source(preview, "displacement")
    assert (texture.GetIdAttr().Get(), output) == ("UsdUVTexture", "r")
    scale, bias = (texture.GetInput(name).Get()[0] for name in ("scale", "bias"))
    value, height_mm = stored_values(calibration)
    # the library keeps float32
    atol = 4e-7 * calibration.scale_mm / unit_mm
    np.testing.assert_allclose(value * scale + bias, height_mm / unit_mm, rtol=0, atol=atol)
    reader, output = source(texture, "st")
    assert (reader.GetIdAttr().Get(), output, reader.GetInput("varname").Get()) == (
        "UsdPrimvarReader_float2",
        "result",
        "st",
    )


@pytest.mark.parametrize("split_mm", [None, 0.4])
def test_types_and_connections_are_legal(split_mm):
    stage = opened(usd_text(set_of(normal=NORMAL, split_mm=split_mm)))
    n_shaders = 0
    for prim in stage.Traverse():
        connectable = UsdShade.ConnectableAPI(prim)
        assert connectable
        for one in [*connectable.GetInputs(), *connectable.GetOutputs()]:
            assert one.GetTypeName()
            for path in one.GetAttr().GetConnections():
                given = stage.GetAttributeAtPath(path)
                assert given, path
                assert one.GetTypeName().type == given.GetTypeName().type, path
        n_shaders += prim.GetTypeName() == "Shader"
    assert n_shaders == (6 if split_mm is None else 4)
    both = UsdShade.Shader(stage.GetPrimAtPath("/SkinRelief/Preview"))
    assert bool(both.GetInput("normal")) == (split_mm is not None)


def test_a_mesh_is_bound_as_the_comment_says(tmp_path):
    write_usd(tmp_path, set_of(normal=NORMAL, split_mm=0.4))
    text = (tmp_path / "head.usda").read_text()
    example = [line[1:].strip() for line in text.splitlines() if line.startswith("#     ")]
    assert len(example) == 5
    scene = tmp_path / "scene.usda"
    scene.write_text("\n".join(["#usda 1.0", "( metersPerUnit = 0.01 )", *example]).replace("over ", "def Mesh "))
    stage = Usd.Stage.Open(str(scene))
    head = stage.GetPrimAtPath("/Head")
    assert head.IsA(UsdGeom.Mesh)
    bound, _ = UsdShade.MaterialBindingAPI(head).ComputeBoundMaterial()
    assert bound.GetPath() == "/Skin"
    preview, *_ = bound.ComputeSurfaceSource()
    assert preview.GetPath() == "/Skin/Preview"
    texture, _ = source(preview, "normal")
    assert texture.GetInput("scale").Get() == Gf.Vec4f(2, -2, 2, 1)
    assert texture.GetInput("bias").Get() == Gf.Vec4f(-1, 1, -1, 0)
    height, _ = source(preview, "displacement")
    assert height.GetInput("file").Get().path == "./head.<UDIM>.tif"


@pytest.mark.parametrize("stem", ["a@b", "a@@@b", 'say "x" \\ y', "grün", "#not a remark"])
def test_any_file_name_survives(stem):
    stage = opened(usd_text(set_of(stem=stem)))
    height = UsdShade.Shader(stage.GetPrimAtPath("/SkinRelief/Height"))
    assert height.GetInput("file").Get().path == f"./{stem}.<UDIM>.tif"
    assert f"{stem}.<UDIM>.tif" in stage.GetRootLayer().documentation
