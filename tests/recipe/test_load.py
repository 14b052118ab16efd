"""Findings of a recipe: the exact line for one mistake each, and all of them at once where there are several.

Lines and columns are 1-based, as editors show them (common practice, no source); one test checks them against the
words that stand there.
"""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poredepth.errors import RecipeError
from poredepth.recipe import Recipe, load_recipe, parse_recipe, recipe_from_dict
from poredepth.recipe.model_layers import TiePoint

GOOD = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
seed: 7
directions:
  - {points: [[-4, 12, 8], [0, 12.4, 9]]}
  - {file: guides.obj}
regions:
  forehead: {group: forehead, feather_mm: 8}
  nose: {center: [0, 3.1, 9.8], radius_mm: 18}
  cheek: {mask: masks/cheek.png}
  face: {union: [forehead, nose, cheek]}
  rest: {subtract: [face, nose]}
patches:
  pores: {file: patches/pores.tif, texel_um: 10, height_um: 120}
layers:
  - {name: sculpt, map: sculpt.<UDIM>.exr, scale_mm: 2.0}
  - name: cheek pores
    patch: pores
    region: cheek
    place: scatter
    print_mm: 9
output: {size_px: 8192, format: exr-float, unit: mm}
"""
FILES = ("head.obj", "guides.obj", "masks/cheek.png", "patches/pores.tif", "sculpt.1001.exr", "sculpt.1012.exr")


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("head")
    for name in FILES:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(name.encode())
    return folder


def findings(text, folder):
    with pytest.raises(RecipeError) as caught:
        parse_recipe(text, folder, "face.yaml")
    assert str(caught.value) == "\n".join(caught.value.findings)
    return caught.value.findings


def test_good_recipe_has_its_values_and_defaults(folder):
    recipe = parse_recipe(GOOD, folder)
    assert recipe.folder == folder and recipe.file is None
    assert recipe.regions["forehead"].feather_mm == 8.0
    assert recipe.regions["nose"].feather_mm == 5.0 and recipe.regions["cheek"].feather_mm is None
    assert recipe.regions["nose"].center == (0.0, 3.1, 9.8)
    assert [recipe.regions[name].kind for name in recipe.regions] == ["group", "center", "mask", "union", "subtract"]
    assert recipe.patches["pores"].zero == 0.5 and recipe.patches["pores"].invert is False
    assert [layer.kind for layer in recipe.layers] == ["map", "patch"]
    assert recipe.layers[1].effective_overlap_mm == 0.45
    assert recipe.output.effective_gutter_px == 64


ONE_MISTAKE = {
    "unknown region": (
        "    region: cheek",
        "    region: chek",
        "face.yaml:19:13: layers[1].region: unknown region 'chek'; allowed: forehead, nose, cheek, face, rest; "
        "did you mean 'cheek'?",
    ),
    "unknown key": (
        "group: forehead, feather_mm: 8",
        "group: forehead, fether_mm: 8",
        "face.yaml:8:31: regions.forehead.fether_mm: unknown key; allowed: group, mask, center, radius_mm, part, "
        "union, intersect, subtract, feather_mm; did you mean 'feather_mm'?",
    ),
    "missing key": (
        "mesh: {file: head.obj, unit: cm}",
        "mesh: {file: head.obj}",
        "face.yaml:2:1: mesh.unit: missing; allowed: um, mm, cm, m, in",
    ),
    "misspelt required key": (
        "head.obj, unit: cm",
        "head.obj, units: cm",
        "face.yaml:2:24: mesh.units: unknown key; allowed: file, unit, subdivide; did you mean 'unit'?",
    ),
    "wrong type": (
        "texel_um: 10",
        'texel_um: "10"',
        "face.yaml:14:46: patches.pores.texel_um: found '10'; allowed: a number above 0, in um",
    ),
    "out of range": (
        "print_mm: 9",
        "print_mm: 0.9",
        "face.yaml:21:15: layers[1].print_mm: found 0.9; allowed: a number of at least 1, in mm",
    ),
    "not one of": (
        "format: exr-float",
        "format: exr",
        "face.yaml:22:33: output.format: found 'exr'; allowed: exr-float, exr-half, tiff-float, tiff-16, png-16; "
        "did you mean 'exr-float'?",
    ),
    "two sources": (
        "{mask: masks/cheek.png}",
        "{mask: masks/cheek.png, group: cheek}",
        "face.yaml:10:34: regions.cheek.group: found beside mask; allowed: exactly one of group, mask, center, part, "
        "union, intersect, subtract",
    ),
    "no source": (
        "{mask: masks/cheek.png}",
        "{feather_mm: 3}",
        "face.yaml:10:3: regions.cheek: none of group, mask, center, part, union, intersect, subtract; allowed: "
        "exactly one of group, mask, center, part, union, intersect, subtract",
    ),
    "center without radius": (
        "9.8], radius_mm: 18",
        "9.8]",
        "face.yaml:9:3: regions.nose.radius_mm: missing; allowed: a number above 0, in mm, beside center",
    ),
    "feather on a set": (
        "nose, cheek]",
        "nose, cheek], feather_mm: 2",
        "face.yaml:11:42: regions.face.feather_mm: found beside union; allowed: only with group, mask, center "
        "or part (feather the regions named)",
    ),
    "key of a map in a patch layer": (
        "    print_mm: 9",
        "    print_mm: 9\n    scale_mm: 2",
        "face.yaml:22:5: layers[1].scale_mm: found beside patch; allowed: only in a layer with map (the patch has its "
        "own calibration)",
    ),
    "map without its scale": (
        ", scale_mm: 2.0",
        "",
        "face.yaml:16:5: layers[0].scale_mm: missing; allowed: a number above 0, in mm: the height of one full unit "
        "of the map",
    ),
    "overlap wider than a print": (
        "    print_mm: 9",
        "    print_mm: 9\n    overlap_mm: 10",
        "face.yaml:22:17: layers[1].overlap_mm: found 10; allowed: at most print_mm, which is 9",
    ),
    "unknown patch": (
        "patch: pores",
        "patch: pore",
        "face.yaml:18:12: layers[1].patch: unknown patch 'pore'; allowed: pores; did you mean 'pores'?",
    ),
    "layer name twice": (
        "name: cheek pores",
        "name: sculpt",
        "face.yaml:17:11: layers[1].name: found 'sculpt', which is also layers[0]; allowed: a name of its own",
    ),
    "circle of regions": (
        "union: [forehead, nose, cheek]",
        "union: [forehead, rest]",
        "face.yaml:12:21: regions.rest.subtract[0]: regions in a circle: face > rest > face; allowed: regions that do "
        "not lead back to themselves",
    ),
    "missing file": (
        "head.obj",
        "haed.obj",
        "face.yaml:2:14: mesh.file: found no file 'haed.obj'; allowed: a file that exists, relative to the recipe's "
        "folder; did you mean 'head.obj'?",
    ),
    "file in another folder": (
        "patches/pores.tif",
        "pores.tif",
        "face.yaml:14:17: patches.pores.file: found no file 'pores.tif'; allowed: a file that exists, relative to the "
        "recipe's folder; did you mean 'patches/pores.tif'?",
    ),
    "no tile": (
        "sculpt.<UDIM>.exr",
        "sclpt.<UDIM>.exr",
        "face.yaml:16:25: layers[0].map: found no tile 'sclpt.<UDIM>.exr'; allowed: a file that exists, relative to "
        "the recipe's folder; did you mean 'sculpt.<UDIM>.exr'?",
    ),
    "two numbers of a point": (
        "[0, 12.4, 9]",
        "[0, 12.4]",
        "face.yaml:5:28: directions[0].points[1]: found a list of 2; allowed: three numbers [x, y, z], "
        "or the name of a landmark",
    ),
    "one point": (
        ", [0, 12.4, 9]]",
        "]",
        "face.yaml:5:14: directions[0].points: found a list of 1; allowed: a list of at least two points [x, y, z]",
    ),
    "nothing after a key": (
        "    region: cheek",
        "    region:",
        "face.yaml:19:5: layers[1].region: found nothing; allowed: text",
    ),
    "key twice": (
        "seed: 7",
        "seed: 7\nseed: 8",
        "face.yaml:4:1: seed: key found again, first on line 3; allowed: each key once",
    ),
    "a number as a name": (
        "  rest:",
        "  12:",
        "face.yaml:12:3: regions: found 12 as a key; allowed: text (put it in quotes)",
    ),
    "not finite": (
        "size_px: 8192",
        "mid: .inf",
        "face.yaml:22:15: output.mid: found inf, which is not finite; allowed: a number",
    ),
    "another version": (
        "poredepth: 1",
        "poredepth: 2",
        "face.yaml:1:12: poredepth: found 2; allowed: 1, the version of recipes this program reads",
    ),
    "version as text": ("poredepth: 1", "poredepth: '1'", "face.yaml:1:12: poredepth: found '1'; allowed: 1"),
    "a tag": (
        "unit: cm}",
        "unit: !unit cm}",
        "face.yaml:2:30: mesh.unit: found the tag '!unit'; allowed: values without a tag",
    ),
}
# what stands at the line and column of each line above
POINTED = {
    "unknown region": "chek\n",
    "unknown key": "fether_mm: 8",
    "missing key": "mesh: ",
    "misspelt required key": "units: ",
    "wrong type": '"10"',
    "out of range": "0.9\n",
    "not one of": "exr,",
    "two sources": "group: cheek",
    "no source": "cheek: {",
    "center without radius": "nose: {",
    "feather on a set": "feather_mm: 2",
    "key of a map in a patch layer": "scale_mm: 2\n",
    "map without its scale": "{name: sculpt,",
    "overlap wider than a print": "10\n",
    "unknown patch": "pore\n",
    "layer name twice": "sculpt\n",
    "circle of regions": "face, nose]",
    "missing file": "haed.obj",
    "file in another folder": "pores.tif,",
    "no tile": "sclpt.",
    "two numbers of a point": "[0, 12.4]]",
    "one point": "[[-4, 12, 8]]",
    "nothing after a key": "region:\n",
    "key twice": "seed: 8\n",
    "a number as a name": "12: {",
    "not finite": ".inf,",
    "another version": "2\n",
    "version as text": "'1'\n",
    "a tag": "!unit cm}",
}


@pytest.mark.parametrize("name", ONE_MISTAKE)
def test_one_mistake_is_one_exact_line(name, folder):
    old, new, expected = ONE_MISTAKE[name]
    assert GOOD.count(old) == 1
    assert findings(GOOD.replace(old, new), folder) == [expected]


@pytest.mark.parametrize("name", ONE_MISTAKE)
def test_line_and_column_are_where_the_word_stands(name):
    old, new, expected = ONE_MISTAKE[name]
    line, column = map(int, expected.split(":")[1:3])
    assert GOOD.replace(old, new).splitlines(keepends=True)[line - 1][column - 1 :].startswith(POINTED[name])


@pytest.mark.parametrize("name", ONE_MISTAKE)
def test_windows_line_ends_and_byte_order_mark_change_nothing(name, folder):
    old, new, expected = ONE_MISTAKE[name]
    text = "\ufeff" + GOOD.replace(old, new).replace("\n", "\r\n")
    assert findings(text, folder) == [expected]


def test_several_mistakes_come_all_at_once_in_the_order_of_the_file(folder):
    text = """\
