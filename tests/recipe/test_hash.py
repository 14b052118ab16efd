"""The hash of a recipe: what must not change it, and what must."""

import hashlib
import json
import shutil

import pytest

from poredepth.errors import RecipeError
from poredepth.recipe import input_files, load_recipe, parse_recipe, recipe_from_dict, recipe_hash

RECIPE = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
directions: [{file: guides.obj}]
regions:
  cheek: {mask: masks/cheek.<UDIM>.png}
  nose: {group: nose}
patches:
  pores: {file: pores.tif, texel_um: 10, height_um: 120}
layers:
  - {name: sculpt, map: sculpt.<UDIM>.exr, scale_mm: 2}
  - {name: pores, patch: pores, region: cheek, place: scatter, print_mm: 9}
"""
# The same recipe: other order of keys, defaults written out, comments, block style.
SAME = """\
# the same
layers:
  - scale_mm: 2.0      # mm
    map: sculpt.<UDIM>.exr
    name: sculpt
    mid: 0.5
  - {print_mm: 9.0, place: scatter, region: cheek, patch: pores, name: pores, gain: 1, combine: add}
patches:
  pores: {height_um: 120, texel_um: 10.0, file: pores.tif, invert: false}
regions:
  nose: {feather_mm: 5, group: nose}
  cheek: {mask: masks/cheek.<UDIM>.png}
directions:
  - file: guides.obj
seed: 0
mesh: {unit: cm, file: head.obj}
poredepth: 1
"""
FILES = (
    "head.obj",
    "guides.obj",
    "pores.tif",
    "masks/cheek.1001.png",
    "sculpt.1001.exr",
    "sculpt.1012.exr",
    "sculpt.1002.exr",
)


@pytest.fixture
def folder(tmp_path):
    folder = tmp_path / "here"
    (folder / "masks").mkdir(parents=True)
    for name in FILES:
        (folder / name).write_bytes(b"bytes of " + name.encode())
    (folder / "sculpt.12.exr").write_bytes(b"not a tile")
    return folder


def test_order_comments_and_written_out_defaults_do_not_count(folder):
    first = recipe_hash(parse_recipe(RECIPE, folder))
    assert len(first) == 64 and int(first, 16) >= 0
    assert recipe_hash(parse_recipe(SAME, folder)) == first
    assert recipe_hash(recipe_from_dict(parse_recipe(SAME, folder).model_dump(), folder)) == first


def test_where_the_folder_lies_does_not_count(folder, tmp_path):
    first = recipe_hash(parse_recipe(RECIPE, folder))
    other = tmp_path / "another place" / "deeper"
    shutil.copytree(folder, other)
    (other / "face.yaml").write_text(RECIPE, encoding="utf-8")
    assert recipe_hash(load_recipe(other / "face.yaml")) == first


@pytest.mark.parametrize("name", FILES)
def test_every_byte_of_every_file_counts(name, folder):
    recipe = parse_recipe(RECIPE, folder)
    first, without_files = recipe_hash(recipe), recipe_hash(recipe, files=False)
    (folder / name).write_bytes(b"Bytes of " + name.encode())
    assert recipe_hash(recipe) != first
    assert recipe_hash(recipe, files=False) == without_files


@pytest.mark.parametrize(
    "old, new",
    [
        ("unit: cm", "unit: mm"),
        ("poredepth: 1\n", "poredepth: 1\nseed: 1\n"),
        ("print_mm: 9", "print_mm: 9.5"),
        ("group: nose", "group: nose, feather_mm: 4"),
        ("name: pores", "name: pore"),
    ],
)
def test_values_count(old, new, folder):
    assert recipe_hash(parse_recipe(RECIPE.replace(old, new), folder)) != recipe_hash(parse_recipe(RECIPE, folder))


def test_order_of_layers_counts(folder):
    lines = RECIPE.splitlines()
    swapped = "\n".join([*lines[:-2], lines[-1], lines[-2]])
    assert recipe_hash(parse_recipe(swapped, folder)) != recipe_hash(parse_recipe(RECIPE, folder))


def test_input_files_in_recipe_order_with_tiles_by_number(folder):
    assert input_files(parse_recipe(RECIPE, folder)) == [
        ("mesh.file", folder / "head.obj"),
        ("directions[0].file", folder / "guides.obj"),
        ("regions.cheek.mask", folder / "masks/cheek.1001.png"),
        ("patches.pores.file", folder / "pores.tif"),
        ("layers[0].map", folder / "sculpt.1001.exr"),
        ("layers[0].map", folder / "sculpt.1002.exr"),
        ("layers[0].map", folder / "sculpt.1012.exr"),
    ]


def test_hash_is_sha256_of_canonical_json(folder):
    """Source: FIPS 180-4 through hashlib; the JSON is written out here by hand.  Defaults do not count."""
    recipe = parse_recipe("poredepth: 1\nmesh: {file: head.obj, unit: cm}\n", folder)
    head = hashlib.sha256(b"bytes of head.obj").hexdigest()
    content = {
        "recipe": {"poredepth": 1, "mesh": {"file": "head.obj", "unit": "cm"}},
        "files": [["mesh.file", "head.obj", head]],
    }
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert recipe_hash(recipe) == hashlib.sha256(text.encode()).hexdigest()


def test_a_file_gone_since_loading_is_a_recipe_error(folder):
    recipe = parse_recipe(RECIPE, folder)
    (folder / "pores.tif").unlink()
    with pytest.raises(RecipeError, match="patches.pores.file: found no readable file"):
        recipe_hash(recipe)
