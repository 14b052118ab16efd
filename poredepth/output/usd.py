"""A USD layer beside a tile set: one material whose preview surface is displaced by the map.

Source: OpenUSD, UsdPreviewSurface specification 2.5: `UsdUVTexture` gives value * scale + bias, and takes tile numbers
1001 to 1100; `UsdPreviewSurface` displaces along the normal, and takes a normal in tangent space, -1 to 1.

Notes
-----
- ``fallback``, given where a file cannot be read, goes through scale and bias like any value, so it is the value of no
  displacement.  (The specification does not say so; the definition of this node in MaterialX does it that way.)
- Wrap mode ``clamp``: a tile's border texel continues beyond it.  The default would be black, which is a height.
- A normal map that shows all of the relief must not come on top of the displacement, so there are two materials then.
- ``metersPerUnit`` states the unit of the displacement.  Layers are not converted when one refers to another.
"""

from __future__ import annotations

from pathlib import Path

from poredepth.output.documents import write_document
from poredepth.output.handoff import HandOff, NormalMap, decimal
from poredepth.units import MM_PER_UNIT

ENDING = ".usda"
MATERIAL, NORMALS_MATERIAL = "SkinRelief", "SkinReliefByNormals"
#: Name of the texture coordinates on the mesh; USD's own convention.
PRIMVAR = "st"


def usd_text(hand_off: HandOff) -> str:
    """The layer for a tile set, as text (.usda); see the notes of this module.

    The material ``SkinRelief``, and where a normal map shows all of the relief once more, ``SkinReliefByNormals``.
    """
    h = hand_off
    both = h.normal is not None and h.split_mm is not None
    lines = [
        "#usda 1.0",
        "(",
        f"    defaultPrim = {_string(MATERIAL)}",
        f'    doc = """{_in_doc(h)}"""',
        f"    metersPerUnit = {decimal(h.scene_unit_mm / MM_PER_UNIT['m'])}",
        ")",
        "",
        "# To use it, refer to this layer from a scene with the same metersPerUnit, and bind the material to the head:",
        f'#     def Material "Skin" (prepend references = @./{_in_line(h.stem)}{ENDING}@) {{ }}',
        '#     over "Head" (prepend apiSchemas = ["MaterialBindingAPI"])',
        "#     {",
        "#         rel material:binding = </Skin>",
        "#     }",
        f"# The mesh needs its texture coordinates in primvars:{PRIMVAR}.",
        *_material(MATERIAL, h, is_displaced=True, normal=h.normal if both else None),
    ]
    if h.normal is not None and not both:
        lines += ["", *_material(NORMALS_MATERIAL, h, is_displaced=False, normal=h.normal)]
    return "\n".join(lines) + "\n"


def write_usd(folder: Path | str, hand_off: HandOff) -> Path:
    """Write the layer into ``folder`` under the set's name; MapFileError if that fails."""
    return write_document(Path(folder) / f"{hand_off.stem}{ENDING}", usd_text(hand_off))


def _material(name: str, h: HandOff, *, is_displaced: bool, normal: NormalMap | None) -> list[str]:
    inputs, outputs, textures = [], ["token outputs:surface"], []
    if is_displaced:
        inputs.append(f"float inputs:displacement.connect = {_output(name, 'Height', 'r')}")
        outputs.insert(0, "token outputs:displacement")
        numbers = {"scale": 4 * (h.scale,), "bias": 4 * (h.bias,), "fallback": 4 * (h.mid,)}
        textures += ["", *_texture(name, "Height", h.pattern, "float outputs:r", h.wraps, numbers)]
    if normal is not None:
        inputs.append(f"normal3f inputs:normal.connect = {_output(name, 'Normal', 'rgb')}")
        # the fourth numbers leave alpha as it is, as the specification writes them
        scale, bias = normal.decode
        numbers = {"scale": (*scale, 1.0), "bias": (*bias, 0.0), "fallback": (*normal.flat, 1.0)}
        textures += ["", *_texture(name, "Normal", normal.pattern, "float3 outputs:rgb", h.wraps, numbers)]
    varname = f"string inputs:varname = {_string(PRIMVAR)}"
    body = [
        *(f"{output}.connect = {_output(name, 'Preview', output.rpartition(':')[2])}" for output in outputs),
        "",
        *_shader("Preview", "UsdPreviewSurface", *inputs, *outputs),
        "",
        *_shader("Coordinates", "UsdPrimvarReader_float2", varname, "float2 outputs:result"),
        *textures,
    ]
    return [f"def Material {_string(name)}", "{", *(f"    {line}".rstrip() for line in body), "}"]


def _shader(name: str, id: str, *lines: str) -> list[str]:
    body = [f"    uniform token info:id = {_string(id)}", *(f"    {line}" for line in lines)]
    return [f"def Shader {_string(name)}", "{", *body, "}"]


def _texture(
    material: str, name: str, pattern: str, output: str, wraps: bool, numbers: dict[str, tuple[float, ...]]
) -> list[str]:
    wrap = "repeat" if wraps else "clamp"
    return _shader(
        name,
        "UsdUVTexture",
        f"float4 inputs:bias = {_numbers(numbers['bias'])}",
        f"float4 inputs:fallback = {_numbers(numbers['fallback'])}",
        f"asset inputs:file = {_asset(pattern)}",
        f"float4 inputs:scale = {_numbers(numbers['scale'])}",
        'token inputs:sourceColorSpace = "raw"',
        f"float2 inputs:st.connect = {_output(material, 'Coordinates', 'result')}",
        f'token inputs:wrapS = "{wrap}"',
        f'token inputs:wrapT = "{wrap}"',
        output,
    )


def _output(material: str, shader: str, name: str) -> str:
    return f"</{material}/{shader}.outputs:{name}>"


def _numbers(of: tuple[float, ...]) -> str:
    return f"({', '.join(decimal(x) for x in of)})"


def _string(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _asset(name: str) -> str:
    """A path beside this layer; three signs enclose one that holds the sign itself."""
    return f"@@@./{name.replace('@@@', chr(92) + '@@@')}@@@" if "@" in name else f"@./{name}@"


def _in_doc(h: HandOff) -> str:
    return "\n".join(h.lines()).replace("\\", "\\\\").replace('"', '\\"')


def _in_line(text: str) -> str:
    return text.replace("\n", " ").replace("\r", " ")
