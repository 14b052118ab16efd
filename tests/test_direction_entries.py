"""Directions from recipe to field: names of landmarks, painted files, refined skin."""

from dataclasses import replace

import numpy as np
import pytest
from meshes import flat_mesh, sphere_mesh
from PIL import Image
from recipes import pore_patch, scatter_layer
from skin_measure import line_angle_difference

from poredepth import RegionError, prepare, recipe_from_dict


def prepared(mesh, directions, folder=".", layers=(), **keys):
    data = {
        "poredepth": 1,
        "mesh": {"file": "head.obj", "unit": keys.pop("unit", "mm")},
        "patches": {"pores": {"file": "array", "texel_um": 1, "height_um": 1}},
        "directions": list(directions),
        "layers": list(layers),
        **keys,
    }
    recipe = recipe_from_dict(data, folder, check_files=False)
    return prepare(recipe, mesh=mesh, patches={"pores": pore_patch()})


def angle_deg(ground):
    xyz = ground.field.xyz(ground.surface)
    return np.degrees(np.arctan2(xyz[:, 1], xyz[:, 0]))


def off_deg(a, b):
    return np.degrees(line_angle_difference(np.radians(a), np.radians(b)))


def test_guides_by_landmarks_are_guides_by_points():
    landmarks = {"a": [-20, 0, 23], "b": [0, 2, 30], "c": [20, 0, 23]}
    named = prepared(
        sphere_mesh(),
        [{"points": ["a", "b", [20, 0, 23]]}, {"around": "c", "radius_mm": 15, "way": "rings"}],
        landmarks=landmarks,
    )
    plain = prepared(
        sphere_mesh(),
        [{"points": list(landmarks.values())}, {"around": landmarks["c"], "radius_mm": 15, "way": "rings"}],
    )
    assert np.array_equal(named.ground.field.doubled, plain.ground.field.doubled)
    guide = [{"points": ["a", "b", "c"]}]
    here, there = (
        prepared(sphere_mesh(), guide, landmarks=landmarks | {"b": b}).ground.field.doubled
        for b in ([0, 2, 30], [4, 9, 28])
    )
    assert np.abs(here - there).max() > 0.1


@pytest.mark.parametrize("name", ["way.png", "way.<UDIM>.png"])
def test_a_painted_file_is_found_beside_the_recipe_and_in_its_tiles(tmp_path, name):
    code = np.full((16, 16), round(50 / 180 * 255), np.uint8)
    Image.fromarray(code).save(tmp_path / name.replace("<UDIM>", "1001"))
    ground = prepared(flat_mesh(), [{"map": name}], tmp_path).ground
    assert off_deg(angle_deg(ground), 50).max() < 0.4


def test_a_fault_is_told_with_the_number_of_its_entry(tmp_path):
    Image.fromarray(np.zeros((4, 4), np.uint8)).save(tmp_path / "way.1005.png")
    (tmp_path / "lines.obj").write_text("v 5 5 0\nv 9 9 0\nv 5 5 80\nv 9 9 80\nl 1 2\nl 3 4\n")
    good = {"points": [[1, 1, 0], [9, 9, 0]]}
    with pytest.raises(RegionError, match=r"^directions\[1\]: the map asks for a direction nowhere"):
        prepared(flat_mesh(), [good, {"map": "way.<UDIM>.png"}], tmp_path)
    with pytest.raises(RegionError, match=r"^directions\[2\]: polyline 2 of 2 in lines\.obj: a point of the guide"):
        prepared(flat_mesh(), [good, good, {"file": "lines.obj"}, good], tmp_path)


def test_the_form_of_a_refined_head_is_that_of_its_mesh():
    """Splitting triangles for small prints changes nothing that the form asks for."""
    mesh = sphere_mesh(30, 10)
    stretched = replace(mesh, position=mesh.position * [1, 1, 2.2])
    coarse = prepared(stretched, [{"curvature": True, "strength": 30}]).ground
    fine = prepared(stretched, [{"curvature": True, "strength": 30}], layers=[scatter_layer("pores", 6.0)]).ground
    assert fine.surface.n_triangles > 8 * coarse.surface.n_triangles
    for ground in (coarse, fine):  # a long ellipsoid is bent least along its axis, away from its ends
        middle = ground.surface.corner_mm.mean(axis=1)
        waist = np.abs(middle[:, 2]) < 30
        lean = np.degrees(np.arccos(np.clip(np.abs(ground.field.xyz(ground.surface)[waist, 2]), 0, 1)))
        tilt = np.degrees(np.arctan2(np.abs(middle[waist, 2]) / 2.2**2, np.hypot(*middle[waist, :2].T)))
        assert np.median(np.abs(lean - tilt)) < 2


def test_a_head_moved_and_turned_rigidly_has_the_same_field(tmp_path):
    code = np.random.default_rng(4).integers(0, 255, (32, 32)).astype(np.uint8)
    Image.fromarray(code).save(tmp_path / "way.png")
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    shift = np.array([120.0, -35.0, 44.0])
    mesh = sphere_mesh(30, 10)
    uneven = mesh.position * [1, 0.8, 1.3]

    def field(position, to):
        landmarks = {"a": to([-20, 0, 29]), "b": to([0, 2, 39]), "c": to([20, 0, 29]), "d": to([28, 6, 6])}
        entries = [
            {"points": ["a", "b"]},
            {"points": ["b", "c"], "strength": 3, "reach_mm": 13},
            {"around": "d", "radius_mm": 17, "way": "rays"},
            {"map": "way.png", "strength": 0.1},
            {"curvature": True, "strength": 5},
        ]
        return prepared(
            replace(mesh, position=position), entries, tmp_path, [scatter_layer("pores", 9.0)], landmarks=landmarks
        ).ground.field

    still = field(uneven, lambda p: p)
    there = field(uneven @ turn.T + shift, lambda p: (np.array(p) @ turn.T + shift).tolist())
    assert np.abs(still.doubled - there.doubled).max() < 1e-6
