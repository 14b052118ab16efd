"""The exported schema is valid JSON Schema and accepts and refuses what the loader does.

Source: JSON Schema draft 2020-12, through the jsonschema library.
"""

import json

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from poredepth.recipe import recipe_schema

EXAMPLE = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
seed: 7
directions:
  - {points: [[-4, 12, 8], [0, 12.4, 9], [4, 12, 8]]}
  - {file: guides.obj}
regions:
  forehead: {group: forehead, feather_mm: 8}
  nose:     {center: [0, 3.1, 9.8], radius_mm: 18, feather_mm: 6}
  cheek:    {mask: masks/cheek.png}
  chin:     {part: chin, feather_mm: 4}
  face:     {union: [forehead, nose, cheek]}
  rest:     {subtract: [face, nose]}
patches:
  cheek_pores: {file: patches/cheek_pores.tif, texel_um: 10, height_um: 120, zero: 0.5, lay_deg: 0}
layers:
  - {name: sculpt, map: sculpt.exr, scale_mm: 2.0, mid: 0.5, gain: 0.8}
  - {name: cheek pores, patch: cheek_pores, region: cheek, place: scatter, print_mm: 9, combine: add, gain: 1.0}
output: {size_px: 8192, format: exr-float, unit: mm, mid: 0.0, scale_mm: 1.0}
"""

BROKEN = [
    ("poredepth: 1", "poredepth: 2"),
    (", unit: cm}", "}"),
    ("unit: cm", "unit: inch"),
    ("seed: 7", "seed: -7"),
    ("seed: 7", "sead: 7"),
    ("seed: 7", "seed:"),
    ("[[-4, 12, 8], [0, 12.4, 9], [4, 12, 8]]", "[[-4, 12, 8]]"),
    ("[0, 12.4, 9]", "[0, 12.4]"),
    ("{file: guides.obj}", "{}"),
    ("{group: forehead,", "{group: forehead, mask: a.png,"),
    ("{part: chin", "{part: chinn"),
    ("{part: chin", "{part: chin, group: chin"),
    ("radius_mm: 18, ", ""),
    ("radius_mm: 18", "radius_mm: 0"),
    ("{mask: masks/cheek.png}", "{mask: masks/cheek.png, radius_mm: 3}"),
    ("nose, cheek]", "nose, cheek], feather_mm: 3"),
    ("subtract: [face, nose]", "subtract: [face]"),
    ("height_um: 120", "height_um: -120"),
    (", scale_mm: 2.0", ""),
    ("gain: 0.8", "gain: 0.8, print_mm: 9"),
    ("place: scatter", "place: anywhere"),
    ("print_mm: 9", "print_mm: 0.5"),
    ("print_mm: 9", "print_mm: 9, mid: 0.5"),
    ("size_px: 8192", "size_px: 65536"),
    ("size_px: 8192", "size_px: 8192.5"),
]


def validator():
    return Draft202012Validator(recipe_schema())


def test_schema_is_valid_and_plain_json():
    schema = recipe_schema()
    Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"] and schema["description"]


def test_every_key_is_described():
    schema = recipe_schema()
    for part in (schema, *schema["$defs"].values()):
        assert part["additionalProperties"] is False
        for key, value in part["properties"].items():
            named = schema["$defs"].get(value.get("$ref", "").rpartition("/")[2], {})
            assert value.get("description") or named.get("description"), key


def test_example_recipe_is_valid():
    assert list(validator().iter_errors(YAML(typ="safe").load(EXAMPLE))) == []


@pytest.mark.parametrize("old, new", BROKEN)
def test_broken_recipe_is_not_valid(old, new):
    assert EXAMPLE.count(old) == 1
    assert not validator().is_valid(YAML(typ="safe").load(EXAMPLE.replace(old, new)))


def test_each_call_gives_its_own_copy():
    recipe_schema()["properties"].clear()
    assert recipe_schema()["properties"]
