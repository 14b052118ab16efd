"""Relaxed skin tension lines from landmarks: on the demo head, on heads of another shape, on parts of a head."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from skin_measure import line_angle_difference

from poredepth.demo import demo_recipe_file
from poredepth.errors import RegionError
from poredepth.recipe.model_skin import DirectionSpec
from poredepth.recipe.presets import TENSION_LANDMARKS
from poredepth.surface.direction_sources import DirectionInputs, build_pulls
from poredepth.surface.directions import direction_field
from poredepth.surface.locate import nearest_skin_points
from poredepth.surface.obj import read_obj_polylines
from poredepth.surface.pulls import guide_pull
from poredepth.surface.skin import load_surface
from poredepth.surface.tension_lines import carried_points, landmarks_cm, lines_cm, tension_lines_mm

FACE = ("cheek_left", "cheek_right", "chin", "eyes", "forehead", "lips", "nose")
PRESET = DirectionSpec(preset="tension_lines")


@cache
def demo_head():
    return load_surface(demo_recipe_file().parent / "head.obj", "cm")


def pulls_on(surface, landmarks):
    inputs = DirectionInputs(lines=lambda name: [], angles=lambda name: {}, landmarks=landmarks)
    return build_pulls(surface, [PRESET], inputs)


def off_deg(a, b):
    return np.degrees(line_angle_difference(np.angle(a.doubled) / 2, np.angle(b.doubled) / 2))


def in_face(surface):
    return np.isin(surface.tri_group, [surface.group_names.index(name) for name in FACE])


def test_landmarks_of_the_table_lie_on_the_demo_head_and_are_all_there():
    landmarks = landmarks_cm()
    assert tuple(landmarks) == TENSION_LANDMARKS
    found = nearest_skin_points(demo_head(), 10 * np.array(list(landmarks.values())))
    assert max(point.snapped_mm for point in found) < 0.2


def test_on_the_demo_head_the_preset_is_the_demos_own_guides():
    s = demo_head()
    preset = direction_field(s, pulls=pulls_on(s, landmarks_cm()))
    own = read_obj_polylines(demo_recipe_file().parent / "guides.obj")
    guided = direction_field(s, pulls=[guide_pull(s, [("guide", 10 * line) for line in own])])
    off = off_deg(preset, guided)
    print(f"preset against the demo's guides: median {np.median(off):.1e}, largest {off.max():.1e} degrees")
    assert np.median(off) < 1e-6 and off.max() < 0.1


def other_shape(points):
    """A head with a wide, long jaw, a narrow brow and a long nose that hangs; centimetres, own invention."""
    x, y, z = np.moveaxis(np.asarray(points, float), -1, 0)
    jaw, brow = 1 / (1 + np.exp((y + 6) / 1.5)), 1 / (1 + np.exp(-(y - 3) / 1.5))
    nose = np.exp(-((x / 2.2) ** 2) - ((y + 3) / 2.5) ** 2 - ((z - 10) / 3) ** 2)
    return np.stack(
        [
            x * (1 + 0.18 * jaw - 0.06 * brow),
            1.05 * y - 0.9 * jaw - 0.5 * nose + 0.4 * brow,
            0.97 * z + 0.8 * nose - 0.6 * jaw + 0.1 * np.sin(y),
        ],
        axis=-1,
    )


def test_on_a_head_of_another_shape_the_lines_follow_its_form():
    """Against the demo's guides bent point by point with the head, of which the preset knows 14 points only."""
    s = replace(demo_head(), position_mm=10 * other_shape(demo_head().position_mm / 10))
    landmarks = {name: other_shape(point) for name, point in landmarks_cm().items()}
    preset = direction_field(s, pulls=pulls_on(s, landmarks))
    bent = direction_field(
        s, pulls=[guide_pull(s, [(name, 10 * other_shape(line)) for name, line in lines_cm().items()])]
    )
    off = off_deg(preset, bent)[in_face(s)]
    print(f"preset on a head of another shape: median {np.median(off):.2f}, 95 % {np.percentile(off, 95):.2f} degrees")
    assert np.median(off) < 2 and np.percentile(off, 95) < 10
    # lines left where they are on the demo head are much farther off, so the landmarks do the work
    straight = direction_field(s, pulls=[guide_pull(s, [(n, 10 * np.array(v)) for n, v in lines_cm().items()])])
    assert np.median(off_deg(straight, bent)[in_face(s)]) > 2 * np.median(off)


