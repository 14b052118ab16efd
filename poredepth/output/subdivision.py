"""How finely a mesh must be split to show a displacement map, and how much of a wave a split shows."""

from __future__ import annotations

import math

#: Edges of the mesh for one wave: the rule of the sheet.  Four show 0.81 of a wave's height.
EDGES_PER_WAVE = 4


def shown_ratio(edge_mm: float, wave_mm: float) -> float:
    """Share of the height of a wave that a mesh with straight edges shows.

    Parameters
    ----------
    edge_mm : distance of vertices along the wave, above 0
    wave_mm : its wavelength, at least two edges

    Returns
    -------
    (sin(x) / x)^2 with x = pi edge / wave; 0.81 for four edges a wave, 0.95 for eight.

    Notes
    -----
    Vertices sample the wave exactly, straight edges between them are a convolution of the samples with a triangle two
    edges wide, whose transform is that square.  It is the height of the wave itself in what is shown, wherever the
    vertices fall; the rest of the polygon is finer waves that were not there.

    Source: own derivation; the transform of a triangle is textbook matter.
    """
    x = math.pi * edge_mm / wave_mm
    return (math.sin(x) / x) ** 2 if x > 0 else 1.0


def least_crest_ratio(edge_mm: float, wave_mm: float) -> float:
    """Height of the crest that falls worst, in the middle of an edge, as a share of the wave's: cos(pi edge / wave)."""
    return math.cos(math.pi * edge_mm / wave_mm)


def edge_for_wave_mm(wave_mm: float) -> float:
    """Edge length that shows a wave by the rule of four edges a wave."""
    return wave_mm / EDGES_PER_WAVE


def levels_for_edge(median_edge_mm: float, edge_mm: float) -> int:
    """How often every face must be cut into four, each time halving its edges, for edges of ``edge_mm`` or less."""
    # a hair of room, so that 8 mm to 1 mm is three levels whatever the rounding of the quotient
    return max(0, math.ceil(math.log2(median_edge_mm / edge_mm) - 1e-9))


def triangle_count(area_mm2: float, edge_mm: float) -> float:
    """Triangles of an area covered by squares of an edge length, two triangles each."""
    return 2.0 * area_mm2 / edge_mm**2
