"""A strict reader of the part of .usda that a material layer needs; anything else is an error.

Grammar: OpenUSD documentation, "USDA file format"; types of shader inputs and outputs: UsdPreviewSurface specification
2.5.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

TOKEN = re.compile(
    r"""
    (?P<space>[ \t\n]+ | \#[^\n]*)
    | (?P<long>\"\"\"(?:\\.|[^\\])*?\"\"\")
    | (?P<text>"(?:\\.|[^"\\\n])*")
    | (?P<asset>@@@(?:\\@@@|(?!@@@).)*@@@ | @[^@\n]*@)
    | (?P<path></[A-Za-z_][\w/]*(?:\.[A-Za-z_][\w:]*)?>)
    | (?P<number>-?\d+(?:\.\d+)?)
    | (?P<word>[A-Za-z_][\w]*(?:[:.][A-Za-z_]\w*)*)
    | (?P<mark>[(){}=,])
    """,
    re.X | re.S,
)

#: Inputs and outputs of the shaders, with their types.
SHADERS = {
    "UsdPreviewSurface": {
        "inputs:displacement": "float",
        "inputs:normal": "normal3f",
        "outputs:surface": "token",
        "outputs:displacement": "token",
    },
    "UsdUVTexture": {
        "inputs:file": "asset",
        "inputs:st": "float2",
        "inputs:wrapS": "token",
        "inputs:wrapT": "token",
        "inputs:fallback": "float4",
        "inputs:scale": "float4",
        "inputs:bias": "float4",
        "inputs:sourceColorSpace": "token",
        "outputs:r": "float",
        "outputs:rgb": "float3",
    },
    "UsdPrimvarReader_float2": {"inputs:varname": "string", "outputs:result": "float2"},
}
#: Tokens an input may hold.
ALLOWED = {
    "inputs:wrapS": {"black", "clamp", "repeat", "mirror", "useMetadata"},
    "inputs:wrapT": {"black", "clamp", "repeat", "mirror", "useMetadata"},
    "inputs:sourceColorSpace": {"raw", "sRGB", "auto"},
}
LENGTHS = {"float2": 2, "float3": 3, "float4": 4, "normal3f": 3}


@dataclass
class Prim:
    """A definition: its type, name, attributes (type and value by name), connections and children."""

    type: str
    name: str
    attributes: dict = field(default_factory=dict)
    connections: dict = field(default_factory=dict)
    children: dict = field(default_factory=dict)

    @property
    def id(self) -> str:
        return self.attributes["info:id"][1]


@dataclass
class Layer:
    """Metadata and definitions of a file."""

    metadata: dict
    prims: dict

    def source_of(self, path: str) -> tuple[Prim, str]:
        """The prim and the attribute a connection leads to."""
        *names, last = path.removeprefix("/").split("/")
        name, _, attribute = last.partition(".")
        prim = None
        for step in [*names, name]:
            prim = (self.prims if prim is None else prim.children)[step]
        return prim, attribute


class Reader:
    def __init__(self, text: str):
        assert text.startswith("#usda 1.0\n"), "the first line"
        self.tokens = []
        at = len("#usda 1.0")
        while at < len(text):
            match = TOKEN.match(text, at)
            assert match, f"no token at {text[at : at + 40]!r}"
            at = match.end()
            if match.lastgroup != "space":
                self.tokens.append((match.lastgroup, match.group()))
        self.at = 0

    def take(self, kind: str, text: str | None = None) -> str:
        found = self.tokens[self.at]
        assert found[0] == kind and (text is None or found[1] == text), f"got {found}, expected {kind} {text or ''}"
        self.at += 1
        return found[1]

    def sees(self, text: str) -> bool:
        return self.at < len(self.tokens) and self.tokens[self.at][1] == text

    def value(self):
        kind, text = self.tokens[self.at]
        self.at += 1
        if kind == "number":
            return float(text)
        if kind in ("text", "long"):
            inner = text[3:-3] if kind == "long" else text[1:-1]
            return re.sub(r"\\(.)", r"\1", inner)
        if kind == "asset":
            return text[3:-3].replace("\\@@@", "@@@") if text.startswith("@@@") else text[1:-1]
        assert text == "(", f"no value: {text}"
        numbers = [float(self.take("number"))]
        while self.sees(","):
            self.take("mark", ",")
            numbers.append(float(self.take("number")))
        self.take("mark", ")")
        return tuple(numbers)

    def layer(self) -> Layer:
        metadata, prims = {}, {}
        self.take("mark", "(")
        while not self.sees(")"):
            name = self.take("word")
            self.take("mark", "=")
            assert name not in metadata
            metadata[name] = self.value()
        self.take("mark", ")")
        while self.at < len(self.tokens):
            prim = self.prim()
            assert prim.name not in prims
            prims[prim.name] = prim
        return Layer(metadata, prims)

    def prim(self) -> Prim:
        self.take("word", "def")
        prim = Prim(self.take("word"), self.value())
        assert re.fullmatch(r"[A-Za-z_]\w*", prim.name)
        self.take("mark", "{")
        while not self.sees("}"):
            if self.sees("def"):
                child = self.prim()
                assert child.name not in prim.children
                prim.children[child.name] = child
            else:
                self.attribute(prim)
        self.take("mark", "}")
        return prim

    def attribute(self, prim: Prim) -> None:
        if self.sees("uniform"):
            self.take("word")
        type = self.take("word")
        name = self.take("word")
        if name.endswith(".connect"):
            self.take("mark", "=")
            name = name.removesuffix(".connect")
            prim.connections[name] = (type, self.take("path")[1:-1])
            return
        value = None
        if self.sees("="):
            self.take("mark")
            value = self.value()
            assert len(value) == LENGTHS[type] if type in LENGTHS else isinstance(value, str), (
                f"{type} {name} = {value}"
            )
        assert name not in prim.attributes
        prim.attributes[name] = (type, value)


def read_layer(text: str) -> Layer:
    """The layer, with all that the specification of the preview surface asks checked."""
    layer = Reader(text).layer()
    assert layer.metadata["defaultPrim"] in layer.prims
    for material in layer.prims.values():
        assert material.type == "Material"
        _check_connections(layer, material, {"outputs:surface": "token", "outputs:displacement": "token"})
        for shader in material.children.values():
            assert shader.type == "Shader"
            types = SHADERS[shader.id] | {"info:id": "token"}
            for name, (type, value) in shader.attributes.items():
                assert types[name] == type, f"{shader.name}.{name} is {type}"
                assert value is None or value in ALLOWED.get(name, {value})
            _check_connections(layer, shader, types)
    return layer


def _check_connections(layer: Layer, prim: Prim, types: dict[str, str]) -> None:
    for name, (type, path) in prim.connections.items():
        assert types[name] == type, f"{prim.name}.{name} is {type}"
        source, attribute = layer.source_of(path)
        assert attribute.startswith("outputs:") and attribute in source.attributes, f"{path} leads nowhere"
        given = source.attributes[attribute][0]
        assert {type, given} in ({type}, {"normal3f", "float3"}), f"{given} to {type}"