# several mistakes
poredepth: 1
mesh: {file: haed.obj, unit: mm}
seed: -1
regions:
  nose:
    radius_mm: 0
    center: [0, 3, nine]
  cheek:
    union: [noze, cheek]
layers:
  - name: pores
    place: scatter
    patch: pores
    region: chin
    print_mm: 300 mm
output:
  size_px: 8k
  mid: .nan
  sise_px: 8
"""
    file = "allowed: a file that exists, relative to the recipe's folder"
    assert findings(text, folder) == [
        f"face.yaml:3:14: mesh.file: found no file 'haed.obj'; {file}; did you mean 'head.obj'?",
        "face.yaml:4:7: seed: found -1; allowed: a whole number of 0 or more",
        "face.yaml:7:16: regions.nose.radius_mm: found 0; allowed: a number above 0, in mm",
        "face.yaml:8:20: regions.nose.center[2]: found 'nine'; allowed: a number",
        "face.yaml:10:13: regions.cheek.union[0]: unknown region 'noze'; allowed: nose; did you mean 'nose'?",
        "face.yaml:10:19: regions.cheek.union[1]: regions in a circle: cheek > cheek; allowed: regions that do not "
        "lead back to themselves",
        "face.yaml:14:12: layers[0].patch: unknown patch 'pores'; allowed: none (there are no patches)",
        "face.yaml:15:13: layers[0].region: unknown region 'chin'; allowed: nose, cheek",
        "face.yaml:16:15: layers[0].print_mm: found '300 mm'; allowed: a number of at least 1, in mm",
        "face.yaml:18:12: output.size_px: found '8k'; allowed: a whole number from 16 to 32768, in pixels",
        "face.yaml:19:8: output.mid: found nan, which is not finite; allowed: a number",
        "face.yaml:20:3: output.sise_px: unknown key; allowed: size_px, format, unit, scene_unit, scene_unit_mm, "
        "compression, mid, scale_mm, clip, headroom, gutter_px, fill_gaps, seams; did you mean 'size_px'?",
    ]


MERGED = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
patches:
  pores: {file: patches/pores.tif, texel_um: 10, height_um: 120}
layers:
  - &first
    name: pores
    patch: pores
    place: scatter
    print_mm: 9
  - <<: *first
    name: more pores
    print_mm: 12
"""


