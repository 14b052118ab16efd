"""What a person should look at in a mesh: one sentence each, with how much there is of it and where the first lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from poredepth.errors import MeshError
from poredepth.surface.metric import uv_area
from poredepth.surface.overlaps import chart_overlap

if TYPE_CHECKING:
    from poredepth.surface.skin import Surface

#: A triangle of less area in UV than this holds no texel of any map (a texel of 32K has a thousand times as much).
LEAST_UV_AREA = 1e-12

#: A triangle of less than this share of the mean area is hardly skin: nobody misses its texels.
SLIVER_RATIO = 1e-9

#: Charts that overlap on less than this share of the skin are not told (1.5 mm2 of a head of 1500 cm2).
TOLD_OVERLAP_RATIO = 1e-5

#: More than this share of the charts under others (ten faces deep) is no unwrap at all.
REFUSED_OVERLAP_RATIO = 0.9

OVERLAP_FIX = {
    "fold": "charts are folded over on themselves there: relax them or unwrap them anew",
    "mirrored": (
        "most of it lies mirrored, as halves of a head do that share their charts: move the charts of one half by a "
        "whole tile (u + 1) and bake its maps and masks again, or leave it so if both halves may show one relief"
    ),
    "stacked": "move the later charts to a free place or by a whole tile (u + 1), and bake their maps and masks again",
}


def mesh_findings(surface: Surface) -> list[str]:
    """Triangles without UVs or area, edges that are cut, UVs outside the tiles, charts that overlap.

    Raises
    ------
    MeshError : nearly all charts lie on each other
    """
    uv, mapped = surface.corner_uv, surface.has_uv
    skin = surface.area_mm2 > SLIVER_RATIO * surface.area_mm2.mean()
    found = [
        _of_triangles(surface, ~mapped, "have no UVs and get no texels"),
        _cut_edges(surface),
        _of_triangles(surface, surface.area_mm2 <= 0, "have no area"),
        _of_triangles(surface, skin & (uv_area(surface) < LEAST_UV_AREA), "have no area in UV and get no texels"),
        _of_triangles(
            surface,
            ((uv < -1e-6) | (uv > 10 + 1e-6)).any(axis=(1, 2)),
            "reach outside the UV tiles 1001 to 1100 and get no texels there",
        ),
        _overlap(surface),
    ]
    return [sentence for sentence in found if sentence is not None]


def _of_triangles(surface: Surface, bad: np.ndarray, what: str) -> str | None:
    if not bad.any():
        return None
    first = np.flatnonzero(bad)[np.argmin(surface.tri_face[bad])]
    return f"{bad.sum()} triangles {what}, the first at {surface.place_text(surface.corner_mm[first].mean(axis=0))}"


def _cut_edges(surface: Surface) -> str | None:
    edges = surface.adjacency.non_manifold
    if not len(edges):
        return None
    return (
        f"{len(edges)} edges are shared by more than two faces or have faces of opposite winding, the first at "
        f"{surface.place_text(surface.position_mm[edges[0]].mean(axis=0))}; skin is laid on either side as if cut there"
    )


def _overlap(surface: Surface) -> str | None:
    found = chart_overlap(surface)
    if found is None or found.lost_mm2 <= TOLD_OVERLAP_RATIO * surface.area_mm2.sum():
        return None
    if found.uv_ratio > REFUSED_OVERLAP_RATIO:
        raise MeshError(
            f"{surface.label}: {100 * found.uv_ratio:.1f} % of the charts' area lie on each other in UV, for one the "
            f"skin at {surface.place_text(found.lost_at_mm)} on that at {surface.place_text(found.shown_at_mm)}; "
            "allowed: one place of the skin for each place in UV; unwrap the mesh first"
        )
    return (
        f"charts overlap in UV: {_short_mm2(found.lost_mm2)} of skin ({100 * found.uv_ratio:.2g} % of the charts' "
        f"area) lie under faces that come earlier in the file and show their heights, most in one face at "
        f"{surface.place_text(found.lost_at_mm)}, u {found.uv[0]:.4f} v {found.uv[1]:.4f}, under the skin at "
        f"{surface.place_text(found.shown_at_mm)}; allowed: one place of the skin for each place in UV; "
        f"{OVERLAP_FIX[found.kind]}"
    )


def _short_mm2(area_mm2: float) -> str:
    return f"{area_mm2:.0f} mm2" if area_mm2 >= 100 else f"{area_mm2:.3g} mm2"
