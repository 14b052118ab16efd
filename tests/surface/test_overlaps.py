"""Charts that lie on each other: measured against closed forms, told on a head, not told where charts merely touch."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from meshes import flat_mesh, grid, sphere_mesh
from meshes_atlas import face_uvs_of, faces_of
from meshes_traps import halves, mirror_stacked
from shared_data import read_if_there

from poredepth import MeshError, PolygonMesh, read_obj
from poredepth.surface import overlaps
from poredepth.surface.findings import TOLD_OVERLAP_RATIO
from poredepth.surface.overlaps import TOUCH_UV, chart_overlap
from poredepth.surface.skin import SurfaceWarning, surface_from_mesh

HEAD = Path(__file__).parents[2] / "demo_data" / "head.obj"


def _surface(mesh, unit="mm"):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SurfaceWarning)
        return surface_from_mesh(mesh, unit)


def _plates(*uv_of_plates, n=6):
    """Flat plates of 20 x 20 mm side by side, each a chart; functions of (x, y) in 0..1 give their UVs."""
    position, faces = grid(20, 20, n, n)
    place = np.vstack([position + [25 * i, 0, 0] for i in range(len(uv_of_plates))])
    every = [[v + i * len(position) for v in face] for i in range(len(uv_of_plates)) for face in faces]
    uv = np.vstack([np.column_stack(uv_of(*position[:, :2].T / 20)) for uv_of in uv_of_plates])
    return PolygonMesh.from_arrays(place, every, uv, every)


@pytest.mark.parametrize("seed", range(4))
def test_two_turned_charts_overlap_by_the_area_of_their_common_polygon(seed):
    """Area of the common part of two rectangles, one turned: by counting four million points of UV."""
    rng = np.random.default_rng(seed)
    angle, at, size = rng.uniform(0, np.pi), rng.uniform(0.4, 0.6, 2), rng.uniform(0.15, 0.3, 2)
    c, s = np.cos(angle), np.sin(angle)

    def turned(x, y):
        a, b = (x - 0.5) * size[0], (y - 0.5) * size[1]
        return at[0] + c * a - s * b, at[1] + s * a + c * b

    found = chart_overlap(_surface(_plates(lambda x, y: (0.3 + 0.2 * x, 0.3 + 0.25 * y), turned)))
    u, v = (np.stack(np.meshgrid(*2 * [np.arange(2000)])) + 0.5) / 2000
    a, b = c * (u - at[0]) + s * (v - at[1]), -s * (u - at[0]) + c * (v - at[1])
    both = (np.abs(a) < size[0] / 2) & (np.abs(b) < size[1] / 2) & (np.abs(u - 0.4) < 0.1) & (np.abs(v - 0.425) < 0.125)
    # the later plate loses: 400 mm2 for all of its UV area; charts count less a margin of TOUCH_UV along their borders
    margin_mm2 = TOUCH_UV * 2 * (0.2 + 0.25) / size.prod() * 400
    assert found.lost_mm2 == pytest.approx(both.mean() / size.prod() * 400, abs=margin_mm2 + 0.1)
    assert found.uv_ratio == pytest.approx(both.mean() / (size.prod() + 0.05), rel=0.02)
    assert found.kind == "stacked"
    # both places are where it says
    assert turned((found.lost_at_mm[0] - 25) / 20, found.lost_at_mm[1] / 20) == pytest.approx(found.uv, abs=1e-9)
    assert [0.3 + found.shown_at_mm[0] / 100, 0.3 + found.shown_at_mm[1] / 80] == pytest.approx(found.uv, abs=1e-9)


@pytest.mark.parametrize("n_looks", [1, overlaps.N_LOOKS])
def test_quads_with_other_diagonals_on_each_other_are_wholly_lost(n_looks, monkeypatch):
    """The diagonals of mirrored squares run through the centres of each other's triangles; 1 is one look a triangle."""
    monkeypatch.setattr(overlaps, "N_LOOKS", n_looks)
    found = chart_overlap(
        _surface(_plates(lambda x, y: (0.1 + 0.5 * x, 0.1 + 0.5 * y), lambda x, y: (0.6 - 0.5 * x, 0.1 + 0.5 * y)))
    )
    assert found.lost_mm2 == pytest.approx(400, rel=0.01)
    assert found.kind == "mirrored"


def test_three_plates_on_one_place_lose_two():
    def one(x, y):
        return 0.1 + 0.5 * x, 0.1 + 0.5 * y

    found = chart_overlap(_surface(_plates(one, one, one)))
    assert found.lost_mm2 == pytest.approx(800, rel=0.01)
    assert found.uv_ratio == pytest.approx(2 / 3, rel=0.01)


def test_the_first_face_of_the_file_keeps_its_texels_whatever_the_order_of_points():
    mesh = _plates(lambda x, y: (0.1 + 0.5 * x, 0.1 + 0.5 * y), lambda x, y: (0.2 + 0.1 * x, 0.2 + 0.1 * y))
    small_first = PolygonMesh.from_arrays(mesh.position, faces_of(mesh)[::-1], mesh.texcoord, face_uvs_of(mesh)[::-1])
    assert chart_overlap(_surface(mesh)).lost_mm2 == pytest.approx(400, rel=0.01)  # the small one, wholly
    assert chart_overlap(_surface(small_first)).lost_mm2 == pytest.approx(400 * 0.04, rel=0.01)  # a part of the large


