"""Parts of the face: they cover the skin once, lie where a person put them, mirror, follow the head."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from heads import MARKS_CM, demo_mesh, second_head, second_marks
from meshes import flat_surface, moved, sphere_mesh

from poredepth.errors import RegionError
from poredepth.recipe.anatomy import LANDMARKS, NEEDED, PARTS, model_mm
from poredepth.recipe.model_skin import RegionSpec
from poredepth.surface.kernels import outline_depth
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.parts import ModelMap, Partition, face_partition, part_scores
from poredepth.surface.points import random_skin_points
from poredepth.surface.regions import build_regions, region_weight
from poredepth.surface.skin import Surface, refined, surface_from_mesh


@cache
def demo() -> Surface:
    return surface_from_mesh(demo_mesh(), "cm")


@cache
def demo_parts(names: tuple[str, ...] = NEEDED) -> Partition:
    return face_partition(demo(), {name: MARKS_CM[name] for name in names})


def vertex_area(surface: Surface) -> np.ndarray:
    return np.bincount(surface.tri_vertex.ravel(), np.repeat(surface.area_mm2, 3) / 3, surface.n_vertices)


def overlap(area, a, b) -> float:
    """Intersection over union, by area."""
    return float(area[a & b].sum() / area[a | b].sum())


def weights(surface, marks, feather_mm, n=60_000, parts=PARTS):
    specs = {name: RegionSpec(part=name, feather_mm=feather_mm) for name in parts}
    fields = build_regions(surface, specs, lambda name: {}, marks)
    points = random_skin_points(surface, n, np.random.default_rng(0))
    found = {name: region_weight(surface, fields[name], points.triangle, points.barycentric) for name in parts}
    return points, found


def test_the_parts_cover_the_skin_once():
    """One part at every vertex; between vertices only the spots where three parts meet are left out."""
    surface = refined(demo(), 3.0)
    partition = face_partition(surface, MARKS_CM)
    fields = build_regions(surface, {p: RegionSpec(part=p, feather_mm=0) for p in PARTS}, lambda name: {}, MARKS_CM)
    inside = np.stack([fields[name].ramp >= 0.5 for name in PARTS])
    assert (inside.sum(axis=0) == 1).all()
    assert np.array_equal(np.argmax(inside, axis=0), partition.part)
    points, hard = weights(surface, MARKS_CM, 0.0)
    count = sum((w >= 0.5).astype(int) for w in hard.values())
    print(f"covered once: {np.mean(count == 1):.5f} of the skin, not at all: {np.mean(count == 0):.5f}")
    assert (count == 1).mean() > 0.9995
    _, soft = weights(surface, MARKS_CM, 6.0)
    total = sum(soft.values())
    assert total.min() > 0.9
    assert abs(total.mean() - 1) < 0.005


#: Parts that make up what the demo head's groups hold, drawn by hand when the head was made.
GROUPS = {
    "forehead": ("forehead", "glabella"),
    "nose": ("nose_bridge", "nose_tip", "nose_wing_left", "nose_wing_right"),
    "cheek_left": ("cheek_left", "jaw_left"),
    "cheek_right": ("cheek_right", "jaw_right"),
    "chin": ("chin",),
    "neck": ("neck",),
    "lips": ("lips",),
    "ears": ("ear_left", "ear_right"),
    "scalp": ("scalp",),
}


@pytest.mark.parametrize("group", GROUPS)
def test_parts_agree_with_the_groups_of_the_demo_head(group):
    surface = demo()
    points, found = weights(surface, MARKS_CM, 0.0, parts=GROUPS[group])
    part = np.max(list(found.values()), axis=0) >= 0.5
    there = surface.tri_group[points.triangle] == surface.group_names.index(group)
    both = (part & there).sum() / (part | there).sum()
    print(f"{group}: {both:.3f}")
    assert both >= 0.7


def test_left_is_the_mirror_of_right():
    surface = demo()
    position = surface.position_mm
    twin = np.full(surface.n_vertices, -1)
    order = {tuple(p): k for k, p in enumerate(np.round(position * [-1, 1, 1], 6) + 0.0)}
    for k, p in enumerate(np.round(position, 6) + 0.0):
        twin[k] = order[tuple(p)]
    mirrored = [name.replace("_left", "_#").replace("_right", "_left").replace("_#", "_right") for name in PARTS]
    swap = np.array([PARTS.index(name) for name in mirrored])
    partition = demo_parts()
    assert np.array_equal(partition.part, swap[partition.part[twin]])
    assert np.abs(partition.score - partition.score[swap][:, twin]).max() < 1e-4  # mm on the model head, float32
    for name, other in (("cheek_left", "cheek_right"), ("nose_tip", "nose_tip")):
        fields = build_regions(surface, {p: RegionSpec(part=p) for p in (name, other)}, lambda n: {}, MARKS_CM)
        assert fields[name].ramp == pytest.approx(fields[other].ramp[twin], abs=1e-5)


@pytest.mark.parametrize("names", [NEEDED, tuple(LANDMARKS)], ids=["needed", "all"])
def test_parts_follow_a_head_of_other_proportions(names):
    """The parts of a deformed head are those of the first head, carried along by vertex."""
    surface = demo()
    other = replace(surface, position_mm=second_head(surface.position_mm / 10) * 25.4, mm_per_unit=25.4)
    first = demo_parts(names)
    second = face_partition(other, {name: second_marks()[name] for name in names})
    area = vertex_area(surface)
    share = {name: overlap(area, first.part == k, second.part == k) for k, name in enumerate(PARTS) if name != "rest"}
    print({name: round(value, 3) for name, value in share.items()})
    assert min(share.values()) >= 0.85
    assert np.mean(list(share.values())) >= 0.92


def test_nothing_depends_on_where_the_head_stands_or_on_its_unit():
    surface = demo()
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    away = surface_from_mesh(moved(demo_mesh(), turn, np.array([-44.0, 12.0, 90.0])), "cm")
    metres = replace(surface, mm_per_unit=1000.0)
    spec = {"a": RegionSpec(part="nose_wing_left", feather_mm=4), "b": RegionSpec(part="jaw_right", feather_mm=9)}
    here = build_regions(surface, spec, lambda name: {}, MARKS_CM)
    marks = {name: np.array(at) @ turn.T + [-44.0, 12.0, 90.0] for name, at in MARKS_CM.items()}
    there = build_regions(away, spec, lambda name: {}, marks)
    small = build_regions(metres, spec, lambda name: {}, {n: np.array(at) / 100 for n, at in MARKS_CM.items()})
    for name in spec:
        assert np.abs(here[name].ramp - there[name].ramp).max() < 1e-4
        assert np.abs(here[name].ramp - small[name].ramp).max() < 1e-4


def test_the_feather_is_as_wide_as_asked_on_the_skin():
    """Across a straight border of a flat sheet the ramp is 0.5 + distance / feather (closed form)."""
    surface = refined(flat_surface(40, 40, 16), 2.0)
    x = surface.position_mm[:, 0]
    score = np.full((len(PARTS), surface.n_vertices), -1e4, np.float32)
    lean = (x - 17.3 + 0.3 * (surface.position_mm[:, 1] - 20)) / np.hypot(1, 0.3)
    score[PARTS.index("chin")], score[PARTS.index("neck")] = 2 * lean, -2 * lean
    partition = Partition(surface, np.argmax(score, axis=0).astype(np.int8), score)
    inner = np.abs(surface.position_mm[:, :2] - 20).max(axis=1) < 14
    assert partition.signed_mm("chin", 12.0)[inner] == pytest.approx(np.clip(lean, -12, 12)[inner], abs=0.05)
    assert partition.signed_mm("neck", 12.0) == pytest.approx(-partition.signed_mm("chin", 12.0), abs=1e-9)
    assert (partition.signed_mm("lips", 12.0) == -12.0).all()


def test_pieces_without_a_landmark_are_no_part_of_the_face():
    head, ball = demo_mesh(), sphere_mesh(11, 6)
    n, n_uv = len(head.position), len(head.texcoord)

    def lists(mesh, values, more=0):
        return [(values[a:b] + more).tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]

    both = PolygonMesh.from_arrays(
        np.vstack([head.position, ball.position / 10 + [3.1, 0.0, 7.0]]),
        lists(head, head.face_position) + lists(ball, ball.face_position, n),
        np.vstack([head.texcoord, ball.texcoord + [2, 0]]),
        lists(head, head.face_texcoord) + lists(ball, ball.face_texcoord, n_uv),
    )
    partition = face_partition(surface_from_mesh(both, "cm"), MARKS_CM)
    rest = partition.part == PARTS.index("rest")
    assert rest.sum() == len(ball.position)
    near = np.linalg.norm(partition.surface.position_mm - [31, 0, 70], axis=1) < 11.001
    assert rest[near].sum() == len(ball.position)
    assert not (demo_parts().part == PARTS.index("rest")).any()


def test_one_part_scores_above_zero_anywhere():
    at = np.random.default_rng(0).uniform(-140, 140, (20_000, 3))
    score = part_scores(at)
    assert ((score > 0).sum(axis=0) == 1).all()


def test_the_map_onto_the_model_head_is_exact_at_landmarks_and_undoes_any_affine_map():
    model = model_mm(NEEDED)
    rng = np.random.default_rng(1)
    turn, points = rng.normal(size=(3, 3)), rng.normal(0, 80, (50, 3))
    affine = ModelMap(model @ turn.T + [5, 6, 7], model)
    assert affine(points @ turn.T + [5, 6, 7]) == pytest.approx(points, abs=1e-7)
    bent = ModelMap(model + rng.normal(0, 5, model.shape), model)
    assert bent(bent.landmark_mm) == pytest.approx(model, abs=1e-8)


def test_depth_inside_an_outline():
    """A square: distance to the nearest side inside, to the nearest side or corner outside (closed form)."""
    square = np.array([(-2, -2), (2, -2), (2, 2), (-2, 2)], float)
    x, y = np.random.default_rng(0).uniform(-4, 4, (2, 5000))
    over = np.stack([np.abs(x) - 2, np.abs(y) - 2])
    asked = -np.where(over.max(axis=0) < 0, over.max(axis=0), np.linalg.norm(np.maximum(over, 0), axis=0))
    for outline in (square, square[::-1].copy()):
        out = np.empty(5000)
        outline_depth(x, y, outline, out)
        assert out == pytest.approx(asked, abs=1e-12)


def test_landmarks_off_the_skin_are_refused_with_name_and_distance():
    marks = {**MARKS_CM, "chin": (0, -14.47, 7.56), "nasion": (0, 0.47, 11.2)}
    told = r"landmarks: nasion \[0, 0.47, 11.2\] is 20.6 mm, chin .* from the skin; allowed: up to 15.4 mm"
    with pytest.raises(RegionError, match=told):
        face_partition(demo(), marks)


def test_missing_landmarks_are_named_in_python_too():
    marks = {name: at for name, at in MARKS_CM.items() if name not in ("chin", "tragion_left", "lip_top")}
    with pytest.raises(
        RegionError, match="parts of the face: no landmark chin, tragion_left; allowed: all of nose_tip"
    ):
        build_regions(demo(), {"x": RegionSpec(part="chin")}, lambda name: {}, marks)
