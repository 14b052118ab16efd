"""Catmull-Clark subdivision of a polygon mesh, as renderers do it before they displace.

Positions: the rules of Catmull & Clark 1978; open borders become cubic B-spline curves, border points with a single
face stay (the usual "edge and corner" border).  UVs: the same rules inside a chart; along chart borders they are halved
and border points stay, so charts keep their outline.  Points of seams that are cut apart in the file are joined first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.surface.polygons import PolygonMesh
from poredepth.surface.topology import weld_hidden_seams
from poredepth.surface.triangulate import triangulate


def subdivided(mesh: PolygonMesh, levels: int) -> PolygonMesh:
    """The mesh after ``levels`` >= 0 steps; every face becomes as many quads as it has corners.

    Faces without UVs stay without.  Groups are inherited.
    """
    if levels == 0:
        return mesh
    vertex, position = _welded(mesh)
    for _ in range(levels):
        mesh, position, vertex = _once(mesh, position, vertex)
    return mesh


def _welded(mesh: PolygonMesh) -> tuple[np.ndarray, np.ndarray]:
    """Point number of each corner after joining hidden seams, and the points."""
    tri_position = np.asarray(triangulate(mesh, mesh.position).position, np.int64)
    welded, _ = weld_hidden_seams(mesh.position, tri_position)
    used, vertex = np.unique(welded[mesh.face_position], return_inverse=True)
    return vertex.ravel(), mesh.position[used]


def _once(mesh: PolygonMesh, position: np.ndarray, vertex: np.ndarray) -> tuple[PolygonMesh, np.ndarray, np.ndarray]:
    faces = _Corners(mesh.face_start)
    position, face_position = faces.subdivide(position, vertex, pin_borders=False)
    mapped = np.repeat(np.logical_and.reduceat(mesh.face_texcoord >= 0, mesh.face_start[:-1]), mesh.face_size)
    texcoord, face_texcoord = np.empty((0, 2)), np.full(len(face_position), -1, np.int64)
    if mapped.any():
        start = np.concatenate([[0], np.cumsum(mesh.face_size[mapped[mesh.face_start[:-1]]])])
        # one number per (point, u, v): a repeated vt makes no border
        corner = np.column_stack([vertex[mapped], mesh.texcoord[mesh.face_texcoord[mapped]]])
        unique, uv_vertex = np.unique(corner, axis=0, return_inverse=True)
        texcoord, made = _Corners(start).subdivide(unique[:, 1:], uv_vertex.ravel(), pin_borders=True)
        face_texcoord[np.repeat(mapped, 4)] = made
    n_corners = mesh.n_corners
    out = PolygonMesh(
        position=position,
        texcoord=texcoord,
        face_start=np.arange(0, 4 * n_corners + 1, 4),
        face_position=face_position,
        face_texcoord=face_texcoord,
        face_group=np.repeat(mesh.face_group, mesh.face_size),
        group_names=mesh.group_names,
        file=mesh.file,
    )
    return out, position, face_position


@dataclass(frozen=True)
class _Corners:
    """Polygons as corners in order; face i has the corners start[i] to start[i + 1]."""

    start: np.ndarray

    def subdivide(self, value: np.ndarray, vertex: np.ndarray, pin_borders: bool) -> tuple[np.ndarray, np.ndarray]:
        """Values (n, d) at points and point of each corner to new values and the points of the new quads' corners."""
        size = np.diff(self.start)
        face = np.repeat(np.arange(len(size)), size)
        n_points, n_faces, n_corners = len(value), len(size), len(vertex)
        following = np.arange(n_corners) + 1
        following[self.start[1:] - 1] = self.start[:-1]
        a, b = vertex, vertex[following]
        key, edge, count = np.unique(
            np.minimum(a, b).astype(np.int64) * n_points + np.maximum(a, b), return_inverse=True, return_counts=True
        )
        edge = edge.ravel()
        face_point = _mean(value[vertex], face, n_faces)
        ends = np.stack([key // n_points, key % n_points], axis=1)
        middle = value[ends].mean(axis=1)
        inner = count == 2
        edge_point = np.where(inner[:, None], 0.5 * (middle + _mean(face_point[face], edge, len(key))), middle)
        point = self._moved(value, vertex, face_point[face], ends, middle, inner, pin_borders)
        before = np.empty(n_corners, np.int64)
        before[following] = np.arange(n_corners)
        quads = np.stack(
            [vertex, n_points + n_faces + edge, n_points + face, n_points + n_faces + edge[before]], axis=1
        )
        return np.vstack([point, face_point, edge_point]), quads.ravel()

    @staticmethod
    def _moved(value, vertex, face_point_of_corner, ends, middle, inner, pin_borders) -> np.ndarray:
        """Old points, moved: (F + 2 R + (n - 3) P) / n inside, (1, 6, 1) / 8 along a border, corners stay."""
        n_points = len(value)
        valence = np.bincount(ends.ravel(), minlength=n_points)
        n = np.maximum(valence, 1)[:, None]
        f = _mean(face_point_of_corner, vertex, n_points)
        r = _mean(np.repeat(middle, 2, axis=0), ends.ravel(), n_points)
        out = (f + 2 * r + (n - 3) * value) / n
        at_border = np.bincount(ends[~inner].ravel(), minlength=n_points)
        along = _mean(np.repeat(middle[~inner], 2, axis=0), ends[~inner].ravel(), n_points)
        out[at_border > 0] = value[at_border > 0]
        if not pin_borders:
            curve = (at_border == 2) & (np.bincount(vertex, minlength=n_points) > 1)
            out[curve] = 0.5 * (value[curve] + along[curve])
        return out


def _mean(value: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    """Mean of values (m, d) in each group, (n_groups, d); 0 for an empty group."""
    count = np.maximum(np.bincount(group, minlength=n_groups), 1)
    return np.stack([np.bincount(group, column, n_groups) / count for column in value.T], axis=1)
