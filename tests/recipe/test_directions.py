"""Entries of ``directions``: which keys go together, in the loader and in the schema, and what is told of mistakes."""

import jsonschema
import pytest

from poredepth.errors import RecipeError
from poredepth.recipe import input_files, parse_recipe, recipe_schema
from poredepth.recipe.source import YamlTree

HEAD = """\
poredepth: 1
mesh: {file: head.obj, unit: cm}
landmarks: {nose_tip: [0, -4, 11.4], nasion: [0, 0.5, 9]}
directions:
"""
GOOD = [
    "{points: [nasion, nose_tip], strength: 2, reach_mm: 30}",
    "{file: guides.obj, strength: 0.5}",
    "{map: way.<UDIM>.png, reach_mm: 4}",
    "{map: plain.png}",
    "{around: nose_tip, radius_mm: 25, way: rays}",
    "{curvature: true, strength: 4}",
    "{around: [0, 1, 2], radius_mm: 25, way: rings, strength: 3, reach_mm: 5}",
]
#: entry, what the loader says of it
BAD = [
    (
        "{map: plain.png, file: guides.obj}",
        "5:22: directions[0].file: found beside map; allowed: exactly one of points",
    ),
    ("{strength: 2}", "5:5: directions[0]: none of points, file, map"),
    ("{map: plain.png, strength: 0}", "5:32: directions[0].strength: found 0; allowed: a number above 0 up to 1000"),
    ("{map: plain.png, reach_mm: -3}", "5:32: directions[0].reach_mm: found -3; allowed: a number above 0, in mm"),
    ("{map: plain.png, reach: 3}", "5:22: directions[0].reach: unknown key; allowed: points, file, map"),
    ("{curvature: false}", "5:17: directions[0].curvature: found false; allowed: true"),
    ("{curvature: 1}", "5:17: directions[0].curvature: found 1; allowed: true"),
    ("{curvature: true, reach_mm: 4}", "5:23: directions[0].reach_mm: found beside curvature; allowed: not with"),
    ("{around: nose_tip, way: rays}", "5:5: directions[0].radius_mm: missing; allowed: a number above 0, in mm"),
    ("{around: nose_tip, radius_mm: 5}", "5:5: directions[0].way: missing; allowed: rays or rings"),
    (
        "{around: nose_tip, radius_mm: 5, way: ray}",
        "5:43: directions[0].way: found 'ray'; allowed: rays, rings; did you mean 'rays'?",
    ),
    ("{map: plain.png, way: rays}", "5:22: directions[0].way: found beside map; allowed: only beside around"),
    ("{radius_mm: 5, way: rays}", "5:5: directions[0].around: missing; allowed: a point [x, y, z] or a landmark"),
]


@pytest.fixture
def folder(tmp_path):
    for name in ("head.obj", "guides.obj", "way.1001.png", "way.1012.png", "plain.png"):
        (tmp_path / name).write_bytes(name.encode())
    return tmp_path


def findings(folder, *entries):
    with pytest.raises(RecipeError) as caught:
        parse_recipe(text(*entries), folder, "face.yaml")
    return caught.value.findings


def text(*entries):
    return HEAD + "".join(f"  - {entry}\n" for entry in entries)


@pytest.mark.parametrize("entry", GOOD)
def test_good_entries_are_read_and_fit_the_schema(folder, entry):
    recipe = parse_recipe(text(entry), folder)
    assert recipe.directions[0].kind == entry[1:].split(":")[0]
    jsonschema.validate(YamlTree(text(entry), "face.yaml").data, recipe_schema())


@pytest.mark.parametrize(("entry", "told"), BAD)
def test_bad_entries_are_told_and_do_not_fit_the_schema(folder, entry, told):
    [finding] = findings(folder, entry)
    assert finding.startswith(f"face.yaml:{told}")
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(YamlTree(text(entry), "face.yaml").data, recipe_schema())