def test_a_head_moved_turned_and_scaled_keeps_its_field():
    s = demo_head()
    turn = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    still = direction_field(s, pulls=pulls_on(s, landmarks_cm()))
    for scale in (1.0, 1.3):
        head = replace(s, position_mm=scale * s.position_mm @ turn.T + [120.0, -35.0, 44.0])
        landmarks = {
            name: scale * np.array(point) @ turn.T + [12.0, -3.5, 4.4] for name, point in landmarks_cm().items()
        }
        moved = direction_field(head, pulls=pulls_on(head, landmarks))
        assert np.abs(moved.doubled - still.doubled).max() < 1e-6


def test_what_a_mesh_does_not_have_is_left_out():
    """A face without neck, ears and scalp: the lines of the face stay as they are."""
    s = demo_head()
    kept = in_face(s)
    face = replace(
        s,
        **{name: getattr(s, name)[kept] for name in ("tri_vertex", "tri_uv_vertex", "tri_face", "tri_group")},
    )
    whole, part = (direction_field(h, pulls=pulls_on(h, landmarks_cm())) for h in (s, face))
    off = np.degrees(line_angle_difference(np.angle(whole.doubled[kept]) / 2, np.angle(part.doubled) / 2))
    assert np.median(off) < 1 and np.percentile(off, 90) < 15  # lines of the neck no longer bend what lies beside it
    neck = lines_cm()["neck_1"]
    far = guide_pull(face, [("neck", 10 * np.array(neck))], stray_mm=12.0)
    assert (far.weight == 0).all()


def test_landmarks_that_cannot_be_are_told():
    s = demo_head()
    landmarks = landmarks_cm() | {"chin": (0.0, -11.47, 30.0)}
    with pytest.raises(
        RegionError,
        match=r"^directions\[0\]\.preset: landmark chin: \[0, -11\.47, 30\] is 2\d\d\.\d mm from the skin; "
        "allowed: up to",
    ):
        pulls_on(s, landmarks)
    with pytest.raises(RegionError, match=r"^directions\[0\]\.preset: tension_lines lacks chin, hairline;"):
        pulls_on(s, {name: at for name, at in landmarks.items() if name not in ("chin", "hairline")})
    one_place = dict.fromkeys(TENSION_LANDMARKS, landmarks["nose_tip"])
    with pytest.raises(RegionError, match=r"^directions\[0\]: none of its lines comes near the skin"):
        pulls_on(s, one_place)


def test_points_are_carried_smoothly_through_the_landmarks():
    rng = np.random.default_rng(1)
    source, points = rng.normal(size=(9, 3)), rng.normal(size=(20, 3))
    target = source + 0.3 * rng.normal(size=(9, 3))
    assert carried_points(source, target, source) == pytest.approx(target, abs=1e-9)
    affine, shift = rng.normal(size=(3, 3)), np.array([1e4, -20, 3])
    assert carried_points(source, source @ affine + shift, points) == pytest.approx(points @ affine + shift, abs=1e-8)
    near = carried_points(source, target, source + 1e-4)
    assert np.abs(near - target).max() < 1e-2


def test_left_and_right_are_mirror_images():
    lines = tension_lines_mm({name: 10 * np.array(point) for name, point in landmarks_cm().items()})
    assert len(lines) == 50
    for name, line in lines.items():
        if name.endswith("_left"):
            assert lines[name.replace("_left", "_right")] == pytest.approx(line * [-1, 1, 1], abs=1e-9)
