"""Every trap an atlas or a mesh can hold, each with its own small mesh, and what must be said about it.

Most are one curved sheet of 40 x 40 mm, so that what is laid on it can be compared with the same in one plain chart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from meshes import cut_apart, grid
from meshes_atlas import face_uvs_of, faces_of

from poredepth.surface.obj import PolygonMesh

SIDE_MM, N = 40.0, 8


@dataclass(frozen=True)
class Trap:
    """A mesh, patterns of all that must be warned of, and whether its skin is the plain sheet's."""

    name: str
    mesh: PolygonMesh
    says: tuple[str, ...] = ()
    plain: bool = True


def sheet(n: int = N) -> tuple[np.ndarray, list[list[int]]]:
    """The curved sheet: positions and n x n quads."""
    position, faces = grid(SIDE_MM, SIDE_MM, n, n)
    x, y = position[:, 0] / SIDE_MM, position[:, 1] / SIDE_MM
    position[:, 2] = 6 * np.sin(np.pi * x) * np.sin(2 * y + 0.3)
    return position, faces


def plain_mesh() -> PolygonMesh:
    position, faces = sheet()
    return PolygonMesh.from_arrays(position, faces, 0.05 + 0.9 * position[:, :2] / SIDE_MM, faces)


def charted(chart_of: Callable, uv_of: Callable, position=None, faces=None) -> PolygonMesh:
    """Face f is in the chart ``chart_of(x, y, f)``, x and y its centre in 0..1; ``uv_of(chart, x, y)`` gives UVs."""
    if position is None:
        position, faces = sheet()
    unit = position[:, :2] / SIDE_MM
    chart = [chart_of(*unit[face].mean(axis=0), f) for f, face in enumerate(faces)]
    number: dict[tuple[int, int], int] = {}
    for face, c in zip(faces, chart, strict=True):
        for v in face:
            number.setdefault((c, v), len(number))
    uv = np.array([uv_of(c, *unit[v]) for c, v in number], float)
    face_uv = [[number[c, v] for v in face] for face, c in zip(faces, chart, strict=True)]
    return PolygonMesh.from_arrays(position, faces, uv, face_uv)


def halves(right: Callable, left: Callable = lambda x, y: (0.02 + 0.9 * x, 0.02 + 0.9 * y)) -> PolygonMesh:
    """Two charts, cut down the middle; ``left`` and ``right`` give UVs, the right one of x from 0 to 0.5."""
    return charted(lambda x, y, f: int(x > 0.5), lambda c, x, y: right(x - 0.5, y) if c else left(x, y))


def _turned(x, y, degrees=37.0):
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    return 0.75 + 0.35 * (c * x - s * (y - 0.5)), 0.5 + 0.35 * (s * x + c * (y - 0.5))


def _with_uv(change: Callable) -> PolygonMesh:
    """The plain mesh with its UVs changed by a function of (uv, position)."""
    mesh = plain_mesh()
    return PolygonMesh.from_arrays(
        mesh.position, faces_of(mesh), change(mesh.texcoord.copy(), mesh.position), faces_of(mesh)
    )


def _collapsed(uv, position):
    uv[30] = uv[31] = uv[39] = uv[40]  # all four corners of one quad in one point of UV
    return uv


def _one_in_a_line() -> PolygonMesh:
    """One quad is a chart of its own without width, the rest one chart."""
    return charted(
        lambda x, y, f: int(f == 27), lambda c, x, y: (0.97, 0.1 + y) if c else (0.05 + 0.85 * x, 0.05 + 0.85 * y)
    )


def _quads_apart(n: int = N) -> PolygonMesh:
    """Every quad its own chart, turned by any angle, every third mirrored."""

    def uv_of(c, x, y):
        i, j = c % n, c // n
        a, b = (x * n - i - 0.5) * (-1 if c % 3 == 0 else 1), y * n - j - 0.5
        cos, sin = np.cos(c), np.sin(c)
        return (i + 0.5 + 0.6 * (cos * a - sin * b)) / n, (j + 0.5 + 0.6 * (sin * a + cos * b)) / n

    return charted(lambda x, y, f: f, uv_of, *sheet(n))


def _small_charts() -> PolygonMesh:
    """A triangle as a chart, a quad over one texel of 256, a quad that holds no texel centre; the rest one chart."""
    position, faces = sheet()
    first, *rest = faces[27]
    faces = [*faces[:27], [first, *rest[:2]], [first, *rest[1:]], *faces[28:]]
    texel = 1 / 256

    def chart_of(x, y, f):
        return {27: 1, 36: 2, 40: 3}.get(f, 0)

    def uv_of(c, x, y):
        if c == 1:
            return 0.92 + 0.3 * (x - 0.375), 0.2 + 0.3 * (y - 0.375)
        if c == 2:  # the quad x 3/8 to 4/8, y 4/8 to 5/8
            return (240 + (x * N - 3)) * texel, (100 + (y * N - 4)) * texel
        if c == 3:  # the quad x 7/8 to 1, y 4/8 to 5/8
            return (240 + 0.05 + 0.4 * (x * N - 7)) * texel, (140 + 0.05 + 0.4 * (y * N - 4)) * texel
        return 0.02 + 0.85 * x, 0.02 + 0.85 * y

    return charted(chart_of, uv_of, position, faces)


