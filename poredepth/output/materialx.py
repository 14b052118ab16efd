"""A MaterialX document beside a tile set: image, minus mid, displacement with its scale in scene units.

Source: MaterialX specification 1.39 and its standard nodes: `image`, `subtract`, `displacement` (which has a scale but
no middle, so the middle is taken off before), `normalmap`, units of distance, filename substitutions.

Notes
-----
- Address mode ``clamp``: a tile's border texel continues beyond it, as the map's gutter does.  ``constant`` is no
  choice for a set of tiles: the library's own implementation for OSL gives the default for every u or v beyond 0 to 1,
  before it looks for the tile, and all tiles but the first would be flat.  ``periodic`` would blend opposite borders.
- ``default``, which a reader gives where there is no file, is the value of no displacement.
- The unit stands on the scale, whose number is in the scene's unit already: a reader that knows units and one that does
  not get the same height.
- A normal map that shows all of the relief must not come on top of the displacement, so there are two materials then.
- The normal goes to an ``open_pbr_surface``, with nothing else set: of the surfaces in the standard library it is an
  open standard that is no renderer's own, and takes a normal as the `normalmap` node gives it.  A scene's own skin
  shader takes its place and reads ``normal`` of the node graph.
"""

from __future__ import annotations

from pathlib import Path
from xml.sax.saxutils import quoteattr

from poredepth.output.documents import write_document
from poredepth.output.handoff import HandOff, NormalMap, Triple, decimal

ENDING = ".mtlx"
#: Names of units in the standard library's definitions of distance.
UNIT_NAME: dict[str, str] = {"um": "micron", "mm": "millimeter", "cm": "centimeter", "m": "meter", "in": "inch"}


def materialx_text(hand_off: HandOff) -> str:
    """The document for a tile set; see the notes of this module.

    Returns
    -------
    XML: a node graph ``relief`` with the outputs ``displacement`` (value minus mid) and, with a normal map, ``normal``;
    the shader ``skin_displacement``, which multiplies by the scale; the material ``skin``, and where a normal map shows
    all of the relief once more, ``skin_by_normals``.
    """
    h = hand_off
    graph = [*_image("height", "float", h.pattern, decimal(h.mid), _address_mode(h)), *_minus_mid(h)]
    outputs = [_tag("output", name="displacement", type="float", nodename="height_minus_mid") + " />"]
    if h.normal is not None:
        graph += _normal_nodes(h.normal, _address_mode(h))
        outputs.append(_tag("output", name="normal", type="vector3", nodename="skin_normal") + " />")
    lines = [
        '<?xml version="1.0" encoding="utf-8"?>',
        '<materialx version="1.39">',
        "  <!--",
        *(f"    {_in_comment(line)}" for line in h.lines()),
        "  -->",
        '  <nodegraph name="relief">',
        *(f"    {line}" for line in [*graph, *outputs]),
        "  </nodegraph>",
        *(f"  {line}" for line in _shaders(h)),
        "</materialx>",
    ]
    return "\n".join(lines) + "\n"


def write_materialx(folder: Path | str, hand_off: HandOff) -> Path:
    """Write the document into ``folder`` under the set's name; MapFileError if that fails."""
    return write_document(Path(folder) / f"{hand_off.stem}{ENDING}", materialx_text(hand_off))


def _tag(element: str, **attributes: str) -> str:
    return f"<{element} " + " ".join(f"{name}={quoteattr(value)}" for name, value in attributes.items())


def _input(name: str, type: str, **attributes: str) -> str:
    return "  " + _tag("input", name=name, type=type, **attributes) + " />"


def _node(element: str, name: str, type: str, *inputs: str) -> list[str]:
    return [_tag(element, name=name, type=type) + ">", *inputs, f"</{element}>"]


def _address_mode(h: HandOff) -> str:
    return "periodic" if h.wraps else "clamp"


def _image(name: str, type: str, pattern: str, default: str, address_mode: str) -> list[str]:
    return _node(
        "image",
        name,
        type,
        _input("file", "filename", value=pattern, colorspace="raw"),
        _input("default", type, value=default),
        _input("uaddressmode", "string", value=address_mode),
        _input("vaddressmode", "string", value=address_mode),
        _input("filtertype", "string", value="linear"),
    )


def _minus_mid(h: HandOff) -> list[str]:
    return _node(
        "subtract",
        "height_minus_mid",
        "float",
        _input("in1", "float", nodename="height"),
        _input("in2", "float", value=decimal(h.mid)),
    )


def _normal_nodes(normal: NormalMap, address_mode: str) -> list[str]:
    """The picture, turned into 0 to 1 with y along +v if it is not yet, and the `normalmap` node that reads that."""
    lines = _image("normal_picture", "vector3", normal.pattern, _vector(normal.flat), address_mode)
    last = "normal_picture"
    (sx, sy, sz), (bx, by, bz) = normal.decode
    scale, bias = (sx / 2, sy / 2, sz / 2), ((bx + 1) / 2, (by + 1) / 2, (bz + 1) / 2)
    for element, name, by_axis, idle in (
        ("multiply", "normal_scaled", scale, (1.0, 1.0, 1.0)),
        ("add", "normal_moved", bias, (0.0, 0.0, 0.0)),
    ):
        if by_axis == idle:
            continue
        in1, in2 = _input("in1", "vector3", nodename=last), _input("in2", "vector3", value=_vector(by_axis))
        lines += _node(element, name, "vector3", in1, in2)
        last = name
    return lines + _node("normalmap", "skin_normal", "vector3", _input("in", "vector3", nodename=last))


def _shaders(h: HandOff) -> list[str]:
    unit = {} if h.scene_unit is None else {"unittype": "distance", "unit": UNIT_NAME[h.scene_unit]}
    lines = _node(
        "displacement",
        "skin_displacement",
        "displacementshader",
        _input("displacement", "float", nodegraph="relief", output="displacement"),
        _input("scale", "float", value=decimal(h.scale), **unit),
    )
    displaced = _input("displacementshader", "displacementshader", nodename="skin_displacement")
    if h.normal is None:
        return lines + _node("surfacematerial", "skin", "material", displaced)
    normal = _input("geometry_normal", "vector3", nodegraph="relief", output="normal")
    lines += _node("open_pbr_surface", "skin_surface", "surfaceshader", normal)
    shaded = _input("surfaceshader", "surfaceshader", nodename="skin_surface")
    if h.split_mm is not None:
        return lines + _node("surfacematerial", "skin", "material", shaded, displaced)
    lines += _node("surfacematerial", "skin", "material", displaced)
    return lines + _node("surfacematerial", "skin_by_normals", "material", shaded)


def _vector(of: Triple) -> str:
    return ", ".join(decimal(x) for x in of)


def _in_comment(text: str) -> str:
    """Text that may stand in an XML comment: no double hyphen, which only a file name could bring in."""
    while "--" in text:
        text = text.replace("--", "- -")
    return text
