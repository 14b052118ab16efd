"""Cracks along seams, in closed form on a square cut into two charts."""

from __future__ import annotations

import numpy as np
import pytest
from displaced import float_maps
from meshes import cut_apart, flat_mesh
from meshes_seams import LEFT, RIGHT, mirrored_square, place_mm, square_in_two_tiles

from poredepth.checking.cracks import cracks
from poredepth.checking.rendered import checked_maps
from poredepth.checking.tessellate import Tessellation, base_surface
from poredepth.surface.polygons import PolygonMesh


def _cracks(mesh, maps, unit="mm", edge_mm=0.5):
    return cracks(Tessellation(base_surface(mesh, unit)[0], edge_mm), checked_maps(maps, unit))


def _by_chart(n, left, right):
    row, col = np.indices((n, n))
    u, v = (col + 0.5) / n, 1 - (row + 0.5) / n
    return np.where(u > 0.55, right(*place_mm(u, v, *RIGHT)), left(*place_mm(u, v, *LEFT)))


def test_a_crack_is_as_wide_as_its_sides_read_apart():
    """0 on the left, 0.01 mm x y / 40 on the right, y from 0 to 40 mm along the cut: rms 0.01 / sqrt(3)."""
    maps = float_maps(_by_chart(200, lambda x, y: 0 * x, lambda x, y: 0.01 * y / 40))
    found = _cracks(mirrored_square(), maps)
    assert np.sqrt(np.mean(found.width**2)) == pytest.approx(0.01 / np.sqrt(3), rel=0.01)
    assert found.width == pytest.approx(0.01 * found.position[:, 1] / 40, abs=1e-8)
    assert found.position[:, 0] == pytest.approx(20)
    widest = np.argmax(found.width)
    sides = [place_mm(*uv, *chart) for uv, chart in zip(sorted(found.uv[widest].tolist()), (LEFT, RIGHT), strict=True)]
    assert np.array(sides) == pytest.approx(np.tile(found.position[widest, :2], (2, 1)), abs=1e-9)


def test_ends_that_meet_leave_no_crack():
    found = _cracks(mirrored_square(), float_maps(_by_chart(200, *[lambda x, y: 0.001 * x - 0.002 * y] * 2)))
    assert found.width.max() < 1e-7


def test_a_mesh_cut_apart_in_its_file_is_joined_first():
    found = _cracks(cut_apart(mirrored_square()), float_maps(np.full((64, 64), 0.02)))
    assert len(found.width) > 0
    assert found.width.max() < 1e-12


def test_two_tiles_each_read_their_own():
    maps = float_maps(np.full((8, 8), 0.01)) | float_maps(np.full((8, 8), 0.03), 1012)
    assert _cracks(square_in_two_tiles(), maps).width == pytest.approx(0.02, abs=1e-9)


def test_faces_without_uvs_stay_and_their_edges_tear():
    mesh = flat_mesh(40, 40, 4)
    faces = mesh.face_position.reshape(-1, 4)
    face_uv = faces.copy()
    face_uv[:4] = -1
    mesh = PolygonMesh.from_arrays(mesh.position, faces, mesh.texcoord, face_uv)
    found = _cracks(mesh, float_maps(np.full((8, 8), 0.05)))
    assert found.width == pytest.approx(0.05)
    assert found.position[:, 1] == pytest.approx(10)
    assert np.isnan(found.uv).any(axis=(1, 2)).all()


def test_a_mesh_of_one_chart_has_no_seams():
    assert len(_cracks(flat_mesh(), float_maps(np.zeros((8, 8)))).width) == 0