def _overlapping() -> PolygonMesh:
    """The right chart reaches over the left one by 20 mm2 of skin or so: one corner of it, 4.5 mm wide."""
    return halves(lambda x, y: (0.472 - 0.1 + 0.9 * x, 0.92 - 0.105 + 0.18 * y))


def _folded() -> PolygonMesh:
    def change(uv, position):
        uv[40] += [-0.17, 0.0]  # a point of the middle drawn over its neighbour
        return uv

    return _with_uv(change)


def _dome(n: int, uv_of: Callable) -> PolygonMesh:
    """A fan of n triangles about a pole over a ring of quads; ``uv_of(ring, step)`` gives UVs, the pole's by step."""
    angle = 2 * np.pi * np.arange(n) / n
    rings = [np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(n, z)]) for r, z in ((20, 0), (12, 4))]
    position = np.vstack([*rings, [[0, 0, 6]]]) + [20, 20, 0]
    faces = [[i, (i + 1) % n, n + (i + 1) % n, n + i] for i in range(n)] + [
        [n + i, n + (i + 1) % n, 2 * n] for i in range(n)
    ]
    uv = np.array([uv_of(ring, step) for ring in range(3) for step in range(n + 1)])
    at = np.arange(3 * (n + 1)).reshape(3, n + 1)
    face_uv = [[at[0, i], at[0, i + 1], at[1, i + 1], at[1, i]] for i in range(n)]
    face_uv += [[at[1, i], at[1, i + 1], at[2, i]] for i in range(n)]
    return PolygonMesh.from_arrays(position, faces, uv, np.array(face_uv, object).tolist())


def _with_fin() -> PolygonMesh:
    """A third face on an inner edge of the sheet."""
    position, faces = sheet()
    a, b = faces[27][:2]
    position = np.vstack([position, position[a] + [0, 0, 6], position[b] + [0, 0, 6]])
    faces = [*faces, [a, b, len(position) - 1, len(position) - 2]]
    return charted(
        lambda x, y, f: int(f == 64),
        lambda c, x, y: (0.9 + 0.2 * (x - 0.4), 0.5) if c else (0.02 + 0.8 * x, 0.02 + 0.8 * y),
        position,
        faces,
    )


def _fin_mesh() -> PolygonMesh:
    mesh = _with_fin()
    uv = mesh.texcoord.copy()
    uv[mesh.face_texcoord[-4:]] = [[0.85, 0.5], [0.95, 0.5], [0.95, 0.6], [0.85, 0.6]]
    face_uv = face_uvs_of(mesh)
    return PolygonMesh.from_arrays(mesh.position, faces_of(mesh), uv, face_uv)


def _without(faces_left_out: set[int]) -> PolygonMesh:
    mesh = plain_mesh()
    faces = [face for f, face in enumerate(faces_of(mesh)) if f not in faces_left_out]
    return PolygonMesh.from_arrays(mesh.position, faces, mesh.texcoord, faces)


def _one_turned_round() -> PolygonMesh:
    mesh = plain_mesh()
    faces = faces_of(mesh)
    faces[27] = faces[27][::-1]
    return PolygonMesh.from_arrays(mesh.position, faces, mesh.texcoord, faces)


def _some_without_uv() -> PolygonMesh:
    mesh = plain_mesh()
    faces = faces_of(mesh)
    return PolygonMesh.from_arrays(
        mesh.position, faces, mesh.texcoord, [[-1] * 4 if f == 27 else p for f, p in enumerate(faces)]
    )


def _sliver() -> PolygonMesh:
    """A triangle without area in the middle of the sheet: a point on an edge that only one side has."""
    position, faces = sheet()
    a, b, c, d = faces[27]
    position = np.vstack([position, 0.5 * (position[a] + position[b])])
    m = len(position) - 1
    faces = [*faces[:27], [a, m, d], [m, b, c], [m, c, d], *faces[28:], [a, b, m]]
    uv = 0.05 + 0.9 * position[:, :2] / SIDE_MM
    return PolygonMesh.from_arrays(position, faces, uv, faces)


