"""A region seen flat: steps of the grid are steps on the skin."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_surface, grid, sphere_surface, two_charts_mesh

from poredepth.raster.flat_view import MOST_LEFT_OUT, TRUE_STRETCH, flat_view, largest_piece
from poredepth.surface.directions import direction_field
from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import surface_from_mesh


def half_cylinder(radius_mm: float = 20.0, length_mm: float = 40.0, n: int = 24) -> PolygonMesh:
    """Axis along y, outward away from it; the arc is pi x radius long."""
    position, faces = grid(np.pi, length_mm, n, 16)
    angle = np.pi - position[:, 0]
    uv = np.column_stack([position[:, 0] / np.pi, position[:, 1] / length_mm])
    bent = np.column_stack([radius_mm * np.cos(angle), position[:, 1], radius_mm * np.sin(angle)])
    return PolygonMesh.from_arrays(bent, faces, uv, faces)


def _view(surface, where=None, step_mm=0.5):
    where = np.arange(surface.n_triangles) if where is None else where
    return flat_view(surface, direction_field(surface), where, step_mm)


def _at_mm(surface, view):
    at = surface.points_mm(view.points.triangle, view.points.barycentric.astype(float)).reshape(*view.shape, 3)
    return np.where(view.shown[..., None], at, np.nan)


@pytest.mark.parametrize("surface", [flat_surface(40, 30, 6), surface_from_mesh(half_cylinder(), "mm")])
def test_steps_are_those_on_the_skin(surface):
    """To the chord of a polygon of 24 sides: a step of 0.5 mm."""
    view = _view(surface)
    at = _at_mm(surface, view)
    for axis in (0, 1):
        step = np.linalg.norm(np.diff(at, axis=axis), axis=2)
        assert np.nanmean(step) == pytest.approx(0.5, rel=2e-3)
        assert np.nanpercentile(step, 99) < 0.502
    assert view.shown.sum() * 0.25 == pytest.approx(surface.area_mm2.sum(), rel=0.03)
    assert view.left_out_ratio < 0.03
    assert view.stretch == pytest.approx((1, 1), abs=0.01)


def test_columns_run_along_the_directions_and_rows_down_seen_from_outside():
    surface = flat_surface(40, 30, 6)
    field = direction_field(surface)
    at = _at_mm(surface, _view(surface))
    along, down = (np.nanmean(np.diff(at, axis=axis), axis=(0, 1)) for axis in (1, 0))
    [line] = {tuple(np.round(np.abs(x), 6)) for x in _lines(surface, field)}
    assert np.abs(along[:2]) / 0.5 == pytest.approx(line[:2], abs=1e-3)
    assert np.cross(along, -down)[2] > 0


def _lines(surface, field):
    way = np.stack([np.cos(field.angle_rad), np.sin(field.angle_rad)], axis=1)
    return np.einsum("tx,txd->td", way, surface.frame)


def test_unwraps_do_not_matter():
    """The same square in one chart and in two, one of them mirrored: the same grid."""
    one, two = flat_surface(), surface_from_mesh(two_charts_mesh(), "mm")
    assert np.nanmax(np.abs(_at_mm(one, _view(one)) - _at_mm(two, _view(two)))) < 1e-4


def test_a_closed_ball_is_seen_by_a_disk():
    surface = sphere_surface(30, 10)
    view = _view(surface)
    assert view.left_out_ratio <= MOST_LEFT_OUT
    assert TRUE_STRETCH[0] <= view.stretch[0] and view.stretch[1] <= TRUE_STRETCH[1]
    shown_mm2 = view.shown.sum() * view.step_mm**2
    assert 0.1 < shown_mm2 / surface.area_mm2.sum() < 0.6


def test_the_largest_piece_is_that_of_most_area():
    surface = flat_surface(40, 40, 4)
    x = surface.corner_mm.mean(axis=1)[:, 0]
    where = largest_piece(surface, (x < 10) | (x > 20))
    assert surface.area_mm2[where].sum() == pytest.approx(800)
    assert len(largest_piece(surface, np.zeros(surface.n_triangles, bool))) == 0
