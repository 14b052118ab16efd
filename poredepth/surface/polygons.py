"""Polygon meshes as plain arrays, checked when they are made."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np

from poredepth.errors import MeshError, PoredepthWarning

DEFAULT_GROUP = "default"


class DegenerateFaceWarning(PoredepthWarning):
    """Faces that name one position more than once were left out; ``count``, and the ``place`` of the first."""

    def __init__(self, count: int, place: str):
        self.count = count
        self.place = place
        noun, verb = ("face names", "was") if count == 1 else ("faces name", "were")
        super().__init__(
            f"{place}: {count} {noun} a position more than once and {verb} left out (this is the first); "
            "allowed: each position once in a face; merge or delete collapsed edges in the modelling program"
        )


@dataclass(frozen=True, eq=False)
class PolygonMesh:
    """Polygons over shared positions and texture coordinates.  Index arrays count from 0.

    Parameters
    ----------
    position : float64 (nV, 3), units of the file
    texcoord : float64 (nVt, 2), u and v
    face_start : int64 (nF + 1,), corners of face i are face_start[i] to face_start[i + 1]
    face_position : int64 (nC,), position of each corner
    face_texcoord : int64 (nC,), texture coordinate of each corner, -1 = none
    face_group : int32 (nF,), index into group_names
    group_names : names in the order of their first face
    lines : polylines, each int64 (n,) position indices
    file : where the mesh came from, for messages

    Notes
    -----
    The constructor trusts its arrays; ``from_arrays`` and ``obj.read_obj`` check them.
    """

    position: np.ndarray
    texcoord: np.ndarray
    face_start: np.ndarray
    face_position: np.ndarray
    face_texcoord: np.ndarray
    face_group: np.ndarray
    group_names: tuple[str, ...] = (DEFAULT_GROUP,)
    lines: tuple[np.ndarray, ...] = field(default=())
    file: str = "mesh"

    @property
    def n_faces(self) -> int:
        """Number of polygons."""
        return len(self.face_start) - 1

    @property
    def n_corners(self) -> int:
        """Number of polygon corners."""
        return len(self.face_position)

    @property
    def face_size(self) -> np.ndarray:
        """Corners of each face: int64 (nF,)."""
        return np.diff(self.face_start)

    @classmethod
    def from_arrays(cls, position, faces, texcoord=None, face_texcoord=None, *, groups=None, file="mesh"):
        """Build a mesh from Python lists or arrays, with the checks of the OBJ reader.

        Parameters
        ----------
        position : (nV, 3) finite numbers
        faces : nF lists of 3 or more position indices from 0 (or an array (nF, k))
        texcoord : (nVt, 2) finite numbers, or None
        face_texcoord : nF lists shaped as ``faces``: indices into texcoord, -1 = none; or None
        groups : nF group names, or None (all ``default``)
        file : label for messages

        Raises
        ------
        MeshError : wrong shapes, numbers that are not finite, indices out of range, no faces, faces of < 3 corners
        """
        file = str(file)
        position = _checked_points(file, "position", position, 3)
        texcoord = _checked_points(file, "texcoord", [] if texcoord is None else texcoord, 2)
        size, face_position = _flat_faces(file, "faces", faces)
        if not len(size):
            raise MeshError(f"{file}: no faces; allowed: at least one face of 3 or more corners; pass the polygons")
        if (size < 3).any():
            face_id = int(np.argmax(size < 3))
            raise MeshError(
                f"{file}: faces[{face_id}] has {size[face_id]} corners; allowed: 3 or more; leave that face out"
            )
        if face_texcoord is None:
            face_texcoord = np.full(len(face_position), -1, np.int64)
        else:
            texcoord_size, face_texcoord = _flat_faces(file, "face_texcoord", face_texcoord)
            if not np.array_equal(texcoord_size, size):
                raise MeshError(
                    f"{file}: face_texcoord has other corner counts than faces; allowed: one index for each "
                    "corner, -1 for none; build both from the same polygons"
                )
        names = [DEFAULT_GROUP] * len(size) if groups is None else [str(name) for name in groups]
        if len(names) != len(size):
            raise MeshError(
                f"{file}: groups has {len(names)} names; allowed: one for each of the {len(size)} faces; "
                "repeat the name for every face of a group"
            )
        face_id = np.repeat(np.arange(len(size)), size)
        _check_range(file, "faces", face_position, face_id, (0, len(position)))
        _check_range(file, "face_texcoord", face_texcoord, face_id, (-1, len(texcoord)))
        points, corner_ids = (position, texcoord), (face_position, face_texcoord)
        return assembled(points, size, corner_ids, names, lambda i: f"{file}: faces[{i}]", (), file)


def _checked_points(file: str, name: str, values, width: int) -> np.ndarray:
    try:
        points = np.array(values, np.float64)
    except (TypeError, ValueError):
        raise MeshError(f"{file}: {name} holds no plain numbers; allowed: (n, {width}) numbers; check it") from None
    points = points.reshape(0, width) if points.size == 0 else points
    if points.ndim != 2 or points.shape[1] != width:
        raise MeshError(f"{file}: {name} has shape {points.shape}; allowed: (n, {width}); reshape it")
    if not np.isfinite(points).all():
        row = int(np.argmax(~np.isfinite(points).all(axis=1)))
        raise MeshError(f"{file}: {name}[{row}] is not finite; allowed: finite numbers; repair that point")
    return points


def _flat_faces(file: str, name: str, faces) -> tuple[np.ndarray, np.ndarray]:
    try:
        faces = faces if isinstance(faces, np.ndarray) else list(faces)
        size = np.array([len(face) for face in faces], np.int64)
        flat = faces.reshape(-1) if isinstance(faces, np.ndarray) else np.array(list(chain.from_iterable(faces)))
    except (TypeError, ValueError):
        raise MeshError(f"{file}: {name} is no list of lists; allowed: one list of indices for each face") from None
    if flat.size and not np.issubdtype(flat.dtype, np.integer):
        raise MeshError(f"{file}: {name} holds {flat.dtype} values; allowed: whole numbers; convert them to integers")
    return size, flat.astype(np.int64)


def _check_range(file: str, name: str, index: np.ndarray, face_id: np.ndarray, allowed: tuple[int, int]) -> None:
    bad = (index < allowed[0]) | (index >= allowed[1])
    if bad.any():
        i = int(np.argmax(bad))
        raise MeshError(
            f"{file}: {name}[{face_id[i]}] names {index[i]}; allowed: {allowed[0]} to {allowed[1] - 1}; "
            "indices count from 0 here"
        )


def assembled(points, size, corner_ids, group: Sequence[str], place_of, lines, file) -> PolygonMesh:
    """Leave out faces that name a position twice, number the groups, and build the mesh."""
    (position, texcoord), (face_position, face_texcoord) = points, corner_ids
    face_of = np.repeat(np.arange(len(size)), size)
    key = np.sort(face_of * max(len(position), 1) + face_position)
    doubled = np.unique(key[1:][key[1:] == key[:-1]] // max(len(position), 1))
    if len(doubled):
        warnings.warn(DegenerateFaceWarning(len(doubled), place_of(int(doubled[0]))), stacklevel=3)
        if len(doubled) == len(size):
            raise MeshError(
                f"{file}: every face names a position more than once; allowed: at least one face of 3 or more "
                "different positions; export the mesh again"
            )
        keep = np.ones(len(size), bool)
        keep[doubled] = False
        face_position, face_texcoord = face_position[keep[face_of]], face_texcoord[keep[face_of]]
        size, group = size[keep], [name for name, kept in zip(group, keep, strict=True) if kept]
    number_of = {name: i for i, name in enumerate(dict.fromkeys(group))}
    face_group = np.fromiter((number_of[name] for name in group), np.int32, len(group))
    face_start = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    return PolygonMesh(
        position, texcoord, face_start, face_position, face_texcoord, face_group, tuple(number_of), lines, file
    )