def duplicated(mesh: PolygonMesh) -> PolygonMesh:
    """The mesh with the points along its seams repeated at the end, as an export that splits at seams does."""
    faces, position = faces_of(mesh), mesh.position.tolist()
    taken: dict[int, int] = {}  # the first texture coordinate of a point keeps it
    repeated: dict[tuple[int, int], int] = {}
    uv_faces = face_uvs_of(mesh)
    for face, uv_face in zip(faces, uv_faces, strict=True):
        for k, (v, t) in enumerate(zip(list(face), uv_face, strict=True)):
            if taken.setdefault(v, t) != t:
                if (v, t) not in repeated:
                    repeated[v, t] = len(position)
                    position.append(position[v])
                face[k] = repeated[v, t]
    return PolygonMesh.from_arrays(position, faces, mesh.texcoord, uv_faces)


def mirror_stacked() -> PolygonMesh:
    """Left and right half share one area of UV, mirrored, joined along the middle as by a modelling program."""
    return _with_uv(lambda uv, p: np.column_stack([0.05 + 1.8 * np.minimum(p[:, 0], 40 - p[:, 0]) / 40, uv[:, 1]]))


def traps() -> list[Trap]:
    cut = r"[14] edges are shared by more than two faces or have faces of opposite winding, the first at \[.*\]"
    reach = r"\d+ triangles reach outside the UV tiles 1001 to 1100 and get no texels there, the first at \[.*\]"
    flat_uv = r"[26] triangles have no area in UV and get no texels, the first at \[.*\]"
    lies = r"charts overlap in UV: {} mm2 of skin .* most in one face at \[.*\] in mesh units, u 0\.\d+ v 0\.\d+, under"
    return [
        Trap("mirrored chart", halves(lambda x, y: (0.97 - 0.7 * x, 0.05 + 0.7 * y))),
        Trap("rotated chart", halves(_turned)),
        Trap("u and v scaled differently", halves(lambda x, y: (0.55 + 0.85 * x, 0.1 + 0.11 * y))),
        Trap("density differing 40 x", halves(lambda x, y: (0.7 + 0.9 / 40 * x, 0.4 + 0.9 / 40 * y))),
        Trap("over u = 0", _with_uv(lambda uv, p: uv - [0.23, 0]), (reach,)),
        Trap("over two tiles", _with_uv(lambda uv, p: uv + [0.43, 0])),
        Trap("over four tiles", _with_uv(lambda uv, p: uv + [0.43, 0.57])),
        Trap("overlapping charts", _overlapping(), (lies.format(r"(19|2[0-3])(\.\d)?") + ".*; move the later charts",)),
        Trap("mirrored halves on each other", mirror_stacked(), (lies.format(r"\d+") + ".* lies mirrored, as halves",)),
        Trap("charts on each other", halves(lambda x, y: (0.02 + 0.9 * x, 0.02 + 0.9 * y)),
             (lies.format(r"\d+") + ".*; move the later charts",)),
        Trap("fold in a chart", _folded(), (lies.format(r"[\d.]+") + ".* folded over",)),
        Trap("quad in a point of UV", _with_uv(_collapsed), (flat_uv,)),
        Trap("quad in a line of UV", _one_in_a_line(), (flat_uv,)),
        Trap("one-triangle, one-texel and smaller charts", _small_charts(), plain=False),
        Trap("every quad its own chart", _quads_apart()),
        Trap("every quad its own chart and points", duplicated(_quads_apart())),
        Trap("hundreds of charts", _quads_apart(17), plain=False),
        Trap("pole with a UV for each triangle", _dome(48, _unrolled), plain=False),
        Trap("pole in one point of UV", _dome(48, _wheel), plain=False),
        Trap("non-manifold edge", _fin_mesh(), (cut,), plain=False),
        Trap("holes", _without({18, 19, 27, 44}), plain=False),
        Trap("points repeated along seams", duplicated(halves(_turned))),
        Trap("cut apart", cut_apart(halves(_turned)), plain=False),
        Trap("opposite winding of one face", _one_turned_round(), (cut,), plain=False),
        Trap("face without UVs", _some_without_uv(), (r"2 triangles have no UVs and get no texels, the first at \[",)),
        Trap("face without area", _sliver(), (r"1 triangles have no area, the first at \[",), plain=False),
    ]  # fmt: skip


def _unrolled(ring: int, step: int) -> tuple[float, float]:
    """Rings as rows; every triangle of the fan has its own point for the pole."""
    return (step + 0.5 * (ring == 2)) / 49, 0.1 + 0.4 * ring


def _wheel(ring: int, step: int) -> tuple[float, float]:
    """Seen from above."""
    radius, angle = (0.45, 0.25, 0.0)[ring], 2 * np.pi * (step % 48) / 48
    return 0.5 + radius * np.cos(angle), 0.5 + radius * np.sin(angle)
