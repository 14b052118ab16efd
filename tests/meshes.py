"""Tiny named meshes, one hazard each, in millimetres."""

from __future__ import annotations

import numpy as np

from poredepth.surface.obj import PolygonMesh
from poredepth.surface.skin import Surface, surface_from_mesh


def grid(width_mm: float, height_mm: float, nx: int, ny: int) -> tuple[np.ndarray, list[list[int]]]:
    """Flat grid of quads in the xy plane, outward along +z."""
    x, y = np.meshgrid(np.linspace(0, width_mm, nx + 1), np.linspace(0, height_mm, ny + 1))
    position = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    at = np.arange((nx + 1) * (ny + 1)).reshape(ny + 1, nx + 1)
    faces = np.stack([at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]], axis=2).reshape(-1, 4)
    return position, faces.tolist()


def flat_mesh(width_mm: float = 40, height_mm: float = 40, n: int = 10, span_uv: float = 1.0) -> PolygonMesh:
    """One chart that fills the tile from the lower left, u along x, v along y."""
    position, faces = grid(width_mm, height_mm, n, n)
    uv = position[:, :2] / max(width_mm, height_mm) * span_uv
    return PolygonMesh.from_arrays(position, faces, uv, faces)


def flat_surface(*args, **kwargs) -> Surface:
    return surface_from_mesh(flat_mesh(*args, **kwargs), "mm")


def two_charts_mesh(width_mm: float = 40, n: int = 10, mirrored: bool = True, shrink: float = 0.5) -> PolygonMesh:
    """A flat square cut down the middle: the left half upright in UV; the right half turned a quarter, ``shrink`` times
    denser along one axis, and mirrored if asked."""
    position, faces = grid(width_mm, width_mm, n, n)
    half = width_mm / 2
    centre_x = np.array([position[face, 0].mean() for face in faces])
    left = np.column_stack([position[:, 0], position[:, 1]]) / width_mm * 0.9 + 0.02
    x, y = position[:, 0] - half, position[:, 1]
    right = np.column_stack([y * 0.4, x * 0.4 * shrink * 2]) / width_mm + [0.55, 0.05]
    if not mirrored:
        right[:, 1] = 0.5 - right[:, 1]
    uv = np.vstack([left, right])
    face_uv = [[i + (len(position) if c > half else 0) for i in face] for face, c in zip(faces, centre_x, strict=True)]
    return PolygonMesh.from_arrays(position, faces, uv, face_uv)