@pytest.mark.parametrize("off", [0.0, 1e-6, 0.9 * TOUCH_UV])
@pytest.mark.parametrize("size", [0.9, 0.01])
def test_charts_that_merely_touch_or_are_rounded_into_each_other_are_no_overlap(off, size):
    def left(x, y):
        return 0.05 + size * x, 0.05 + size * y

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        s = surface_from_mesh(halves(lambda x, y: (0.05 + size * (0.5 + x) - off, 0.05 + size * y), left), "mm")
    assert chart_overlap(s) is None


def test_sound_atlases_are_no_overlap_also_with_four_digits():
    meshes = [sphere_mesh(), flat_mesh(), read_obj(HEAD), read_if_there("face_nine_charts_cm.obj")]
    for mesh in (m for m in meshes if m is not None):
        for uv in (mesh.texcoord, np.round(mesh.texcoord, 4)):
            found = chart_overlap(
                _surface(PolygonMesh.from_arrays(mesh.position, faces_of(mesh), uv, face_uvs_of(mesh)))
            )
            # rounding turns over slivers: below what is told
            assert found is None or found.lost_mm2 < TOLD_OVERLAP_RATIO * _surface(mesh).area_mm2.sum()


def test_a_spot_of_20_mm2_of_a_head_is_told_with_its_place():
    head = read_obj(HEAD)
    s = _surface(head, "cm")
    face_mm2 = np.bincount(s.tri_face, s.area_mm2)
    faces, face_uv = faces_of(head), face_uvs_of(head)
    last = len(faces) - 1 - int(np.searchsorted(np.cumsum(face_mm2[::-1]), 15.0))
    chosen = range(last, len(faces))
    chosen_mm2 = face_mm2[last:].sum()
    assert 15 < chosen_mm2 < 30
    # these faces, the last of the file, are put on the middle of the forehead's chart, as large as they were
    forehead = np.flatnonzero(s.tri_group == s.group_names.index("forehead"))
    middle = s.corner_uv[forehead].mean(axis=(0, 1))
    uv, number = head.texcoord.tolist(), {}
    own = np.array([head.texcoord[t] for f in chosen for t in face_uv[f]])
    for f in chosen:
        for k, t in enumerate(list(face_uv[f])):
            if t not in number:
                number[t] = len(uv)
                uv.append((head.texcoord[t] - own.mean(axis=0) + middle).tolist())
            face_uv[f][k] = number[t]
    mesh = PolygonMesh.from_arrays(head.position, faces, uv, face_uv)
    with pytest.warns(SurfaceWarning, match=r"charts overlap in UV: .* mm2 of skin") as said:
        moved = surface_from_mesh(mesh, "cm")
    [message] = [str(w.message) for w in said]
    found = chart_overlap(moved)
    print(f"{chosen_mm2:.2f} mm2 put on the forehead: found {found.lost_mm2:.2f} mm2")
    assert found.lost_mm2 == pytest.approx(chosen_mm2, rel=0.15)
    assert message.count("] in mesh units") == 2
    # the places: among the chosen faces, and on the forehead; two decimals of a centimetre
    at = [np.array(part.split("]")[0].split(", "), float) for part in message.split("[")[1:]]
    assert np.linalg.norm(s.corner_mm[s.tri_face >= last].reshape(-1, 3) / 10 - at[0], axis=1).min() < 0.3
    assert np.linalg.norm(s.corner_mm[forehead].reshape(-1, 3) / 10 - at[1], axis=1).min() < 0.3


def test_mirrored_halves_are_told_what_to_do():
    with pytest.warns(SurfaceWarning, match=r"move the charts of one half by a whole tile \(u \+ 1\)"):
        s = surface_from_mesh(mirror_stacked(), "mm")
    found = chart_overlap(s)
    assert found.lost_mm2 == pytest.approx(s.area_mm2.sum() / 2, rel=0.01)
    # what is shown lies across the middle, at the same height
    assert found.shown_at_mm[0] == pytest.approx(40 - found.lost_at_mm[0], abs=1e-6)
    assert found.shown_at_mm[1] == pytest.approx(found.lost_at_mm[1], abs=1e-6)


def test_a_mesh_whose_faces_all_fill_the_tile_is_refused():
    """The UVs that a modelling program gives faces before they are unwrapped."""
    mesh = flat_mesh(40, 40, 10)
    uv_of_all = [[0, 1, 2, 3]] * mesh.n_faces
    mesh = PolygonMesh.from_arrays(mesh.position, faces_of(mesh), [[0, 0], [1, 0], [1, 1], [0, 1]], uv_of_all)
    with pytest.raises(
        MeshError, match=r"9[89]\.\d % of the charts' area lie on each other in UV, .*; unwrap the mesh"
    ):
        surface_from_mesh(mesh, "mm")


def test_what_lies_outside_the_tiles_is_no_overlap():
    def one(x, y):
        return 10.1 + 0.5 * x, 0.1 + 0.5 * y

    assert chart_overlap(_surface(_plates(one, one))) is None
