"""What README and docs show works as shown."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
PAGES = [TOP / "README.md", TOP / "DEVELOPERS.md", *sorted((TOP / "docs").glob("*.md"))]


def _blocks(page: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", page.read_text(encoding="utf-8"), re.M | re.S)


@pytest.mark.parametrize("page", [p for p in PAGES if _blocks(p, "python")], ids=lambda p: p.name)
def test_python_examples_run(page, tmp_path, monkeypatch):
    """The examples of a page, one after the other, in a folder that holds the demo data; maps smaller than shown.

    The demo is laid on the first page that lays it; further pages get the same composition.
    """
    (tmp_path / "demo_data").symlink_to(TOP / "demo_data")
    monkeypatch.chdir(tmp_path)
    names: dict = {"_laid_once": _laid_once}
    for code in _blocks(page, "python"):
        code = code.replace("size_px=1024", "size_px=128")
        code = code.replace(
            'prepare(load_recipe("demo_data/head.yaml"))', '_laid_once(prepare, load_recipe, "demo_data/head.yaml")'
        )
        exec(compile(code, str(page), "exec"), names)


@cache
def _laid_once(prepare, load_recipe, file):
    recipe = load_recipe(file)
    return prepare(recipe.model_copy(update={"output": recipe.output.model_copy(update={"size_px": 128})}))


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert "://" in target or (page.parent / target).exists(), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_code_that_is_named_exists(page):
    """`folder/file.py` and `folder/file.py:name` in the notes for developers."""
    for path, name in re.findall(r"`((?:\w+/)+\w+\.py)(?::(\w+))?`", page.read_text(encoding="utf-8")):
        found = [root / path for root in (TOP, TOP / "poredepth") if (root / path).is_file()]
        assert found, f"{page.name}: {path}"
        assert not name or re.search(rf"\b{name}\b", found[0].read_text(encoding="utf-8")), (
            f"{page.name}: {path}:{name}"
        )


def test_readme_recipe_is_read(tmp_path):
    from poredepth.recipe import parse_recipe

    [text] = _blocks(TOP / "README.md", "yaml")
    recipe = parse_recipe(text.replace("patches/cheek_pores.tif", "patches/cheek_pores.tif"), TOP / "demo_data")
    assert [layer.name for layer in recipe.layers] == ["sculpt", "pores"]


def test_demo_recipe_has_what_a_demo_needs():
    from poredepth import load_recipe
    from poredepth.demo import demo_recipe_file

    recipe = load_recipe(demo_recipe_file())
    assert len(recipe.layers) >= 6
    assert {layer.kind for layer in recipe.layers} == {"map", "patch"}
    assert all(p.source and p.licence and p.consent for p in recipe.patches.values())


def test_every_landmark_and_part_stands_in_its_page():
    from poredepth.recipe.anatomy import LANDMARKS, PARTS

    page = (TOP / "docs" / "landmarks.md").read_text(encoding="utf-8")
    table = "".join(line for line in page.splitlines() if line.startswith("| `"))
    for name in (*LANDMARKS, *PARTS):
        assert f"`{name}`" in table, name
    for mark in LANDMARKS.values():
        assert mark.term in table


def test_the_shipped_look_fits_the_shipped_head():
    """Parts, lines and factors from landmarks alone: nothing of the head but its own file."""
    from poredepth import load_recipe, prepare

    recipe = load_recipe(TOP / "demo_data" / "look.yaml")
    text = (TOP / "demo_data" / "look.yaml").read_text(encoding="utf-8")
    assert "group:" not in text and "mesh:" not in text and "points:" not in text
    assert len(recipe.landmarks) >= 14
    assert all(p.source and p.licence and p.consent for p in recipe.patches.values())
    composition = prepare(recipe)
    assert [layer.name for layer in composition.layers] == ["grain", "forehead lines", "pores"]
    assert composition.layers[1].prints.n_prints == 1
    assert len(set(composition.layers[2].prints.picture.tolist())) == 2
