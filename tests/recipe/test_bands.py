"""Keys of bands: their values, one exact line for each mistake, and the schema that agrees."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from poredepth.errors import RecipeError
from poredepth.recipe import parse_recipe, recipe_from_dict, recipe_hash, recipe_schema
from poredepth.recipe.model_bands import BandGain, BandsSpec, CutoffsSpec, ThinSpec
from poredepth.recipe.model_layers import LayerSpec

GOOD = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
bands: {coarse_mm: 3, fine_mm: 0.6, transitions: even}
patches:
  pores: {file: pores.tif, texel_um: 10, height_um: 120}
layers:
  - {name: sculpt, map: sculpt.exr, scale_mm: 2, gain: {fine: 0, middle: 0.25}}
  - name: lines
    patch: pores
    place: scatter
    print_mm: 9
    gain: -0.5
    bands: [fine, middle]
    cutoffs: {fine_mm: 0.4}
    combine: deepest
    smooth_um: 15
  - name: pores
    patch: pores
    place: scatter
    print_mm: 9
    combine: replace
    cutoffs: {coarse_mm: 5, fine_mm: 1}
    thin_where: {layer: lines, deeper_than_um: 60, softness_um: 30}
  - name: down
    patch: pores
    place: scatter
    print_mm: 8
    thin_where: {curvature_over_per_mm: 0.9, form: ridges}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("head")
    for name in ("head.obj", "pores.tif", "sculpt.exr"):
        (folder / name).write_bytes(name.encode())
    return folder


def test_values(folder):
    recipe = parse_recipe(GOOD, folder)
    assert (recipe.bands.coarse_mm, recipe.bands.fine_mm, recipe.bands.transitions) == (3.0, 0.6, "even")
    sculpt, lines, pores, down = recipe.layers
    assert list(sculpt.band_gain.items()) == [("coarse", 1.0), ("middle", 0.25), ("fine", 0.0)]
    assert list(lines.band_gain.items()) == [("coarse", 0.0), ("middle", -0.5), ("fine", -0.5)]
    assert list(down.band_gain.values()) == [1.0, 1.0, 1.0]
    assert [recipe.cutoffs_of(layer) for layer in recipe.layers] == [(3.0, 0.6), (3.0, 0.4), (5.0, 1.0), (3.0, 0.6)]
    assert [layer.combine for layer in recipe.layers] == ["add", "deepest", "replace", "add"]
    assert [layer.smooth_um for layer in recipe.layers] == [0.0, 15.0, 0.0, 0.0]
    thin = pores.thin_where
    assert (thin.layer, thin.threshold, thin.softness, thin.form) == ("lines", 60.0, 30.0, "both")
    thin = down.thin_where
    assert (thin.layer, thin.threshold, thin.form) == (None, 0.9, "ridges")
    assert thin.softness_per_mm is None and thin.softness == pytest.approx(0.3, abs=1e-12)


def test_a_recipe_without_them_has_the_defaults(folder):
    recipe = parse_recipe("poredepth: 1\nmesh: {file: head.obj, unit: cm}\n", folder)
    assert (recipe.bands.coarse_mm, recipe.bands.fine_mm, recipe.bands.transitions) == (2.5, 0.8, "proportional")
    layer = LayerSpec(name="x", map="sculpt.exr", scale_mm=1)
    assert (layer.gain, layer.bands, layer.cutoffs, layer.combine) == (1.0, None, None, "add")
    assert (layer.smooth_um, layer.thin_where) == (0.0, None)


def test_a_dumped_recipe_comes_back(folder):
    recipe = parse_recipe(GOOD, folder)
    assert recipe_from_dict(recipe.model_dump(), folder) == recipe
    assert recipe_from_dict(json.loads(recipe.model_dump_json()), folder) == recipe
    assert recipe_hash(recipe_from_dict(recipe.model_dump(), folder)) == recipe_hash(recipe)
    keys = {"poredepth": 1, "mesh": recipe.mesh, "patches": recipe.patches, "bands": recipe.bands}
    assert recipe_from_dict({**keys, "layers": recipe.layers}, folder) == recipe


def test_hash_counts_what_is_said_and_not_how(folder):
    first = recipe_hash(parse_recipe(GOOD, folder))

    def changed(old, new):
        assert GOOD.count(old) == 1
        return recipe_hash(parse_recipe(GOOD.replace(old, new), folder)) != first

    for old, new in (
        ("bands: {coarse_mm: 3", "bands: {coarse_mm: 4"),
        (", transitions: even", ""),
        ("fine: 0, middle: 0.25", "fine: 0"),
        ("[fine, middle]", "[fine]"),
        ("combine: deepest", "combine: highest"),
        ("smooth_um: 15", "smooth_um: 16"),
        ("deeper_than_um: 60", "deeper_than_um: 61"),
        ("form: ridges", "form: valleys"),
    ):
        assert changed(old, new), new
    for old, new in (
        ("fine: 0, middle: 0.25", "middle: 0.25, fine: 0.0, coarse: 1"),
        ("print_mm: 8", "print_mm: 8\n    combine: add\n    gain: {fine: 1}"),
        ("print_mm: 8", "print_mm: 8\n    bands: [middle, fine, coarse]"),
        ("[fine, middle]", "[middle, fine]"),
    ):
        assert not changed(old, new), new
    bare = "poredepth: 1\nmesh: {file: head.obj, unit: cm}\n"
    same = bare + "bands: {fine_mm: 0.8, coarse_mm: 2.5, transitions: proportional}\n"
    assert recipe_hash(parse_recipe(same, folder)) == recipe_hash(parse_recipe(bare, folder))


GAIN_ALLOWED = "a number from -1000 to 1000, or a mapping with coarse, middle, fine"
# name: what is replaced, by what, the one line, whether the schema can know
ONE_MISTAKE = {
    "cutoffs exchanged": (
        "coarse_mm: 3, fine_mm: 0.6",
        "coarse_mm: 0.6, fine_mm: 3",
        "3:34: bands.fine_mm: found 3; allowed: below coarse_mm, which is 0.6",
        False,
    ),
    "equal cutoffs": (
        "fine_mm: 0.6",
        "fine_mm: 3",
        "3:32: bands.fine_mm: found 3; allowed: below coarse_mm, which is 3",
        False,
    ),
    "coarse below the fine of the default": (
        "coarse_mm: 3, fine_mm: 0.6",
        "coarse_mm: 0.7",
        "3:20: bands.coarse_mm: found 0.7; allowed: above fine_mm, which is 0.8 by default",
        False,
    ),
    "fine above the coarse of the default": (
        "coarse_mm: 3, fine_mm: 0.6",
        "fine_mm: 2.6",
        "3:18: bands.fine_mm: found 2.6; allowed: below coarse_mm, which is 2.5 by default",
        False,
    ),
    "a cutoff of 0": (
        "fine_mm: 0.6",
        "fine_mm: 0",
        "3:32: bands.fine_mm: found 0; allowed: a number above 0, in mm",
        True,
    ),
    "unknown transitions": (
        "transitions: even",
        "transitions: evn",
        "3:50: bands.transitions: found 'evn'; allowed: proportional, even; did you mean 'even'?",
        True,
    ),
    "unknown key of bands": (
        "transitions: even",
        "transition: even",
        "3:37: bands.transition: unknown key; allowed: coarse_mm, fine_mm, transitions; did you mean 'transitions'?",
        True,
    ),
    "bands of the recipe as a list": (
        "bands: {coarse_mm: 3, fine_mm: 0.6, transitions: even}",
        "bands: [3, 0.6]",
        "3:8: bands: found a list of 2; allowed: a mapping with coarse_mm, fine_mm, transitions",
        True,
    ),
    "gain as text": ("gain: -0.5", "gain: half", f"12:11: layers[1].gain: found 'half'; allowed: {GAIN_ALLOWED}", True),
    "gain too large": ("gain: -0.5", "gain: 1001", f"12:11: layers[1].gain: found 1001; allowed: {GAIN_ALLOWED}", True),
    "gain as a list": (
        "gain: -0.5",
        "gain: [1, 1, 0]",
        f"12:11: layers[1].gain: found a list of 3; allowed: {GAIN_ALLOWED}",
        True,
    ),
    "gain of nothing": ("gain: -0.5", "gain:", f"12:5: layers[1].gain: found nothing; allowed: {GAIN_ALLOWED}", True),
    "gain of no band": (
        "gain: -0.5",
        "gain: {}",
        "12:5: layers[1].gain: none of coarse, middle, fine; allowed: at least one of coarse, middle, fine",
        True,
    ),
    "gain of a band as text": (
        "middle: 0.25",
        "middle: low",
        "7:74: layers[0].gain.middle: found 'low'; allowed: a number from -1000 to 1000",
        True,
    ),
    "gain of a band as a switch": (
        "middle: 0.25",
        "middle: true",
        "7:74: layers[0].gain.middle: found true; allowed: a number from -1000 to 1000",
        True,
    ),
    "gain of a band too low": (
        "middle: 0.25",
        "middle: -2000",
        "7:74: layers[0].gain.middle: found -2000; allowed: a number from -1000 to 1000",
        True,
    ),
    "gain of a band of nothing": (
        "middle: 0.25",
        "middle: null",
        "7:74: layers[0].gain.middle: found nothing; allowed: a number from -1000 to 1000",
        True,
    ),
    "gain of an unknown band": (
        "middle: 0.25",
        "midle: 0.25",
        "7:66: layers[0].gain.midle: unknown key; allowed: coarse, middle, fine; did you mean 'middle'?",
        True,
    ),
    "unknown band": (
        "[fine, middle]",
        "[fine, midle]",
        "13:19: layers[1].bands[1]: found 'midle'; allowed: coarse, middle, fine; did you mean 'middle'?",
        True,
    ),
    "double band": (
        "[fine, middle]",
        "[fine, middle, fine]",
        "13:27: layers[1].bands[2]: found 'fine' again; allowed: each band once",
        True,
    ),
    "no band": (
        "[fine, middle]",
        "[]",
        "13:12: layers[1].bands: found a list of 0; allowed: a list of one or more of coarse, middle, fine",
        True,
    ),
    "band without a list": (
        "[fine, middle]",
        "fine",
        "13:12: layers[1].bands: found 'fine'; allowed: a list of one or more of coarse, middle, fine",
        True,
    ),
    "cutoffs of a layer exchanged": (
        "coarse_mm: 5, fine_mm: 1",
        "coarse_mm: 1, fine_mm: 5",
        "22:38: layers[2].cutoffs.fine_mm: found 5; allowed: below coarse_mm, which is 1",
        False,
    ),
    "fine above the coarse of the recipe": (
        "cutoffs: {fine_mm: 0.4}",
        "cutoffs: {fine_mm: 3.5}",
        "14:24: layers[1].cutoffs.fine_mm: found 3.5; allowed: below coarse_mm, which is 3 in the whole recipe",
        False,
    ),
    "coarse below the fine of the recipe": (
        "cutoffs: {fine_mm: 0.4}",
        "cutoffs: {coarse_mm: 0.5}",
        "14:26: layers[1].cutoffs.coarse_mm: found 0.5; allowed: above fine_mm, which is 0.6 in the whole recipe",
        False,
    ),
    "cutoff of a layer below 0": (
        "cutoffs: {fine_mm: 0.4}",
        "cutoffs: {fine_mm: -0.4}",
        "14:24: layers[1].cutoffs.fine_mm: found -0.4; allowed: a number above 0, in mm",
        True,
    ),
    "no cutoff": (
        "cutoffs: {fine_mm: 0.4}",
        "cutoffs: {}",
        "14:5: layers[1].cutoffs: none of coarse_mm, fine_mm; allowed: at least one of coarse_mm, fine_mm",
        True,
    ),
    "one cutoff as a number": (
        "cutoffs: {fine_mm: 0.4}",
        "cutoffs: 0.4",
        "14:14: layers[1].cutoffs: found 0.4; allowed: a mapping with coarse_mm, fine_mm",
        True,
    ),
    "unknown combine": (
        "combine: deepest",
        "combine: deeper",
        "15:14: layers[1].combine: found 'deeper'; allowed: add, replace, deepest, highest; did you mean 'deepest'?",
        True,
    ),
    "smooth beside replace": (
        "combine: deepest",
        "combine: replace",
        "16:5: layers[1].smooth_um: found with combine: replace; allowed: only with combine: deepest or highest",
        True,
    ),
    "smooth without combine": (
        "    combine: deepest\n",
        "",
        "15:5: layers[1].smooth_um: found with combine: add; allowed: only with combine: deepest or highest",
        True,
    ),
    "smooth below 0": (
        "smooth_um: 15",
        "smooth_um: -1",
        "16:16: layers[1].smooth_um: found -1; allowed: a number of 0 or more, in um",
        True,
    ),
    "thins over an unknown layer": (
        "layer: lines",
        "layer: line",
        "23:25: layers[2].thin_where.layer: unknown layer 'line'; allowed: a layer below it: sculpt, lines; did you "
        "mean 'lines'?",
        False,
    ),
    "thins over itself": (
        "layer: lines",
        "layer: pores",
        "23:25: layers[2].thin_where.layer: found 'pores', which is this layer itself; allowed: a layer below it: "
        "sculpt, lines",
        False,
    ),
    "thins over a later layer": (
        "layer: lines",
        "layer: down",
        "23:25: layers[2].thin_where.layer: found 'down', which is layers[3], further up; allowed: a layer below it: "
        "sculpt, lines",
        False,
    ),
    "thins over nothing": (
        "gain: {fine: 0, middle: 0.25}",
        "thin_where: {deeper_than_um: 50}",
        "7:50: layers[0].thin_where: found in the lowest layer; allowed: only with a layer below it",
        False,
    ),
    "thins over a named layer, where there is none below": (
        "gain: {fine: 0, middle: 0.25}",
        "thin_where: {deeper_than_um: 50, layer: lines}",
        "7:50: layers[0].thin_where: found in the lowest layer; allowed: only with a layer below it",
        False,
    ),
    "no threshold": (
        "deeper_than_um: 60, softness_um: 30",
        "softness_um: 30",
        "23:5: layers[2].thin_where: none of deeper_than_um, curvature_over_per_mm; allowed: exactly one of "
        "deeper_than_um, curvature_over_per_mm",
        True,
    ),
    "two thresholds": (
        "deeper_than_um: 60, softness_um: 30",
        "deeper_than_um: 60, curvature_over_per_mm: 1",
        "23:52: layers[2].thin_where.curvature_over_per_mm: found beside deeper_than_um; allowed: exactly one of "
        "deeper_than_um, curvature_over_per_mm",
        True,
    ),
    "threshold of 0": (
        "deeper_than_um: 60",
        "deeper_than_um: 0",
        "23:48: layers[2].thin_where.deeper_than_um: found 0; allowed: a number above 0, in um",
        True,
    ),
    "curvature of 0": (
        "curvature_over_per_mm: 0.9",
        "curvature_over_per_mm: 0",
        "28:41: layers[3].thin_where.curvature_over_per_mm: found 0; allowed: a number above 0, per mm",
        True,
    ),
    "softness of the other threshold": (
        "softness_um: 30",
        "softness_per_mm: 30",
        "23:52: layers[2].thin_where.softness_per_mm: found beside deeper_than_um; allowed: only beside "
        "curvature_over_per_mm",
        True,
    ),
    "softness in um beside curvature": (
        "form: ridges",
        "softness_um: 30",
        "28:46: layers[3].thin_where.softness_um: found beside curvature_over_per_mm; allowed: only beside "
        "deeper_than_um",
        True,
    ),
    "form beside depth": (
        "softness_um: 30",
        "form: both",
        "23:52: layers[2].thin_where.form: found beside deeper_than_um; allowed: only beside curvature_over_per_mm",
        True,
    ),
    "unknown form": (
        "form: ridges",
        "form: ridge",
        "28:52: layers[3].thin_where.form: found 'ridge'; allowed: valleys, ridges, both; did you mean 'ridges'?",
        True,
    ),
    "softness of 0": (
        "softness_um: 30",
        "softness_um: 0",
        "23:65: layers[2].thin_where.softness_um: found 0; allowed: a number above 0, in um",
        True,
    ),
    "thins by a number": (
        "{curvature_over_per_mm: 0.9, form: ridges}",
        "50",
        "28:17: layers[3].thin_where: found 50; allowed: a mapping with layer, deeper_than_um, curvature_over_per_mm, "
        "softness_um, softness_per_mm, form",
        True,
    ),
    "misspelt threshold": (
        "deeper_than_um: 60",
        "deeper_than: 60",
        "23:32: layers[2].thin_where.deeper_than: unknown key; allowed: layer, deeper_than_um, curvature_over_per_mm, "
        "softness_um, softness_per_mm, form; did you mean 'deeper_than_um'?",
        True,
    ),
}


@pytest.mark.parametrize("name", ONE_MISTAKE)
def test_one_mistake_is_one_exact_line(name, folder):
    old, new, told, _ = ONE_MISTAKE[name]
    assert GOOD.count(old) == 1
    with pytest.raises(RecipeError) as caught:
        parse_recipe(GOOD.replace(old, new), folder, "face.yaml")
    assert caught.value.findings == [f"face.yaml:{told}"]


def test_mistakes_are_told_together(folder):
    text = GOOD
    for name in ("a cutoff of 0", "gain of a band as text", "double band", "unknown form"):
        text = text.replace(*ONE_MISTAKE[name][:2])
    with pytest.raises(RecipeError) as caught:
        parse_recipe(text, folder, "face.yaml")
    assert [line.split(" ")[1] for line in caught.value.findings] == [
        "bands.fine_mm:",
        "layers[0].gain.middle:",
        "layers[1].bands[2]:",
        "layers[3].thin_where.form:",
    ]


def test_wrong_cutoffs_of_the_recipe_are_told_once(folder):
    """What a layer leaves out is not held against wrong cutoffs."""
    text = GOOD.replace("coarse_mm: 3, fine_mm: 0.6", "coarse_mm: 0.3, fine_mm: 0.6")
    with pytest.raises(RecipeError) as caught:
        parse_recipe(text, folder, "face.yaml")
    assert caught.value.findings == ["face.yaml:3:34: bands.fine_mm: found 0.6; allowed: below coarse_mm, which is 0.3"]


def test_models_made_in_python_keep_the_same_rules():
    layer = {"name": "x", "map": "sculpt.exr", "scale_mm": 1}
    assert LayerSpec(**layer, gain=BandGain(fine=0)).band_gain == {"coarse": 1.0, "middle": 1.0, "fine": 0.0}
    assert LayerSpec(**layer, gain={"coarse": 2}, bands=["coarse"]).band_gain == {"coarse": 2, "middle": 0, "fine": 0}
    for wrong in ({"bands": ["fine", "fine"]}, {"smooth_um": 3}, {"gain": {"fine": 1001}}, {"combine": "mean"}):
        with pytest.raises(ValueError):
            LayerSpec(**layer, **wrong)
    for spec, wrong in (
        (CutoffsSpec, {}),
        (CutoffsSpec, {"coarse_mm": 1, "fine_mm": 1}),
        (ThinSpec, {}),
        (ThinSpec, {"deeper_than_um": 1, "softness_per_mm": 1}),
        (ThinSpec, {"deeper_than_um": 1, "form": "valleys"}),
    ):
        with pytest.raises(ValueError, match="recipe_rule"):
            spec(**wrong)


def test_schema_takes_and_refuses_the_same():
    validator = Draft202012Validator(recipe_schema())
    yaml = YAML(typ="safe")
    Draft202012Validator.check_schema(recipe_schema())
    assert list(validator.iter_errors(yaml.load(GOOD))) == []
    for name, (old, new, _, known) in ONE_MISTAKE.items():
        assert validator.is_valid(yaml.load(GOOD.replace(old, new))) != known, name
    for new in ("highest", "add", "replace"):
        text = GOOD.replace("combine: deepest\n    smooth_um: 15", f"combine: {new}")
        assert validator.is_valid(yaml.load(text)), new


def test_the_reference_names_every_key_and_its_examples_load(folder):
    page = (Path(__file__).parents[2] / "docs" / "recipe.md").read_text(encoding="utf-8")
    section = page[page.index("#### Bands of a layer") : page.index("### `output`")]
    for spec in (BandGain, CutoffsSpec, ThinSpec):
        assert all(f"| `{key}` |" in section for key in spec.model_fields), spec
    assert all(f"| `{key}` |" in page for key in BandsSpec.model_fields)
    examples = [part.split("```")[0] for part in section.split("```yaml\n")[1:]]
    assert len(examples) == 2
    head = "poredepth: 1\nmesh: {file: head.obj, unit: cm}\nregions: {forehead: {group: f}, cheek: {group: c}}\n"
    patches = "".join(
        f"  {name}: {{file: pores.tif, texel_um: 10, height_um: 120}}\n" for name in ("lines", "pores", "furrows")
    )
    for example in examples:
        assert parse_recipe(f"{head}patches:\n{patches}{example}", folder).layers