def test_painted_tiles_are_input_files_and_missing_ones_are_told(folder):
    recipe = parse_recipe(text("{map: way.<UDIM>.png}"), folder)
    assert [path.name for _, path in input_files(recipe)] == ["head.obj", "way.1001.png", "way.1012.png"]
    assert findings(folder, "{map: wey.<UDIM>.png}") == [
        "face.yaml:5:11: directions[0].map: found no tile 'wey.<UDIM>.png'; allowed: a file that exists, relative to "
        "the recipe's folder; did you mean 'way.<UDIM>.png'?"
    ]


def test_a_landmark_that_is_not_there_is_told(folder):
    assert findings(folder, "{around: nosetip, radius_mm: 5, way: rays}") == [
        "face.yaml:5:14: directions[0].around: unknown landmark 'nosetip'; allowed: three numbers [x, y, z], or a "
        "landmark: nose_tip, nasion; did you mean 'nose_tip'?"
    ]
    [spec] = parse_recipe(text("{around: nose_tip, radius_mm: 5, way: rays}"), folder).directions
    assert spec.around == (0, -4, 11.4)


POINTS = {
    "nose_tip": "[0, -4, 11.4]", "nasion": "[0, 0.5, 9]", "chin": "[0, -11.5, 7.6]", "hairline": "[0, 8.4, 7.8]",
    "eye_inner_left": "[1.6, 0, 8]", "eye_inner_right": "[-1.6, 0, 8]", "eye_outer_left": "[4.5, 0, 7.5]",
    "eye_outer_right": "[-4.5, 0, 7.5]", "mouth_corner_left": "[2.5, -7, 8.4]", "mouth_corner_right": "[-2.5, -7, 8.4]",
    "nose_wing_left": "[2, -5, 8.9]", "nose_wing_right": "[-2, -5, 8.9]", "tragion_left": "[7.5, -1.6, -0.4]",
    "tragion_right": "[-7.5, -1.6, -0.4]",
}  # fmt: skip


def with_landmarks(*left_out, entry="{preset: tension_lines, strength: 2}"):
    named = ", ".join(f"{name}: {point}" for name, point in POINTS.items() if name not in left_out)
    return f"poredepth: 1\nmesh: {{file: head.obj, unit: cm}}\nlandmarks: {{{named}}}\ndirections:\n  - {entry}\n"


def test_a_preset_with_all_its_landmarks_is_read(folder):
    [spec] = parse_recipe(with_landmarks(), folder).directions
    assert (spec.kind, spec.preset, spec.strength) == ("preset", "tension_lines", 2)
    jsonschema.validate(YamlTree(with_landmarks(), "face.yaml").data, recipe_schema())


@pytest.mark.parametrize(
    ("left_out", "told"),
    [
        (("chin",), "tension_lines lacks the landmark chin; allowed: with all of its landmarks under landmarks, each"),
        (
            ("hairline", "tragion_right", "chin"),
            "tension_lines lacks the landmarks chin, hairline, tragion_right; allowed",
        ),
    ],
)
def test_landmarks_a_preset_lacks_are_told_in_one_finding(folder, left_out, told):
    with pytest.raises(RecipeError) as caught:
        parse_recipe(with_landmarks(*left_out), folder, "face.yaml")
    [finding] = caught.value.findings
    assert finding.startswith(f"face.yaml:5:14: directions[0].preset: {told}")


def test_an_unknown_preset_is_told(folder):
    with pytest.raises(RecipeError) as caught:
        parse_recipe(with_landmarks(entry="{preset: tension_line}"), folder, "face.yaml")
    assert caught.value.findings == [
        "face.yaml:5:14: directions[0].preset: found 'tension_line'; allowed: tension_lines; did you "
        "mean 'tension_lines'?"
    ]


def test_landmarks_of_a_head_file_serve_a_preset_of_the_look(folder):
    head, _, rest = with_landmarks().partition("directions:")
    (folder / "anna.yaml").write_text(head.replace("poredepth: 1\n", ""))
    look = "poredepth: 1\nhead: anna.yaml\ndirections:" + rest
    assert parse_recipe(look, folder).directions[0].preset == "tension_lines"
    (folder / "anna.yaml").write_text(head.replace("poredepth: 1\n", "").replace("chin:", "point_of_the_jaw:"))
    with pytest.raises(RecipeError, match=r"directions\[0\]\.preset: tension_lines lacks the landmark chin"):
        parse_recipe(look, folder)
