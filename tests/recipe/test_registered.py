"""Keys of registered layers: what is taken, one exact line for each mistake, and the schema that agrees."""

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from poredepth.errors import RecipeError
from poredepth.recipe import input_files, parse_recipe, recipe_from_dict, recipe_hash, recipe_schema

GOOD = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
patches:
  scan_l: {file: scan_l.png, mask: scan_l_mask.png, texel_um: 20, height_um: 400, consent: signed}
layers:
  - &scan
    name: scan of left cheek
    patch: scan_l
    place: registered
    tie_points:
      - {px: [812, 640], at: [-3.1, 1.0, 7.7]}
      - {px: [120.5, 90], at: [-4.9, 3.2, 6.1]}
      - {px: [1403, 102], at: [-2.2, 3.0, 8.2]}
    feather_mm: 4
  - <<: *scan
    name: the same on the right
    mirror: x
"""


@pytest.fixture
def folder(tmp_path):
    for name in ("head.obj", "scan_l.png", "scan_l_mask.png"):
        (tmp_path / name).write_bytes(name.encode())
    return tmp_path


def test_good_recipe_has_its_values_and_defaults(folder):
    recipe = parse_recipe(GOOD, folder)
    left, right = recipe.layers
    assert left.kind == "patch" and left.place == "registered"
    assert left.tie_points[0].px == (812.0, 640.0) and left.tie_points[0].at == (-3.1, 1.0, 7.7)
    assert (left.feather_mm, left.mirror, right.mirror) == (4.0, None, "x")
    assert right.tie_points == left.tie_points
    assert parse_recipe(GOOD.replace("    feather_mm: 4\n", ""), folder).layers[0].feather_mm == 5.0
    assert recipe_from_dict(recipe.model_dump(), folder) == recipe
    assert recipe.patches["scan_l"].mask == "scan_l_mask.png"


ONE_MISTAKE = {
    "too few": (
        "      - {px: [1403, 102], at: [-2.2, 3.0, 8.2]}\n",
        "",
        "face.yaml:11:7: layers[0].tie_points: found a list of 2; allowed: a list of at least three tie points "
        "{px: [x, y], at: [x, y, z]}",
    ),
    "none": (
        GOOD[GOOD.index("    tie_points") : GOOD.index("    feather_mm")],
        "",
        "face.yaml:6:5: layers[0].tie_points: missing; allowed: a list of at least three tie points "
        "{px: [x, y], at: [x, y, z]}",
    ),
    "three numbers for a pixel": (
        "[120.5, 90]",
        "[120.5, 90, 3]",
        "face.yaml:12:14: layers[0].tie_points[1].px: found a list of 3; allowed: two numbers [x, y]",
    ),
    "two numbers for a point": (
        "[-4.9, 3.2, 6.1]",
        "[-4.9, 3.2]",
        "face.yaml:12:31: layers[0].tie_points[1].at: found a list of 2; allowed: three numbers [x, y, z], or "
        "the name of a landmark",
    ),
    "misspelt key of a tie point": (
        "{px: [1403",
        "{pix: [1403",
        "face.yaml:13:10: layers[0].tie_points[2].pix: unknown key; allowed: px, at; did you mean 'px'?",
    ),
    "missing key of a tie point": (
        "{px: [812, 640], ",
        "{",
        "face.yaml:11:9: layers[0].tie_points[0].px: missing; allowed: two numbers [x, y]",
    ),
    "not a tie point": (
        "      - {px: [812, 640], at: [-3.1, 1.0, 7.7]}",
        "      - 812",
        "face.yaml:11:9: layers[0].tie_points[0]: found 812; allowed: a mapping with px, at",
    ),
    "a negative feather": (
        "feather_mm: 4",
        "feather_mm: -4",
        "face.yaml:14:17: layers[0].feather_mm: found -4; allowed: a number of 0 or more, in mm",
    ),
    "no such mask": (
        "mask: scan_l_mask.png",
        "mask: scan_mask.png",
        "face.yaml:4:36: patches.scan_l.mask: found no file 'scan_mask.png'; allowed: a file that exists, relative to "
        "the recipe's folder; did you mean 'scan_l_mask.png'?",
    ),
}


@pytest.mark.parametrize("name", ONE_MISTAKE)
def test_one_mistake_is_one_exact_line(name, folder):
    """The same mistake in the layer that takes it over is told too, at the same line."""
    old, new, expected = ONE_MISTAKE[name]
    assert GOOD.count(old) == 1
    with pytest.raises(RecipeError) as caught:
        parse_recipe(GOOD.replace(old, new), folder, "face.yaml")
    twin = [line for line in caught.value.findings if "layers[1]" in line]
    assert [line for line in caught.value.findings if line not in twin] == [expected]
    assert len(twin) == (0 if "patches" in expected else 1)


def test_mirror_and_keys_of_other_places(folder):
    def found(old, new):
        with pytest.raises(RecipeError) as caught:
            parse_recipe(GOOD.replace(old, new), folder, "face.yaml")
        return caught.value.findings

    assert found("mirror: x", "mirror: left") == ["face.yaml:17:13: layers[1].mirror: found 'left'; allowed: x, y, z"]
    assert found("    mirror: x", "    print_mm: 9") == [
        "face.yaml:17:5: layers[1].print_mm: found with place: registered; allowed: only with place: scatter"
    ]
    assert found("    mirror: x", "    place: scatter\n    print_mm: 9") == [
        f"face.yaml:{line}: layers[1].{key}: found with place: scatter; allowed: only with place: registered"
        for line, key in (("10:5", "tie_points"), ("14:5", "feather_mm"))
    ]
    assert found("    place: registered", "    place: register")[0] == (
        "face.yaml:9:12: layers[0].place: found 'register'; allowed: scatter, spread, registered; did you mean "
        "'registered'?"
    )


def test_the_mask_is_part_of_the_hash(folder):
    recipe = parse_recipe(GOOD, folder)
    assert [key for key, _ in input_files(recipe)] == ["mesh.file", "patches.scan_l.file", "patches.scan_l.mask"]
    before = recipe_hash(recipe)
    (folder / "scan_l_mask.png").write_bytes(b"another mask")
    assert recipe_hash(recipe) != before
    moved = parse_recipe(GOOD.replace("[812, 640]", "[812, 641]"), folder)
    assert recipe_hash(moved) != recipe_hash(recipe)


def test_schema_takes_and_refuses_the_same():
    validator = Draft202012Validator(recipe_schema())
    yaml = YAML(typ="safe")
    assert list(validator.iter_errors(yaml.load(GOOD))) == []
    for name in set(ONE_MISTAKE) - {"no such mask"}:
        old, new, _ = ONE_MISTAKE[name]
        assert not validator.is_valid(yaml.load(GOOD.replace(old, new))), name
    for new in ("mirror: left", "print_mm: 9", "scale_mm: 2", "along_ratio: 2"):
        assert not validator.is_valid(yaml.load(GOOD.replace("mirror: x", new))), new
