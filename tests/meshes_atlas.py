"""Pairs of unwraps of one surface."""

from __future__ import annotations

import numpy as np
from meshes import sphere_mesh
from shared_data import read_if_there

from poredepth.surface.obj import PolygonMesh


def faces_of(mesh: PolygonMesh) -> list[list[int]]:
    return [mesh.face_position[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]


def face_uvs_of(mesh: PolygonMesh) -> list[list[int]]:
    return [mesh.face_texcoord[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]


def sphere_unwrapped_anew(radius_mm: float = 30, n: int = 12) -> PolygonMesh:
    """`sphere_mesh` with each chart moved: turned, mirrored, scaled otherwise in u and v, some four times denser."""
    mesh = sphere_mesh(radius_mm, n)
    uv = mesh.texcoord.copy()
    per_chart = len(uv) // 6
    places = [
        (0.02, 0.02, 0.6, 0.5),
        (0.65, 0.02, 0.33, 0.3),
        (0.65, 0.36, 0.2, 0.33),
        (0.02, 0.55, 0.35, 0.43),
        (0.4, 0.55, 0.22, 0.4),
        (0.66, 0.72, 0.32, 0.26),
    ]
    for chart, (u, v, width, height) in enumerate(places):
        here = slice(chart * per_chart, (chart + 1) * per_chart)
        local = (uv[here] - uv[here].min(0)) / np.ptp(uv[here], axis=0)
        if chart % 2:
            local[:, 0] = 1 - local[:, 0]
        if chart in (1, 2, 4):
            local = local[:, ::-1]
        uv[here] = local * [width, height] + [u, v]
    return PolygonMesh.from_arrays(
        mesh.position,
        faces_of(mesh),
        uv,
        face_uvs_of(mesh),
    )


def atlas_pairs() -> list[tuple[str, str, PolygonMesh, PolygonMesh]]:
    """(name, unit, one unwrap, another unwrap)."""
    pairs = [("sphere", "mm", sphere_mesh(), sphere_unwrapped_anew())]
    one, nine = read_if_there("face_one_chart_cm.obj"), read_if_there("face_nine_charts_cm.obj")
    if one is not None and nine is not None:
        pairs.append(("face", "cm", one, nine))
    return pairs
