"""Parts of the face need the standard landmarks: what is missing, exchanged or misplaced is told where it stands."""

import numpy as np
import pytest
from heads import MARKS_CM, second_marks

from poredepth.errors import RecipeError
from poredepth.recipe import parse_recipe, recipe_from_dict
from poredepth.recipe.anatomy import LANDMARKS, NEEDED, PARTS

HEAD = "mesh: {file: array, unit: cm}\n"


def text(marks, regions="  brow: {part: forehead}\n"):
    lines = "".join(f"  {name}: {[float(x) for x in at]}\n" for name, at in marks.items())
    return f"poredepth: 1\n{HEAD}landmarks:\n{lines}regions:\n{regions}"


def findings(tmp_path, marks, regions="  brow: {part: forehead}\n"):
    (tmp_path / "array").touch()
    with pytest.raises(RecipeError) as caught:
        parse_recipe(text(marks, regions), tmp_path, "look.yaml")
    return caught.value.findings


@pytest.mark.parametrize("marks", [MARKS_CM, {name: MARKS_CM[name] for name in NEEDED}, second_marks()])
def test_standard_landmarks_of_two_heads_are_taken(tmp_path, marks):
    (tmp_path / "array").touch()
    recipe = parse_recipe(text(marks), tmp_path)
    assert recipe.regions["brow"].part == "forehead"
    assert recipe.regions["brow"].feather_mm == 5.0
    assert recipe.regions["brow"].kind == "part"


def test_fourteen_landmarks_are_needed_and_all_sides_are_there():
    assert len(NEEDED) == 14
    for names in (LANDMARKS, PARTS):
        right = {name.replace("_right", "_left") for name in names if "_right" in name}
        assert {name for name in names if name.endswith("_left")} == right
    for name, mark in LANDMARKS.items():
        assert mark.at_mm == pytest.approx(np.array(MARKS_CM[name]) * 10, abs=0.1)


def test_missing_landmarks_are_one_line_at_the_first_region_that_needs_them(tmp_path):
    marks = {name: at for name, at in MARKS_CM.items() if name not in ("chin", "eye_outer_right", "jaw_angle_left")}
    marks = {("nose_typ" if name == "nose_tip" else name): at for name, at in marks.items()}
    assert findings(tmp_path, marks, "  mouth: {part: lips}\n  brow: {part: forehead}\n") == [
        "look.yaml:4:3: landmarks.nose_typ: found a name that nearly is one; allowed: a standard landmark, or a name "
        "unlike theirs; did you mean 'nose_tip'?",
        "look.yaml:20:17: regions.mouth.part: found 'lips' without the landmarks chin, eye_outer_right; allowed: "
        f"beside landmarks: {', '.join(NEEDED)}",
    ]


def test_no_landmarks_at_all(tmp_path):
    (tmp_path / "array").touch()
    with pytest.raises(RecipeError) as caught:
        parse_recipe(f"poredepth: 1\n{HEAD}regions: {{x: {{part: chin}}}}\n", tmp_path, "a.yaml")
    [line] = caught.value.findings
    assert line.startswith(f"a.yaml:3:21: regions.x.part: found 'chin' without the landmarks {', '.join(NEEDED)}; a")


def test_an_unknown_part_is_told_with_the_likely_name(tmp_path):
    [line] = findings(tmp_path, MARKS_CM, "  a: {part: forhead}\n")
    assert "regions.a.part: found 'forhead'; allowed: forehead, glabella, temple_left," in line
    assert line.endswith("did you mean 'forehead'?")


def exchanged(a, b):
    return {**MARKS_CM, a: MARKS_CM[b], b: MARKS_CM[a]}


def test_left_and_right_exchanged(tmp_path):
    other = {n: n.replace("_left", "_#").replace("_right", "_left").replace("_#", "_right") for n in MARKS_CM}
    [line] = findings(tmp_path, {name: MARKS_CM[other[name]] for name in MARKS_CM})
    assert line == (
        "look.yaml:8:19: landmarks.eye_inner_left: found left and right exchanged in all landmarks; allowed: left and "
        "right as the head itself has them (seen from the front, its left is on the right); did you mean "
        "'eye_inner_right'?"
    )


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ("eye_outer_left", "eye_outer_right"),
        ("eye_inner_left", "eye_outer_left"),
        ("nose_wing_left", "mouth_corner_left"),
        ("hairline", "chin"),
        ("tragion_left", "tragion_right"),
        ("jaw_angle_left", "tragion_left"),
    ],
)
def test_two_names_exchanged(tmp_path, a, b):
    [line] = findings(tmp_path, exchanged(a, b))
    first, second = sorted((a, b), key=list(LANDMARKS).index)
    assert f"landmarks.{first}: found where {second} belongs, and the other way round; allowed: the " in line
    assert line.endswith(f"did you mean '{second}'?")


def test_a_landmark_far_from_the_face_and_two_in_one_place(tmp_path):
    [line] = findings(tmp_path, {**MARKS_CM, "nose_tip": (0, -4, 113.8)})
    assert "landmarks.nose_tip: found 10" in line
    assert "mm (on a head of usual size) from where the other landmarks put it; allowed: the pronasale: most" in line
    [line] = findings(tmp_path, {**MARKS_CM, "chin": MARKS_CM["lip_bottom"]})
    assert "landmarks.lip_bottom: found in the place of chin; allowed: a place of its own" in line


def test_free_names_are_left_alone_where_no_part_is_asked(tmp_path):
    (tmp_path / "array").touch()
    recipe = parse_recipe(
        text({"chin": (1, 2, 3), "nasion": (1, 2, 3)}, "  a: {center: chin, radius_mm: 3}\n"), tmp_path
    )
    assert recipe.regions["a"].center == (1, 2, 3)


def test_a_head_file_may_give_a_part_otherwise(tmp_path):
    for name in ("anna.obj", "chin.png"):
        (tmp_path / name).touch()
    (tmp_path / "anna.yaml").write_text(
        text(MARKS_CM, "  chin: {mask: chin.png}\n").replace("array", "anna.obj").replace("poredepth: 1\n", "")
    )
    look = {"poredepth": 1, "head": "anna.yaml", "regions": {"chin": {"part": "chin"}, "lips": {"part": "lips"}}}
    recipe = recipe_from_dict(look, tmp_path)
    assert recipe.regions["chin"].kind == "mask"
    assert recipe.regions["lips"].kind == "part"
    assert recipe_from_dict(recipe.model_dump(), tmp_path) == recipe


def test_a_wrong_landmark_of_a_head_file_is_told_there(tmp_path):
    (tmp_path / "anna.obj").touch()
    anna = text(exchanged("hairline", "chin"), "").replace("array", "anna.obj").replace("poredepth: 1\n", "")
    (tmp_path / "anna.yaml").write_text(anna.removesuffix("regions:\n"))
    with pytest.raises(RecipeError) as caught:
        parse_recipe("poredepth: 1\nhead: anna.yaml\nregions: {a: {part: chin}}\n", tmp_path, "look.yaml")
    [line] = caught.value.findings
    assert line.startswith("anna.yaml:5:9: landmarks.chin: found where hairline belongs")
