"""One look, two heads: a recipe goes from the demo head to a second one by its head file alone."""

from __future__ import annotations

import numpy as np
import pytest
from heads import DEMO, MARKS_CM, second_head, second_marks, write_second_head

from poredepth import compose, load_recipe, prepare, random_skin_points
from poredepth.surface.regions import region_weight

LOOK = """\
poredepth: 1
head: {head}.yaml
seed: 3
directions:
  - {{points: [eye_outer_right, nasion, eye_outer_left]}}
  - {{points: [mouth_corner_right, lip_top, mouth_corner_left]}}
regions:
  brow:  {{part: forehead, feather_mm: 6}}
  nose:  {{part: nose_tip, feather_mm: 4}}
  cheek: {{part: cheek_left, feather_mm: 8}}
  face:  {{union: [nose, cheek]}}
patches:
  pores: {{file: {patch}}}
layers:
  - {{name: pores, patch: pores, region: face, place: scatter, print_mm: 18}}
output: {{size_px: 128}}
"""


@pytest.fixture(scope="module")
def compositions(tmp_path_factory):
    folder = tmp_path_factory.mktemp("heads")
    write_second_head(folder / "second.obj")
    heads = {"first": (DEMO / "head.obj", "cm", MARKS_CM), "second": ("second.obj", "in", second_marks())}
    out = {}
    for name, (file, unit, marks) in heads.items():
        lines = "".join(f"  {mark}: {[float(x) for x in at]}\n" for mark, at in marks.items())
        (folder / f"{name}.yaml").write_text(f"mesh: {{file: {file}, unit: {unit}}}\nlandmarks:\n{lines}")
        look = folder / "look.yaml"
        look.write_text(LOOK.format(head=name, patch=DEMO / "patches/nose_pores.tif"))
        out[name] = prepare(load_recipe(look))
    return out


def test_the_second_head_has_no_groups_and_no_line_of_the_look_differs(compositions):
    assert len(compositions["second"].surface.group_names) == 1
    first, second = (compositions[name].recipe for name in ("first", "second"))
    keys = ("regions", "patches", "layers", "output", "seed")
    assert all(getattr(first, key) == getattr(second, key) for key in keys)


def test_both_are_composed_and_relief_lies_in_the_parts_alone(compositions):
    for composition in compositions.values():
        # texels of 3 mm: pores are filtered to 1.7 um
        assert max(m.height_mm.max() for m in compose(composition).values()) > 0.001
        surface, regions = composition.surface, composition.ground.regions
        points = random_skin_points(surface, 20_000, np.random.default_rng(0))
        height = composition.height_mm(points)
        weight = region_weight(surface, regions["face"], points.triangle, points.barycentric)
        widest = composition.layers[0].regions[0]  # the coarse band fades over the most skin
        assert (height[region_weight(surface, widest, points.triangle, points.barycentric) == 0] == 0).all()
        assert (height[weight > 0.5] != 0).mean() > 0.99


def test_areas_change_as_the_head_does(compositions):
    """The deformation by itself: areas of the first head's parts on the second head, triangle by triangle."""
    areas = {}
    for name, composition in compositions.items():
        surface = composition.surface
        points = random_skin_points(surface, 100_000, np.random.default_rng(1))
        for region in ("brow", "nose", "cheek"):
            weight = region_weight(
                surface, composition.ground.regions[region], points.triangle, points.barycentric
            ).mean()
            areas[name, region] = weight * surface.area_mm2.sum()
    first, second = compositions["first"].surface, compositions["second"].surface
    corner = second_head(first.corner_mm.reshape(-1, 3) / 10).reshape(-1, 3, 3) * 25.4
    carried = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    assert carried.sum() == pytest.approx(second.area_mm2.sum(), rel=0.01)
    middle = np.full((first.n_triangles, 3), 1 / 3, np.float32)
    for region in ("brow", "nose", "cheek"):
        weight = region_weight(
            first, compositions["first"].ground.regions[region], np.arange(first.n_triangles), middle
        )
        asked = (weight * carried).sum()
        print(f"{region}: {areas['first', region]:.0f} -> {areas['second', region]:.0f} mm2, asked {asked:.0f}")
        assert areas["second", region] == pytest.approx(asked, rel=0.08)
        assert asked > 1.3 * areas["first", region]