def test_anchors_and_merges_are_read_and_own_keys_win(folder):
    layers = parse_recipe(MERGED, folder).layers
    assert [(layer.name, layer.patch, layer.print_mm) for layer in layers] == [
        ("pores", "pores", 9.0),
        ("more pores", "pores", 12.0),
    ]


def test_findings_in_merged_parts_point_at_the_line_that_says_it(folder):
    text = MERGED.replace("place: scatter", "place: scater").replace("print_mm: 12", "print_mm: none")
    found = "found 'scater'; allowed: scatter, spread, registered; did you mean 'scatter'?"
    assert findings(text, folder) == [
        f"face.yaml:9:12: layers[0].place: {found}",
        f"face.yaml:9:12: layers[1].place: {found}",
        "face.yaml:13:15: layers[1].print_mm: found 'none'; allowed: a number of at least 1, in mm",
    ]


NOT_A_RECIPE = {
    "": "1:1: recipe: an empty recipe; allowed: keys and values, starting with poredepth: 1",
    "# only a comment\n": "1:1: recipe: an empty recipe; allowed: keys and values, starting with poredepth: 1",
    "\n- 1\n- 2\n": "2:1: recipe: found a list of 2; allowed: keys and values, starting with poredepth: 1",
    "mesh: {file: a\nseed: 1\n": "2:5: recipe: not YAML: expected ',' or '}', but got ':' (while parsing a flow "
    "mapping that starts on line 1); allowed: YAML 1.2 (key: value, indented with spaces)",
    "a: 1\nb: c: d\n": "2:5: recipe: not YAML: mapping values are not allowed here; allowed: YAML 1.2 (key: value, "
    "indented with spaces)",
    "a: *b\n": "1:4: recipe: not YAML: found undefined alias 'b'; allowed: YAML 1.2 (key: value, indented with spaces)",
    "a: 1\nb: \x07\n": "2:4: recipe: not YAML: the character U+0007; allowed: YAML 1.2 (key: value, "
    "indented with spaces)",
    "[" * 5000: "1:1: recipe: not YAML: nested too deeply; allowed: YAML 1.2 (key: value, indented with spaces)",
}


