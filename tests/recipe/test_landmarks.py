"""Landmarks and head files: names stand for points, one look serves many heads, mistakes are told where they stand."""

import json

import jsonschema
import pytest

from poredepth.errors import RecipeError
from poredepth.recipe import input_files, load_recipe, recipe_from_dict, recipe_hash, recipe_schema

LOOK = """\
poredepth: 1
head: heads/anna.yaml
directions:
  - {points: [nasion, nose_tip]}
regions:
  nose: {center: nose_tip, radius_mm: 16}
  brow: {center: [0, 2, 9], radius_mm: 9}
patches:
  pores: {file: pores.tif, texel_um: 10, height_um: 120}
layers:
  - {name: pores, patch: pores, region: nose, place: scatter, print_mm: 9}
"""
ANNA = """\
mesh: {file: anna.obj, unit: cm}
landmarks:
  nose_tip: [0, -4, 11.4]
  nasion: [0, 0.5, 9]
regions:
  brow: {mask: brow.png}
directions:
  - {file: guides.obj}
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "heads").mkdir()
    for name in ("pores.tif", "heads/anna.obj", "heads/brow.png", "heads/guides.obj", "heads/ben.obj"):
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "look.yaml").write_text(LOOK)
    (tmp_path / "heads/anna.yaml").write_text(ANNA)
    return tmp_path


def findings(folder, look=LOOK, anna=ANNA):
    (folder / "look.yaml").write_text(look)
    (folder / "heads/anna.yaml").write_text(anna)
    with pytest.raises(RecipeError) as caught:
        load_recipe(folder / "look.yaml")
    return [line.replace(f"{folder}/", "") for line in caught.value.findings]


def test_a_look_and_a_head_make_one_recipe(folder):
    recipe = load_recipe(folder / "look.yaml")
    assert recipe.regions["nose"].center == (0, -4, 11.4)
    assert recipe.directions[0].points == [(0, 0.5, 9), (0, -4, 11.4)]
    assert recipe.regions["brow"].mask == "heads/brow.png"
    assert recipe.regions["brow"].center is None
    assert [path.relative_to(folder).as_posix() for _, path in input_files(recipe)] == [
        "heads/anna.obj",
        "heads/guides.obj",
        "heads/brow.png",
        "pores.tif",
    ]


def test_the_hash_is_that_of_the_same_recipe_written_out(folder):
    with_head = load_recipe(folder / "look.yaml")
    (folder / "flat.yaml").write_text(
        LOOK.replace("head: heads/anna.yaml\n", "mesh: {file: heads/anna.obj, unit: cm}\n")
        .replace("[nasion, nose_tip]}\n", "[[0, 0.5, 9], [0, -4, 11.4]]}\n  - {file: heads/guides.obj}\n")
        .replace("center: nose_tip", "center: [0, -4, 11.4]")
        .replace("brow: {center: [0, 2, 9], radius_mm: 9}", "brow: {mask: heads/brow.png}")
        + "landmarks: {nose_tip: [0, -4, 11.4], nasion: [0, 0.5, 9]}\n"
    )
    assert recipe_hash(load_recipe(folder / "flat.yaml")) == recipe_hash(with_head)
    (folder / "heads/anna.yaml").write_text(ANNA.replace("11.4", "11.5"))
    assert recipe_hash(load_recipe(folder / "look.yaml")) != recipe_hash(with_head)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            "directions:\n  - {file: guides.obj}",
            "directions: {file: guides.obj}",
            "heads/anna.yaml:7:13: directions: found a mapping; allowed: a list, each entry with a dash",
        ),
        (
            "directions:\n  - {file: guides.obj}",
            "directions:",
            "heads/anna.yaml:7:1: directions: found nothing; allowed: a list, each entry with a dash",
        ),
        (
            "regions:\n  brow: {mask: brow.png}",
            "regions: [brow]",
            "heads/anna.yaml:5:10: regions: found a list of 1; allowed: a mapping of names",
        ),
    ],
)
def test_parts_of_a_head_file_of_the_wrong_kind_are_told(folder, old, new, told):
    assert ANNA.count(old) == 1
    assert findings(folder, anna=ANNA.replace(old, new)) == [told]


def test_an_empty_part_of_the_look_beside_the_heads_is_told_in_the_look(folder):
    found = findings(folder, LOOK + "landmarks:\n")
    assert "look.yaml:12:1: landmarks: found here and in heads/anna.yaml; allowed: in one of the two" in found
    assert not [line for line in found if line.startswith("heads/")]


def test_unknown_landmarks_are_told_with_the_likely_name(folder):
    look = LOOK.replace("center: nose_tip", "center: nosetip").replace("[nasion,", "[naison,")
    assert findings(folder, look) == [
        "look.yaml:4:15: directions[0].points[0]: unknown landmark 'naison'; allowed: three numbers [x, y, z], or a "
        "landmark: nose_tip, nasion; did you mean 'nasion'?",
        "look.yaml:6:18: regions.nose.center: unknown landmark 'nosetip'; allowed: three numbers [x, y, z], or a "
        "landmark: nose_tip, nasion; did you mean 'nose_tip'?",
    ]


def test_mistakes_in_the_head_file_are_told_there(folder):
    anna = ANNA.replace("unit: cm", "unit: c").replace("[0, -4, 11.4]", "[0, -4]").replace("guides.obj", "guide.obj")
    assert findings(folder, anna=anna + "layers: []\n") == [
        "heads/anna.yaml:1:30: mesh.unit: found 'c'; allowed: um, mm, cm, m, in; did you mean 'cm'?",
        "heads/anna.yaml:3:13: landmarks.nose_tip: found a list of 2; allowed: three numbers [x, y, z]",
        "heads/anna.yaml:8:12: directions[0].file: found no file 'heads/guide.obj'; allowed: a file that exists, "
        "relative to the recipe's folder; did you mean 'heads/guides.obj'?",
        "heads/anna.yaml:9:1: layers: unknown key; allowed: in a head file: mesh, landmarks, regions, directions",
    ]


def test_a_mesh_in_both_files_and_in_neither(folder):
    assert findings(folder, LOOK + "mesh: {file: heads/ben.obj, unit: cm}\n") == [
        "look.yaml:12:1: mesh: found here and in heads/anna.yaml; allowed: in one of the two"
    ]
    assert findings(folder, anna=ANNA.replace("mesh:", "mash:")) == [
        "look.yaml:1:1: mesh: missing; allowed: a mapping with file, unit, subdivide",
        "heads/anna.yaml:1:1: mash: unknown key; allowed: in a head file: mesh, landmarks, regions, directions; did "
        "you mean 'mesh'?",
    ]


@pytest.mark.parametrize(
    ("head", "told"),
    [
        ("heads/ana.yaml", "found no readable file 'heads/ana.yaml' (no such file or directory)"),
        ("3", "found 3"),
        ("heads", "found no readable file 'heads' (is a directory)"),
    ],
)
def test_a_head_file_that_is_not_there(folder, head, told):
    assert findings(folder, LOOK.replace("heads/anna.yaml", head))[0].startswith(
        f"look.yaml:2:7: head: {told}; allowed"
    )


def test_a_head_file_that_is_no_yaml_or_no_mapping(folder):
    assert findings(folder, anna="mesh: [")[0].startswith("heads/anna.yaml:1:")
    assert "heads/anna.yaml:1:1: recipe: found a list of 1" in findings(folder, anna="- mesh")[-1]


def test_dicts_take_landmarks_and_head_files_alike(folder):
    data = {"poredepth": 1, "head": "heads/anna.yaml", "regions": {"nose": {"center": "nose_tip", "radius_mm": 5}}}
    recipe = recipe_from_dict(data, folder)
    assert recipe.regions["nose"].center == (0, -4, 11.4)
    assert recipe_from_dict(recipe.model_dump(), folder) == recipe
    assert data["regions"]["nose"]["center"] == "nose_tip"


def test_the_schema_takes_names_and_head_files():
    schema = json.loads(json.dumps(recipe_schema()))
    jsonschema.Draft202012Validator.check_schema(schema)
    good = {"poredepth": 1, "head": "anna.yaml", "regions": {"nose": {"center": "nose_tip", "radius_mm": 5}}}
    jsonschema.validate(good, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"poredepth": 1}, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**good, "landmarks": {"a": "b"}}, schema)


def test_a_misspelt_standard_landmark_is_told_once_where_it_stands(folder):
    anna = ANNA.replace("nasion:", "nasoin:")
    assert findings(folder, anna=anna) == [
        "heads/anna.yaml:4:3: landmarks.nasoin: found a name that nearly is one; allowed: a standard landmark, or a "
        "name unlike theirs; did you mean 'nasion'?"
    ]


def test_a_head_file_given_as_a_recipe_is_told(folder):
    with pytest.raises(RecipeError, match=r":1:1: recipe: a head file, which holds no layers; allowed: a rec"):
        load_recipe(folder / "heads/anna.yaml")


def test_tie_points_and_rings_take_landmarks_too(folder):
    ties = "[{px: [1, 2], at: nose_tip}, {px: [30, 2], at: nasion}, {px: [5, 40], at: [1, 2, 3]}]"
    rings = "  - {around: nasion, radius_mm: 9, way: rings}\n"
    look = LOOK.replace("[nasion, nose_tip]}\n", "[nasion, nose_tip]}\n" + rings)
    look += f"  - {{name: scan, patch: pores, place: registered, tie_points: {ties}}}\n"
    (folder / "look.yaml").write_text(look)
    recipe = load_recipe(folder / "look.yaml")
    assert recipe.directions[1].around == (0, 0.5, 9)
    assert [tie.at for tie in recipe.layers[1].tie_points] == [(0, -4, 11.4), (0, 0.5, 9), (1, 2, 3)]
