"""The file beside a patch's picture: what it may say, and what a recipe takes over from it."""

from __future__ import annotations

import pytest

from poredepth.errors import RecipeError
from poredepth.recipe import load_recipe, recipe_from_dict, recipe_hash
from poredepth.recipe.patchfile import own_patch_file, patch_file_of, read_patch_file

PATCH_FILE = """\
poredepth_patch: 1
file: cheek.tif
sha256: abcd
texel_um: 12.5
height_um: 1000
zero: 0
lay_deg: 30
source: own scan
licence: CC0
history:
  - "tilt taken off: 2.5 degrees"
texture: {sq_um: 12.5}
"""
RECIPE = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
patches:
  cheek: {file: cheek.tif}
"""


@pytest.fixture
def folder(tmp_path):
    for name in ("head.obj", "cheek.tif"):
        (tmp_path / name).touch()
    (tmp_path / "cheek.patch.yaml").write_text(PATCH_FILE)
    (tmp_path / "r.yaml").write_text(RECIPE)
    return tmp_path


def findings(folder, recipe):
    (folder / "r.yaml").write_text(recipe)
    with pytest.raises(RecipeError) as error:
        load_recipe(folder / "r.yaml")
    return [line.replace(f"{folder}/", "") for line in error.value.findings]


def test_a_recipe_takes_over_what_it_leaves_out(folder):
    spec = load_recipe(folder / "r.yaml").patches["cheek"]
    assert (spec.texel_um, spec.height_um, spec.zero, spec.lay_deg, spec.periodic) == (12.5, 1000, 0, 30, True)
    assert (spec.source, spec.licence, spec.consent, spec.sha256) == ("own scan", "CC0", None, "abcd")
    assert spec.history == ["tilt taken off: 2.5 degrees"]


def test_what_both_say_must_agree(folder):
    said = RECIPE.replace("cheek.tif}", "cheek.tif, texel_um: 12.5, height_um: 1000.0, lay_deg: 30, source: own scan}")
    (folder / "r.yaml").write_text(said)
    assert load_recipe(folder / "r.yaml").patches["cheek"].texel_um == 12.5
    assert findings(folder, RECIPE.replace("cheek.tif}", "cheek.tif, texel_um: 20, licence: MIT}")) == [
        "r.yaml:4:38: patches.cheek.texel_um: found 20, but cheek.patch.yaml says 12.5; allowed: one of the two (leave "
        "it out here, or change it there)",
        "r.yaml:4:51: patches.cheek.licence: found 'MIT', but cheek.patch.yaml says CC0; allowed: one of the two "
        "(leave it out here, or change it there)",
    ]


def test_a_sha_in_capitals_is_the_same(folder):
    (folder / "cheek.patch.yaml").write_text(PATCH_FILE.replace("abcd", "ab" * 32))
    (folder / "r.yaml").write_text(RECIPE.replace("cheek.tif}", f"cheek.tif, sha256: {'AB' * 32}}}"))
    assert load_recipe(folder / "r.yaml").patches["cheek"].sha256 == "AB" * 32


def test_terms_that_are_not_stated_may_be_added(folder):
    (folder / "r.yaml").write_text(RECIPE.replace("cheek.tif}", "cheek.tif, consent: signed 2026}"))
    assert load_recipe(folder / "r.yaml").patches["cheek"].consent == "signed 2026"


def test_without_it_the_calibration_is_asked_for(folder):
    (folder / "cheek.patch.yaml").unlink()
    beside = "; or a patch file beside the picture (NAME.patch.yaml), as poredepth patch makes"
    assert findings(folder, RECIPE) == [
        "r.yaml:4:3: patches.cheek.height_um: missing; allowed: a number above 0, in um: the height of one full unit "
        "of the picture's value" + beside,
        "r.yaml:4:3: patches.cheek.texel_um: missing; allowed: a number above 0, in um: the width of one pixel on the "
        "skin" + beside,
    ]


def test_that_of_another_picture_of_the_same_name_is_not_taken(folder):
    (folder / "cheek.png").touch()
    assert len(findings(folder, RECIPE.replace("cheek.tif", "cheek.png"))) == 2


def test_one_left_behind_by_a_new_name_is_told(folder):
    """Else its terms and its zero would be lost without a word."""
    (folder / "cheek.tif").rename(folder / "nose.tif")
    (folder / "cheek.patch.yaml").rename(folder / "nose.patch.yaml")
    assert findings(folder, RECIPE.replace("cheek.tif", "nose.tif, texel_um: 12.5, height_um: 1000")) == [
        "r.yaml:4:17: patches.cheek.file: found nose.patch.yaml beside it, which is of 'cheek.tif', and that is not "
        "there; allowed: 'nose.tif' as the file in it, or another name for it"
    ]


def test_which_picture_it_belongs_to(folder):
    beside = folder / "cheek.patch.yaml"
    (folder / "cheek.png").touch()
    assert own_patch_file(folder / "cheek.tif") == beside
    assert own_patch_file(folder / "cheek.png") is None
    assert own_patch_file(folder / "nose.tif") is None
    beside.write_text("poredepth_patch: [")
    assert own_patch_file(folder / "cheek.png") == beside


@pytest.mark.parametrize("name", [".", "/", "..", "a/"])
def test_what_is_no_name_of_a_file_is_a_finding(folder, name, monkeypatch):
    monkeypatch.chdir(folder)
    with pytest.raises(RecipeError, match="patches.cheek.file: found no file"):
        recipe_from_dict(
            {"poredepth": 1, "mesh": {"file": "head.obj", "unit": "cm"}, "patches": {"cheek": {"file": name}}}, "."
        )


def test_its_picture_lies_beside_it(folder):
    (folder / "cheek.patch.yaml").write_text(PATCH_FILE.replace("cheek.tif", "../cheek.tif"))
    with pytest.raises(RecipeError, match="2:7: file: found '../cheek.tif'; allowed: the name of a picture in the sam"):
        read_patch_file(folder / "cheek.patch.yaml")


def test_its_mistakes_come_with_their_place_all_at_once(folder):
    broken = (
        PATCH_FILE.replace("12.5\nheight", "-12.5\nheight")
        .replace("zero:", "zro:")
        .replace("source: own", "source: 7 #")
    )
    (folder / "cheek.patch.yaml").write_text(broken)
    with pytest.raises(RecipeError) as error:
        read_patch_file(folder / "cheek.patch.yaml")
    lines = [line.replace(f"{folder}/", "") for line in error.value.findings]
    assert lines[0] == "cheek.patch.yaml:4:11: texel_um: found -12.5; allowed: a number above 0, in um"
    assert lines[1].startswith("cheek.patch.yaml:6:1: zro: unknown key; allowed: poredepth_patch, file, ")
    assert lines[1].endswith("did you mean 'zero'?")
    assert lines[2] == "cheek.patch.yaml:8:9: source: found 7; allowed: text"
    (folder / "cheek.patch.yaml").write_text(PATCH_FILE.replace("height_um: 1000\n", ""))
    assert findings(folder, RECIPE) == [
        "r.yaml:4:17: patches.cheek.file: found cheek.patch.yaml:1:1: height_um: missing; allowed: a number above 0, "
        "in um; allowed: a right patch file beside it"
    ]


def test_a_mask_in_the_recipe_wins_over_tiling(folder):
    (folder / "mask.png").touch()
    (folder / "r.yaml").write_text(RECIPE.replace("cheek.tif}", "cheek.tif, mask: mask.png}"))
    assert load_recipe(folder / "r.yaml").patches["cheek"].mask == "mask.png"


def test_the_same_numbers_in_either_place_are_the_same_recipe(folder):
    first = recipe_hash(load_recipe(folder / "r.yaml"))
    said = (
        "cheek.tif, texel_um: 12.5, height_um: 1000, zero: 0, lay_deg: 30, sha256: abcd, source: own scan, "
        "licence: CC0, history: ['tilt taken off: 2.5 degrees']}"
    )
    (folder / "r.yaml").write_text(RECIPE.replace("cheek.tif}", said))
    assert recipe_hash(load_recipe(folder / "r.yaml")) == first
    (folder / "cheek.patch.yaml").unlink()
    assert recipe_hash(load_recipe(folder / "r.yaml")) == first


def test_recipes_without_files_read_none(folder):
    data = {"poredepth": 1, "mesh": {"file": "head.obj", "unit": "cm"}, "patches": {"cheek": {"file": "cheek.tif"}}}
    assert recipe_from_dict(data, folder).patches["cheek"].texel_um == 12.5
    with pytest.raises(RecipeError, match="texel_um: missing"):
        recipe_from_dict(data, folder, check_files=False)


def test_the_name_beside():
    assert patch_file_of("a/b.c.tif").as_posix() == "a/b.c.patch.yaml"