@pytest.mark.parametrize("text", NOT_A_RECIPE)
def test_text_that_is_no_recipe_is_one_line(text, folder):
    assert findings(text, folder) == [f"face.yaml:{NOT_A_RECIPE[text]}"]


def test_files_that_cannot_be_read(folder):
    (folder / "latin.yaml").write_bytes("poredepth: 1\nmesh: {file: h\u00e4d.obj, unit: cm}\n".encode("latin-1"))
    for name, expected in {
        "latin.yaml": "2:15: recipe: found the byte 0xE4, which is not UTF-8; allowed: text saved as UTF-8",
        "latn.yaml": "1:1: recipe: found no such file; allowed: a recipe file that exists; did you mean 'latin.yaml'?",
    }.items():
        with pytest.raises(RecipeError) as caught:
            load_recipe(folder / name)
        assert caught.value.findings == [f"{folder / name}:{expected}"]
    with pytest.raises(RecipeError, match="found a file that cannot be read"):
        load_recipe(folder)


def test_load_knows_file_and_folder_and_takes_paths_from_there(folder, monkeypatch):
    (folder / "face.yaml").write_text(GOOD, encoding="utf-8")
    recipe = load_recipe(folder / "face.yaml")
    assert (recipe.file, recipe.folder) == (folder / "face.yaml", folder)
    assert recipe.path(recipe.mesh.file).read_bytes() == b"head.obj"
    monkeypatch.chdir(folder)
    assert load_recipe("face.yaml").path("head.obj").is_file()


def test_yaml_1_2_words_and_numbers(folder):
    recipe = parse_recipe(GOOD.replace("seed: 7", "seed: 010").replace("radius_mm: 18", "radius_mm: 1e1"), folder)
    assert recipe.seed == 10 and recipe.regions["nose"].radius_mm == 10.0  # YAML 1.2.2, section 10.3.2
    assert findings(GOOD.replace("height_um: 120", "height_um: 120, invert: no"), folder) == [
        "face.yaml:14:74: patches.pores.invert: found 'no'; allowed: true or false"
    ]


