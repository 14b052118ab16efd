"""What a mesh with straight edges shows of a wave: closed forms against polygons measured."""

from __future__ import annotations

import numpy as np
import pytest

from poredepth.output.subdivision import (
    edge_for_wave_mm,
    least_crest_ratio,
    levels_for_edge,
    shown_ratio,
    triangle_count,
)


def polygon(edges_per_wave: float, phase: float, n_waves: int = 400, fine: int = 64):
    """A wave of length 1 sampled at vertices, joined by straight lines: places and heights, over whole waves."""
    edge = 1 / edges_per_wave
    vertices = (np.arange(-2, n_waves * edges_per_wave + 3)) * edge
    at = (np.arange(n_waves * fine) + 0.5) / fine
    return at, np.interp(at, vertices, np.sin(2 * np.pi * vertices + phase))


@pytest.mark.parametrize("edges_per_wave", [2.5, 3, 4, 5.25, 8, 16])
@pytest.mark.parametrize("phase", [0.0, 0.7, np.pi / 2])
def test_the_wave_in_a_polygon_is_as_high_as_the_closed_form(edges_per_wave, phase):
    at, height = polygon(edges_per_wave, phase)
    wave = 2 * abs(np.mean(height * np.exp(-2j * np.pi * at)))
    assert wave == pytest.approx(shown_ratio(1 / edges_per_wave, 1), abs=2e-3)


def test_the_figures_of_the_rule():
    """Four edges: (sin(pi/4) / (pi/4))^2 = 8 / pi^2 = 0.8106, and cos(pi/4) = 0.7071 at the worst crest."""
    assert shown_ratio(1, 4) == pytest.approx(8 / np.pi**2, rel=1e-12)
    assert least_crest_ratio(1, 4) == pytest.approx(np.sqrt(0.5), rel=1e-12)
    assert shown_ratio(0, 1) == 1.0
    # crest of the polygon with vertices a quarter wave apart, half an edge beside the crest
    assert polygon(4, np.pi / 4)[1].max() == pytest.approx(least_crest_ratio(1, 4), abs=1e-9)
    assert edge_for_wave_mm(0.4) == pytest.approx(0.1)


@pytest.mark.parametrize(
    "median_mm, edge_mm, levels", [(8, 1, 3), (0.8, 0.1, 3), (3.1, 0.0546, 6), (1, 1, 0), (1, 2, 0), (1.01, 1, 1)]
)
def test_levels_halve_edges_until_they_are_short_enough(median_mm, edge_mm, levels):
    assert levels_for_edge(median_mm, edge_mm) == levels
    assert median_mm / 2**levels <= edge_mm * (1 + 1e-6)
    assert levels == 0 or median_mm / 2 ** (levels - 1) > edge_mm


def test_triangles_of_a_square():
    """10 x 10 mm in squares of 1 mm: 100 squares, 200 triangles."""
    assert triangle_count(100, 1) == 200
    assert triangle_count(150_000, 0.0546) == pytest.approx(1.006e8, rel=1e-3)
