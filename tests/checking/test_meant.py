"""Finding the recipe's skin by UV, and the yardstick of reading."""

from __future__ import annotations

import numpy as np
import pytest
from meshes_seams import mirrored_square, overlapping_square
from recipes import composed_of, relief_patch, scatter_layer

from poredepth import compose, measure_seams, random_skin_points
from poredepth.checking.meant import MeantRelief
from poredepth.surface.skin import SurfaceWarning


def _points(surface, n=3000):
    skin = random_skin_points(surface, n, np.random.default_rng(0))
    b = skin.barycentric.astype(float)
    b /= b.sum(axis=1, keepdims=True)
    return skin, np.einsum("nk,nkx->nx", b, surface.corner_uv[skin.triangle]), surface.points_mm(skin.triangle, b)


def test_points_are_found_again_by_uv():
    c = composed_of(mirrored_square(), "mm", {"r": relief_patch()}, [scatter_layer("r", 8.0)], output={"size_px": 256})
    skin, uv, at_mm = _points(c.surface)
    found = MeantRelief(c, 256).at(uv, at_mm)
    assert found.found.all()
    assert found.apart_mm.max() < 1e-6
    again_mm = c.surface.points_mm(found.skin.triangle, found.skin.barycentric.astype(float))
    assert again_mm == pytest.approx(at_mm, abs=1e-5)
    assert MeantRelief(c, 256).height_mm(found) == pytest.approx(c.height_mm(skin, 256), abs=1e-5)
    # corners too, which lie on the border of several triangles and of the chart
    corner_uv, corner_mm = c.surface.corner_uv.reshape(-1, 2), c.surface.corner_mm.reshape(-1, 3)
    corners = MeantRelief(c, 256).at(corner_uv, corner_mm)
    assert corners.found.all() and corners.apart_mm.max() < 1e-5


def test_outside_the_charts_and_without_uvs_there_is_nothing():
    c = composed_of(mirrored_square(), "mm", {}, [], output={"size_px": 64})
    relief = MeantRelief(c, 64)
    found = relief.at(np.array([[0.999, 0.999], [np.nan, 0.5], [-3, 0.5], [0.35, 0.5]]), np.zeros((4, 3)))
    assert found.found.tolist() == [False, False, False, True]
    assert np.isnan(relief.height_mm(found)[:3]).all()


def test_where_charts_overlap_the_place_in_space_tells():
    with pytest.warns(SurfaceWarning, match="charts overlap"):
        c = composed_of(overlapping_square(), "mm", {}, [], output={"size_px": 64})
    _, uv, at_mm = _points(c.surface)
    assert MeantRelief(c, 64).at(uv, at_mm).apart_mm.max() < 1e-6


def test_the_yardstick_is_the_error_of_reading_inside_charts():
    """As `measure_seams` has it of a composed map; and it needs no map."""
    c = composed_of(mirrored_square(), "mm", {"r": relief_patch()}, [scatter_layer("r", 8.0)],
                    output={"size_px": 512, "seams": "untouched"})  # fmt: skip
    _, uv, at_mm = _points(c.surface, 20_000)
    relief = MeantRelief(c, 512)
    read_mm, meant_mm = relief.readings_mm(uv, uv, relief.at(uv, at_mm))
    assert len(read_mm) == 20_000
    want = measure_seams(c, compose(c)).reading_rms_mm
    assert np.sqrt(np.mean((read_mm - meant_mm) ** 2)) == pytest.approx(want, rel=0.03)