def sphere_mesh(radius_mm: float = 30, n: int = 12) -> PolygonMesh:
    """A cube of six charts blown up to a sphere; charts side by side in the tile."""
    position, faces, uv, face_uv = [], [], [], []
    axes = [(0, 1, 2, 1), (0, 1, 2, -1), (1, 2, 0, 1), (1, 2, 0, -1), (2, 0, 1, 1), (2, 0, 1, -1)]
    number: dict[tuple, int] = {}
    t = np.tan(np.linspace(-np.pi / 4, np.pi / 4, n + 1))
    for chart, (a, b, c, sign) in enumerate(axes):
        first_uv = len(uv)
        ids = np.empty((n + 1, n + 1), int)
        for j in range(n + 1):
            for i in range(n + 1):
                p = np.zeros(3)
                p[a], p[b], p[c] = t[i], t[j], sign
                key = tuple(np.round(p, 9))
                if key not in number:
                    number[key] = len(position)
                    position.append(radius_mm * p / np.linalg.norm(p))
                ids[j, i] = number[key]
                uv.append([(chart % 3 + 0.05 + 0.9 * i / n) / 3, (chart // 3 + 0.05 + 0.9 * j / n) / 3])
        for j in range(n):
            for i in range(n):
                corners = [(j, i), (j, i + 1), (j + 1, i + 1), (j + 1, i)][::sign]
                faces.append([int(ids[r, s]) for r, s in corners])
                face_uv.append([first_uv + r * (n + 1) + s for r, s in corners])
    return PolygonMesh.from_arrays(np.array(position), faces, np.array(uv), face_uv)


def ring_mesh(inner_mm: float = 8, outer_mm: float = 20, n: int = 24, rings: int = 4) -> PolygonMesh:
    """A flat ring of quads, or a disk with a fan of triangles in the middle if ``inner_mm`` is 0."""
    angle = 2 * np.pi * np.arange(n) / n
    radius = np.linspace(inner_mm, outer_mm, rings + 1)[0 if inner_mm > 0 else 1 :]
    position = np.concatenate([np.column_stack([r * np.cos(angle), r * np.sin(angle), 0 * angle]) for r in radius])
    at = np.arange(len(position)).reshape(len(radius), n)
    after = np.roll(at, -1, axis=1)
    faces = np.stack([at[:-1], at[1:], after[1:], after[:-1]], axis=2).reshape(-1, 4).tolist()
    if inner_mm == 0:
        position = np.vstack([position, [[0, 0, 0]]])
        faces += [[len(position) - 1, int(a), int(b)] for a, b in zip(at[0], after[0], strict=True)]
    return PolygonMesh.from_arrays(position, faces, position[:, :2] / (2.2 * outer_mm) + 0.5, faces)


def torus_mesh(large_mm: float = 25, small_mm: float = 10, n: int = 32, m: int = 16) -> PolygonMesh:
    """A torus, unrolled into one chart."""
    i, j = np.meshgrid(np.arange(n + 1), np.arange(m + 1))
    a, b = 2 * np.pi * (i[:-1, :-1] % n) / n, 2 * np.pi * (j[:-1, :-1] % m) / m
    out = large_mm + small_mm * np.cos(b)
    position = np.stack([out * np.cos(a), out * np.sin(a), small_mm * np.sin(b)], axis=2).reshape(-1, 3)

    def quads(number):
        return np.stack([number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]], axis=2).reshape(-1, 4)

    uv = np.column_stack([i.ravel() / n, j.ravel() / m]) * 0.9 + 0.05
    faces, face_uv = quads((j % m) * n + i % n), quads(j * (n + 1) + i)
    return PolygonMesh.from_arrays(position, faces.tolist(), uv, face_uv.tolist())


def two_sheets_mesh(width_mm: float = 20, n: int = 8, gap_mm: float = 0.5, hollow_mm: float = 0) -> PolygonMesh:
    """Two sheets that face each other across a gap and are not connected; groups ``lower`` (z = 0), ``upper``.

    They are flat, or both hollow in the middle by so much.
    """
    position, faces = grid(width_mm, width_mm, n, n)
    position[:, 2] = -hollow_mm * np.sin(np.pi * position[:, 0] / width_mm)
    first = len(position)
    both = np.vstack([position, position + [0, 0, gap_mm]])
    turned = [[i + first for i in reversed(face)] for face in faces]
    uv = both[:, :2] / width_mm * 0.45 + 0.02
    uv[first:, 0] += 0.5
    groups = ["lower"] * len(faces) + ["upper"] * len(faces)
    return PolygonMesh.from_arrays(both, faces + turned, uv, faces + turned, groups=groups)


def strip_mesh(folded: bool, leaf_mm: float = 40, width_mm: float = 20, gap_mm: float = 0.5) -> PolygonMesh:
    """A strip in one chart, flat or folded upon itself so that its two leaves face each other across a gap.

    Flat: from x = 0 along +x, outward along +z.  Folded: the first leaf lies as before, the strip then bends up and
    runs back above it.  Both have the same edge lengths: they are the same to what runs along the skin.  UV is the
    place along and across the strip, over 1.1 times its length, plus 0.02.  Groups ``first``, ``bend``, ``second``.
    """
    n, bend = 20, 8
    turn = np.linspace(0, np.pi, bend + 1)[1:-1]
    x = np.concatenate(
        [np.linspace(0, leaf_mm, n + 1), leaf_mm + gap_mm / 2 * np.sin(turn), np.linspace(leaf_mm, 0, n + 1)]
    )
    z = np.concatenate([np.zeros(n + 1), gap_mm / 2 * (1 - np.cos(turn)), np.full(n + 1, gap_mm)])
    along = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(z)))])
    m = 10
    position, faces = grid(1, width_mm, len(x) - 1, m)
    column = np.tile(np.arange(len(x)), m + 1)
    uv = np.column_stack([along[column], position[:, 1]]) / (1.1 * along[-1]) + 0.02
    position[:, 0], position[:, 2] = (x[column], z[column]) if folded else (along[column], 0.0)
    step = np.array([min(column[v] for v in face) for face in faces])
    groups = np.where(step < n, "first", np.where(step < n + bend, "bend", "second")).tolist()
    return PolygonMesh.from_arrays(position, faces, uv, faces, groups=groups)


def sphere_surface(*args, **kwargs) -> Surface:
    return surface_from_mesh(sphere_mesh(*args, **kwargs), "mm")


def cut_apart(mesh: PolygonMesh) -> PolygonMesh:
    """The same mesh with every chart's points repeated, as a file is after an export that splits at seams."""
    corner = np.column_stack([mesh.face_position, mesh.face_texcoord])
    unique, new = np.unique(corner, axis=0, return_inverse=True)
    faces = [new.ravel()[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    uv = mesh.texcoord[unique[:, 1]]
    return PolygonMesh.from_arrays(mesh.position[unique[:, 0]], faces, uv, faces)


def moved(mesh: PolygonMesh, turn: np.ndarray, shift: np.ndarray) -> PolygonMesh:
    """The mesh turned (3, 3) and shifted (3,)."""
    faces = [mesh.face_position[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    face_uv = [mesh.face_texcoord[a:b].tolist() for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)]
    groups = [mesh.group_names[g] for g in mesh.face_group]
    return PolygonMesh.from_arrays(mesh.position @ turn.T + shift, faces, mesh.texcoord, face_uv, groups=groups)