def test_dict_gets_the_same_checks(folder):
    recipe = parse_recipe(GOOD, folder)
    assert recipe_from_dict(recipe.model_dump(), folder) == recipe
    assert recipe_from_dict(dict(recipe), folder) == recipe  # its parts as models
    data = {
        "poredepth": 1,
        "mesh": {"file": folder / "head.obj", "unit": "cm"},
        "layers": [{"name": "a", "patch": "b", "place": "scatter", "print_mm": 5, "region": None}],
    }
    with pytest.raises(RecipeError) as caught:
        recipe_from_dict(data, folder)
    assert caught.value.findings == ["recipe: layers[0].patch: unknown patch 'b'; allowed: none (there are no patches)"]
    with pytest.raises(RecipeError, match="found 1 as a key"):
        recipe_from_dict({1: 2}, folder)


def test_recipe_is_frozen_and_refuses_broken_rules_in_python():
    recipe = Recipe.model_validate({"poredepth": 1, "mesh": {"file": "head.obj", "unit": "cm"}})
    with pytest.raises(ValueError, match="frozen"):
        recipe.seed = 3
    with pytest.raises(ValueError, match="radius_mm: missing; allowed: a number above 0, in mm, beside center"):
        Recipe.model_validate(recipe.model_dump() | {"regions": {"a": {"center": [0, 0, 0]}}})


CHARACTERS = st.sampled_from(list("{}[]:,-#&*!|>'\"%@`~<? \t\n\r019.e_axyz/\\\x00\x07\u00e9\u2028"))
MUTATIONS = st.lists(
    st.tuples(st.integers(0, len(GOOD)), st.integers(0, 6), st.text(CHARACTERS, max_size=4)), min_size=1, max_size=4
)


@settings(max_examples=400, deadline=None)
@given(mutations=MUTATIONS)
def test_no_mutation_raises_anything_but_a_recipe_error(mutations, folder):
    text = GOOD
    for start, length, new in mutations:
        text = text[:start] + new + text[start + length :]
    try:
        parse_recipe(text, folder, "face.yaml")
    except RecipeError as error:
        assert error.findings
        places = [tuple(map(int, finding.split(":")[1:3])) for finding in error.findings]
        assert places == sorted(places)
        assert all(len(finding.splitlines()) == 1 and "; allowed: " in finding for finding in error.findings)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.sampled_from([10**400, "nose"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4) | st.integers(), inner, max_size=3),
    max_leaves=5,
)
PLACES = st.sampled_from(
    [
        (),
        ("mesh",),
        ("mesh", "unit"),
        ("seed",),
        ("directions",),
        ("directions", 0),
        ("directions", 0, "points"),
        ("regions",),
        ("regions", "nose"),
        ("regions", "nose", "center"),
        ("regions", "face", "union"),
        ("patches",),
        ("patches", "pores"),
        ("patches", "pores", "zero"),
        ("layers",),
        ("layers", 0),
        ("layers", 1, "region"),
        ("layers", 1, "overlap_mm"),
        ("layers", 1, "extra"),
        ("output",),
        ("output", "mid"),
    ]
)


@settings(max_examples=300, deadline=None)
@given(place=PLACES, value=VALUES)
def test_no_value_in_a_dict_raises_anything_but_a_recipe_error(place, value, folder):
    data = parse_recipe(GOOD, folder).model_dump(exclude_unset=True)
    node = data
    for step in place[:-1]:
        node = node[step]
    if place:
        node[place[-1]] = value
    else:
        data = value
    try:
        recipe_from_dict(data, folder)
    except RecipeError as error:
        assert error.findings and all(len(finding.splitlines()) == 1 for finding in error.findings)


def test_the_example_of_the_reference_loads(tmp_path):
    page = (Path(__file__).parents[2] / "docs" / "recipe.md").read_text(encoding="utf-8")
    example = page.split("```yaml\n")[1].split("```")[0]
    for name in ("head.obj", "masks/cheek.1001.png", "patches/cheek_pores.tif", "sculpt.1001.exr"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    recipe = parse_recipe(example, tmp_path)
    assert [layer.name for layer in recipe.layers] == ["sculpt", "pores"]
    for spec in (
        Recipe,
        type(recipe.mesh),
        type(recipe.regions["nose"]),
        type(recipe.layers[0]),
        TiePoint,
        type(recipe.patches["cheek pores"]),
        type(recipe.directions[0]),
        type(recipe.output),
    ):
        assert all(f"| `{key}` |" in page for key in spec.model_fields), spec
