"""Rules of a layer's keys: what goes with which way of laying, and what may vary over the skin."""

import jsonschema
import pytest

from poredepth.errors import RecipeError
from poredepth.recipe import input_files, parse_recipe, recipe_from_dict, recipe_schema

GOOD = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
landmarks: {nose_tip: [0, 3, 9], cheek: [4, 1, 7]}
regions:
  face: {group: face}
patches:
  fine: {file: fine.tif, texel_um: 10, height_um: 120}
  wide: {file: wide.tif, texel_um: 10, height_um: 120}
layers:
  - name: pores
    patches: {fine: 1, wide: 2.5}
    place: scatter
    print_mm: 9
    size: 0.9
    across_ratio: 0.8
    vary:
      size: {ramp: [{at: nose_tip, value: 1.3}, {at: cheek, value: 0.8}]}
      gain: {map: depth.<UDIM>.png, black: 0.5}
  - {name: lines, patch: fine, region: face, place: spread, size: 2}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("head")
    for name in ("head.obj", "fine.tif", "wide.tif", "depth.1001.png", "depth.1002.png"):
        (folder / name).write_bytes(name.encode())
    return folder


def test_values_and_files(folder):
    recipe = parse_recipe(GOOD, folder)
    pores, lines = recipe.layers
    assert pores.patch_shares == {"fine": 1.0, "wide": 2.5}
    assert lines.patch_shares == {"fine": 1.0}
    assert (pores.size, pores.along_ratio, pores.across_ratio, lines.size) == (0.9, 1.0, 0.8, 2.0)
    assert pores.vary.size.ramp[1].at == (4, 1, 7)
    assert (pores.vary.gain.black, pores.vary.gain.white) == (0.5, None)
    assert [(key, path.name) for key, path in input_files(recipe)][-2:] == [
        ("layers[0].vary.gain.map", "depth.1001.png"),
        ("layers[0].vary.gain.map", "depth.1002.png"),
    ]
    assert recipe_from_dict(recipe.model_dump(), folder) == recipe


ONE_MISTAKE = {
    "unknown patch of several": (
        "wide: 2.5",
        "wid: 2.5",
        "11:24: layers[0].patches.wid: unknown patch 'wid'; allowed: fine, wide; did you mean 'wide'?",
    ),
    "share of 0": ("fine: 1,", "fine: 0,", "11:21: layers[0].patches.fine: found 0; allowed: a number above 0"),
    "size of 0": ("size: 0.9", "size: 0", "14:11: layers[0].size: found 0; allowed: a number above 0"),
    "patch beside patches": (
        "    place: scatter\n",
        "    patch: fine\n    place: scatter\n",
        "12:5: layers[0].patch: found beside patches; allowed: exactly one of map, patch, patches",
    ),
    "patches spread": (
        "patch: fine, region",
        "patches: {fine: 1}, region",
        "19:19: layers[1].patches: found with place: spread; allowed: only with place: scatter; give one patch",
    ),
    "size that varies, spread": (
        "size: 2}",
        "vary: {size: {map: depth.<UDIM>.png}}}",
        "19:61: layers[1].vary: found size in it with place: spread; allowed: size only with place: scatter",
    ),
    "ramp of one stop": (
        ", {at: cheek, value: 0.8}]",
        "]",
        "17:20: layers[0].vary.size.ramp: found a list of 1; allowed: a list of at least two mappings",
    ),
    "unknown landmark": (
        "at: cheek,",
        "at: cheeks,",
        "17:54: layers[0].vary.size.ramp[1].at: unknown landmark 'cheeks'; allowed: three numbers [x, y, z], or a "
        "landmark: nose_tip, cheek; did you mean 'cheek'?",
    ),
    "black beside ramp": (
        "value: 0.8}]}",
        "value: 0.8}], black: 1}",
        "17:75: layers[0].vary.size.black: found beside ramp; allowed: only beside map",
    ),
    "unknown key of a stop": (
        "cheek, value: 0.8",
        "cheek, valu: 0.8",
        "17:61: layers[0].vary.size.ramp[1].valu: unknown key; allowed: at, value; did you mean 'value'?",
    ),
    "no such picture": (
        "depth.<UDIM>.png, black",
        "deep.<UDIM>.png, black",
        "18:19: layers[0].vary.gain.map: found no tile 'deep.<UDIM>.png'; allowed: a file that exists, relative to "
        "the recipe's folder; did you mean 'depth.<UDIM>.png'?",
    ),
    "something else that varies": (
        "      gain: {map",
        "      turn: {map",
        "18:7: layers[0].vary.turn: unknown key; allowed: gain, size",
    ),
}


@pytest.mark.parametrize("name", ONE_MISTAKE)
def test_one_mistake_is_one_exact_line(name, folder):
    old, new, told = ONE_MISTAKE[name]
    assert GOOD.count(old) == 1
    with pytest.raises(RecipeError) as caught:
        parse_recipe(GOOD.replace(old, new), folder, "face.yaml")
    assert caught.value.findings == [f"face.yaml:{told}"]


def test_the_schema_agrees(folder):
    schema = recipe_schema()
    recipe = {
        "poredepth": 1,
        "mesh": {"file": "head.obj", "unit": "cm"},
        "patches": {"fine": {"file": "fine.tif", "texel_um": 10, "height_um": 120}},
    }

    def valid(**layer):
        return jsonschema.Draft202012Validator(schema).is_valid({**recipe, "layers": [{"name": "x", **layer}]})

    scatter = {"place": "scatter", "print_mm": 9}
    assert valid(patch="fine", **scatter)
    assert valid(patches={"fine": 1}, **scatter)
    assert not valid(patch="fine", patches={"fine": 1}, **scatter)
    assert not valid(patches={"fine": 1}, place="spread", region="face")
    assert valid(patch="fine", vary={"gain": {"map": "x.png", "black": 0.5}}, **scatter)
    assert not valid(patch="fine", vary={"gain": {"black": 0.5}}, **scatter)
    assert valid(
        patch="fine", vary={"size": {"ramp": [{"at": "a", "value": 1}, {"at": [0, 0, 1], "value": 2}]}}, **scatter
    )
