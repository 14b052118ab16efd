"""Cavity: how deep the skin lies below its surroundings."""

from __future__ import annotations

import numpy as np
import pytest
from maps_painted import has_skin, painted_heights, texel_values
from meshes import flat_surface
from meshes_density import stretched_square
from meshes_seams import mirrored_square, square_in_two_tiles

from poredepth.derived.cavity import CUTOFF_MM, cavity
from poredepth.surface.skin import surface_from_mesh

#: Sigma of the Gaussian in cutoffs, sqrt(ln 2 / 2) / pi (ISO 16610-61).
SIGMA_RATIO = 0.187390625


@pytest.mark.parametrize("mesh", [mirrored_square, square_in_two_tiles, lambda: stretched_square(60, 120)])
@pytest.mark.parametrize("centre", [(11.3, 17.2), (20.0, 20.0)])
def test_a_pit_is_as_deep_as_the_closed_form_says(mesh, centre):
    """Gaussian pit of sigma s, depth d: d less d s^2 / (s^2 + sigma^2), sigma that of the filter; also on the cut."""
    surface, depth_mm, wide_mm, cutoff_mm = surface_from_mesh(mesh(), "mm"), 0.1, 0.3, 3.0

    def pit(p):
        return -depth_mm * np.exp(-0.5 * ((p[:, :2] - centre) ** 2).sum(axis=1) / wide_mm**2)

    heights = painted_heights(surface, pit, 1500)
    found = cavity(heights, cutoff_mm)
    at, deep = texel_values(heights, found.block)
    near = np.linalg.norm(at[:, :2] - centre, axis=1)
    sigma2 = (SIGMA_RATIO * cutoff_mm) ** 2
    both = wide_mm**2 + sigma2
    want = depth_mm * np.exp(-0.5 * near**2 / wide_mm**2) - depth_mm * wide_mm**2 / both * np.exp(-0.5 * near**2 / both)
    assert np.abs(deep - np.maximum(want, 0)).max() < 0.005 * depth_mm
    assert deep.max() == pytest.approx(want[near.argmin()], rel=0.01)
    _, signed = texel_values(heights, found.relative)
    assert np.array_equal(deep, np.maximum(-signed, 0))
    assert signed.max() > 0.001  # the rim stands above its surroundings


def test_forms_of_some_length_are_no_cavity():
    """Of a wave of 8 cutoffs 1 - 2^-(1/64) = 0.011 is left (ISO 16610-61)."""
    heights = painted_heights(flat_surface(40, 40, 10), lambda p: np.sin(2 * np.pi * p[:, 0] / (8 * CUTOFF_MM)), 1024)
    at, deep = texel_values(heights, cavity(heights).block)
    inside = ((at[:, :2] > 3) & (at[:, :2] < 37)).all(axis=1)
    assert deep[inside].max() == pytest.approx(1 - 2 ** (-1 / 64), abs=0.002)


def test_nothing_is_deep_on_an_empty_map_nor_beside_the_skin():
    surface = surface_from_mesh(mirrored_square(), "mm")
    empty = painted_heights(surface, lambda p: np.zeros(len(p)), 255)
    got = cavity(empty).block(1001, empty.raster.whole())
    assert got.dtype == np.float32 and got.shape == (255, 255)
    assert (got == 0).all() and not np.signbit(got).any()
    rough = painted_heights(surface, lambda p: np.sin(9 * p[:, 0]), 255)
    deep = cavity(rough).block(1001, rough.raster.whole())
    assert deep.min() == 0 and deep.max() > 0.5
    assert (deep[~has_skin(rough, 1001)] == 0).all()
