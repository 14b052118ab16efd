"""Flat squares cut into charts, one hazard each; all heights of z are 0, so skin points are told by x and y."""

from __future__ import annotations

import numpy as np
from meshes import grid

from poredepth.surface.obj import PolygonMesh

SIDE_MM = 40.0


def cut_square(left_uv, right_uv, n: int = 10) -> PolygonMesh:
    """A square of 40 mm cut down its middle, x = 20; the halves' UVs are functions of x - 20 and y, both in mm."""
    position, faces = grid(SIDE_MM, SIDE_MM, n, n)
    x, y = position[:, 0] - SIDE_MM / 2, position[:, 1]
    uv = np.vstack([np.column_stack(left_uv(x, y)), np.column_stack(right_uv(x, y))])
    is_right = [position[face, 0].mean() > SIDE_MM / 2 for face in faces]
    face_uv = [[i + right * len(position) for i in face] for face, right in zip(faces, is_right, strict=True)]
    return PolygonMesh.from_arrays(position, faces, uv, face_uv)


def turned(degrees: float, mm_per_uv: float, at: tuple[float, float], mirrored: bool = False):
    """UVs of a half: turned, of one scale, the middle of the cut at ``at``."""
    c, s = np.cos(np.deg2rad(degrees)) / mm_per_uv, np.sin(np.deg2rad(degrees)) / mm_per_uv

    def uv(x, y):
        x, y = (-x if mirrored else x), y - SIDE_MM / 2
        return at[0] + c * x - s * y, at[1] + s * x + c * y

    return uv


#: The charts of `mirrored_square`: degrees, mm per unit of UV, middle of the cut, mirrored.
LEFT, RIGHT = (20, 100, (0.35, 0.5)), (-31, 90, (0.75, 0.5), True)


def mirrored_square() -> PolygonMesh:
    """Two charts of one tile, the right one mirrored and turned, a tenth denser."""
    return cut_square(turned(*LEFT), turned(*RIGHT))


def place_mm(u, v, degrees: float, mm_per_uv: float, at: tuple[float, float], mirrored: bool = False):
    """x and y of the square, mm, at UVs of a half and beyond it: `turned` the other way round."""
    c, s = np.cos(np.deg2rad(degrees)) * mm_per_uv, np.sin(np.deg2rad(degrees)) * mm_per_uv
    x, y = c * (u - at[0]) + s * (v - at[1]), -s * (u - at[0]) + c * (v - at[1])
    return SIDE_MM / 2 + (-x if mirrored else x), SIDE_MM / 2 + y


def square_in_two_tiles() -> PolygonMesh:
    """The right half in tile 1012."""
    return cut_square(turned(20, 80, (0.5, 0.5)), turned(-31, 80, (1.5, 1.5)))


def square_of_unlike_density() -> PolygonMesh:
    """The right half 40 times smaller in UV than the left."""
    return cut_square(turned(20, 80, (0.45, 0.5)), turned(-31, 3200, (0.9, 0.9)))


def square_with_collapsed_uvs() -> PolygonMesh:
    """Of the left chart, one edge along the cut has no length in UV, and one triangle no area."""
    mesh = mirrored_square()
    uv = mesh.texcoord.copy()
    on_cut = np.flatnonzero(np.abs(mesh.position[:, 0] - SIDE_MM / 2) < 1e-9)
    uv[on_cut[4]] = uv[on_cut[5]]
    return _with_uv(mesh, uv)


def touching_square() -> PolygonMesh:
    """The right chart shifted along the cut and laid against the left one: their borders touch, their skin does not
    match."""
    return cut_square(turned(0, 100, (0.4, 0.5)), turned(0, 100, (0.4, 0.6)))


def overlapping_square() -> PolygonMesh:
    """The right chart on top of the middle of the left one."""
    return cut_square(turned(0, 100, (0.6, 0.5)), turned(0, 300, (0.5, 0.5)))


def tube(n: int = 24) -> PolygonMesh:
    """A tube of one chart that is cut open: both sides of its seam are of the same chart."""
    position, faces = grid(2 * np.pi, SIDE_MM, n, 8)
    uv = np.column_stack([0.05 + 0.9 * position[:, 0] / (2 * np.pi), 0.1 + 0.6 * position[:, 1] / SIDE_MM])
    uv[:, 1] += 0.2 * uv[:, 0]  # the two sides stand at different heights
    angle = position[:, 0]
    bent = np.column_stack([10 * np.cos(angle), 10 * np.sin(angle), position[:, 1]])
    return PolygonMesh.from_arrays(bent, faces, uv, faces)


def _with_uv(mesh: PolygonMesh, uv: np.ndarray) -> PolygonMesh:
    cut = list(zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True))
    return PolygonMesh.from_arrays(
        mesh.position,
        [mesh.face_position[a:b].tolist() for a, b in cut],
        uv,
        [mesh.face_texcoord[a:b].tolist() for a, b in cut],
    )
