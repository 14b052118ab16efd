"""OBJ reader that keeps every index and names every fault."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np

from poredepth.errors import MeshError
from poredepth.surface.polygons import DEFAULT_GROUP, DegenerateFaceWarning, PolygonMesh, assembled

__all__ = ["DegenerateFaceWarning", "PolygonMesh", "read_obj", "read_obj_polylines"]

_ABSENT = np.iinfo(np.int64).min  # a corner without that index; no index read from a file can take this value
_INDEX_LIMIT = 2**62  # longer indices are cut to this, so that they stay integers of 64 bits and out of range
_INDEX = re.compile(r"[+-]?[0-9]+", re.ASCII)
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?|[+-]?(nan|inf|infinity)", re.ASCII | re.I)
_KEPT = ("v", "vt", "f", "l", "group")


def read_obj(path: str | os.PathLike[str]) -> PolygonMesh:
    """Read the polygons of an OBJ file; texts, normals, materials and unknown records are passed over.

    Parameters
    ----------
    path : path of an OBJ text file (UTF-8; LF, CRLF or CR line ends)

    Returns
    -------
    PolygonMesh : positions in the file's units

    Raises
    ------
    MeshError : ``file:line: found; allowed; fix`` for the first fault

    Notes
    -----
    A face belongs to the latest ``g`` or ``o`` record above it: a ``g`` after an ``o`` names the group, an ``o``
    with no ``g`` after it names it itself.  Several names of one ``g`` are joined by a space.  A face that names a
    position twice is left out with a ``DegenerateFaceWarning``.

    Source: OBJ text format as commonly written by modelling programs; common practice.
    """
    file, records = _scanned(path)
    position, texcoord = _numbers(file, records["v"], "v", 3), _numbers(file, records["vt"], "vt", 2)
    line, rests = records["f"]
    if not line:
        raise MeshError(
            f"{file}: no faces ('f' records); allowed: at least one face of 3 or more corners; "
            "export polygons, not points or curves"
        )
    size, face_position, face_texcoord = _corners(file, ("f", 3), records, (len(position), len(texcoord)))
    changes, names = records["group"]
    at_face = np.searchsorted(np.asarray(changes, np.int64), np.asarray(line, np.int64))
    group_of = [DEFAULT_GROUP, *(_joined_name(name) for name in names)]
    group = [group_of[i] for i in at_face.tolist()]
    line_size, line_position, _ = _corners(file, ("l", 2), records, (len(position), len(texcoord)))
    lines = tuple(np.split(line_position, np.cumsum(line_size)[:-1])) if len(line_size) else ()
    points, corner_ids = (position, texcoord), (face_position, face_texcoord)
    return assembled(points, size, corner_ids, group, lambda i: f"{file}:{line[i]}", lines, file)


def read_obj_polylines(path: str | os.PathLike[str]) -> list[np.ndarray]:
    """Read the polylines (``l`` records) of an OBJ file: a list of float64 (n, 3), in the file's units.

    Raises MeshError when the file has none, or has a fault.  Faces are passed over.
    """
    file, records = _scanned(path)
    position, n_texcoord = _numbers(file, records["v"], "v", 3), len(records["vt"][0])
    if not records["l"][0]:
        raise MeshError(
            f"{file}: no polylines ('l' records); allowed: at least one 'l' record of 2 or more points; "
            "export the guides as curves or edges, not as faces"
        )
    size, line_position, _ = _corners(file, ("l", 2), records, (len(position), n_texcoord))
    return [position[ids] for ids in np.split(line_position, np.cumsum(size)[:-1])]


# ---- text -> records


def _decoded(path) -> str:
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise MeshError(
            f"{path}: cannot be read ({error.strerror}); allowed: an OBJ file; check the path and its spelling"
        ) from None
    data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    fix = "export the mesh as OBJ text"
    if (zero := data.find(b"\0")) >= 0:
        number = data.count(b"\n", 0, zero) + 1
        raise MeshError(f"{path}:{number}: a zero byte, so this is no text file; allowed: OBJ text in UTF-8; {fix}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # utf-8-sig counts from behind the mark; the mark holds no line end, so the line stays right
        number = data.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{error.object[error.start]:02x} is not UTF-8"
        raise MeshError(f"{path}:{number}: {found}; allowed: OBJ text in UTF-8; {fix} or save it as UTF-8") from None


def _scanned(path) -> tuple[str, dict[str, tuple[list[int], list[str]]]]:
    """Sort the lines by record: for each kept kind, line numbers and the text behind the keyword."""
    text = _decoded(path)
    lines = text.split("\n")
    if "\\\n" in text:
        _join_continued(lines)
    records = {kind: ([], []) for kind in _KEPT}
    kinds = {"v": "v", "vt": "vt", "f": "f", "l": "l", "g": "group", "o": "group"}
    for number, line in enumerate(lines, 1):
        parts = line.split(None, 1)
        kind = kinds.get(parts[0]) if parts else None
        if kind is None:
            continue
        rest = parts[1] if len(parts) == 2 else ""
        if "#" in rest:
            # in a name only a free-standing '#' opens a comment: "part#2" is a name
            rest = re.split(r"(?:^|\s)#", rest)[0] if kind == "group" else rest.partition("#")[0]
        numbers, rests = records[kind]
        numbers.append(number)
        rests.append(rest)
    return str(path), records


def _join_continued(lines: list[str]) -> None:
    """Join lines that end in a backslash, in place; the joined-on lines stay as empty ones, so numbers hold."""
    head = None
    for i, line in enumerate(lines):
        is_comment = head is None and line.lstrip().startswith("#")  # a path in a comment may end in a backslash
        continues = line.endswith("\\") and not is_comment
        text = line[:-1] if continues else line
        if head is None:
            lines[i] = text
            head = i if continues else None
        else:
            lines[head] += " " + text
            lines[i] = ""
            head = head if continues else None


def _joined_name(rest: str) -> str:
    return " ".join(rest.split()) or DEFAULT_GROUP


# ---- records -> numbers


def _numbers(file: str, record: tuple[list[int], list[str]], kind: str, width: int) -> np.ndarray:
    """The first ``width`` numbers of each record, float64 (n, width); a vt of one number gets v = 0."""
    line, rests = record
    least, complete, flat = (3 if kind == "v" else 1), True, []
    for rest in rests:
        row = rest.split(None, width)[:width]
        complete = complete and len(row) >= least
        flat += row if len(row) == width else [*row, "0"]
    text = "".join(flat)
    # float() also takes 1_000 and the digits of other scripts; those go the slow way and are refused
    if complete and text.isascii() and "_" not in text:
        try:
            values = np.array(list(map(float, flat)), np.float64).reshape(-1, width)
        except ValueError:
            values = None
        if values is not None and np.isfinite(values).all():
            return values
    for number, rest in zip(line, rests, strict=True):
        _raise_for_numbers(f"{file}:{number}: '{kind}'", rest.split(None, width)[:width], least)
    raise AssertionError("a faulty number was seen but not found")  # pragma: no cover


def _raise_for_numbers(place: str, row: list[str], least: int) -> None:
    if len(row) < least:
        noun = "number" if len(row) == 1 else "numbers"
        raise MeshError(
            f"{place} has {len(row)} {noun}; allowed: {least} or more; the line may be cut off: export the mesh again"
        )
    for token in row:
        if not _NUMBER.fullmatch(token):
            fix = "write a decimal point, not a comma" if "," in token else "correct it or export the mesh again"
            raise MeshError(f"{place} has {token!r}; allowed: decimal numbers such as 0.5 or -2e-3; {fix}")
        if not np.isfinite(float(token)):
            raise MeshError(
                f"{place} has {token!r}, which is not finite; allowed: finite numbers; "
                "repair that point in the modelling program"
            )


def _corners(file, kind_least: tuple[str, int], records, counts: tuple[int, int]):
    """Sizes of the records of one kind, and position and texcoord index (from 0, -1 = none) of each corner."""
    kind, least = kind_least
    line, rests = records[kind]
    size = np.fromiter(map(len, map(str.split, rests)), np.int64, len(rests))
    if (size < least).any():
        i = int(np.argmax(size < least))
        what, fix = {"f": ("corners", "write an edge as 'l', or delete it"), "l": ("points", "delete the record")}[kind]
        what = what[:-1] if size[i] == 1 else what
        raise MeshError(f"{file}:{line[i]}: '{kind}' has {size[i]} {what}; allowed: {least} or more; {fix}")
    tokens = " ".join(rests).split()
    raw = _regular_indices(tokens)
    record_of = np.repeat(np.arange(len(size)), size)
    if raw is None:
        raw = _irregular_indices(tokens, lambda i: _corner_place(file, kind, line, size, record_of, i))
    line_of = np.asarray(line, np.int64)[record_of]
    resolved, bad = [], np.zeros((len(tokens), 2), bool)
    for column, (kept, n_total) in enumerate(zip(("v", "vt"), counts, strict=True)):
        n_before = np.searchsorted(np.asarray(records[kept][0], np.int64), line_of)
        index = raw[:, column]
        absent = index == _ABSENT
        zero_based = np.where(index > 0, index - 1, n_before + np.where(absent, 0, index))
        bad[:, column] = ~absent & ((index == 0) | (zero_based < 0) | (zero_based >= n_total))
        resolved.append(np.where(absent, -1, zero_based))
    if bad.any():
        i, column = np.argwhere(bad)[0].tolist()
        n_before = int(np.searchsorted(records[("v", "vt")[column]][0], line_of[i]))
        place = _corner_place(file, kind, line, size, record_of, i)
        raise MeshError(f"{place} ({tokens[i]!r}) {_range_fault(int(raw[i, column]), column, counts, n_before)}")
    return size, resolved[0], resolved[1]


def _corner_place(file, kind, line, size, record_of, i: int) -> str:
    record = int(record_of[i])
    within = i - int(size[:record].sum()) + 1
    return f"{file}:{line[record]}: '{kind}' {'corner' if kind == 'f' else 'point'} {within}"


def _range_fault(index: int, column: int, counts: tuple[int, int], n_before: int) -> str:
    what, n_total = ("position", "texture coordinate")[column], counts[column]
    keyword = ("v", "vt")[column]
    allowed = f"1 to {n_total}" if n_total else f"none, the file has no '{keyword}'"
    if n_before and n_total:
        allowed += f", or -1 to -{n_before} counted back from here"
    if index == 0:
        fix = "OBJ counts from 1: add 1 to every index"
    elif index < 0:
        fix = f"put the face below its '{keyword}' records, or export the mesh again"
    else:
        fix = "the file may be cut off or pieced together: export the mesh again"
    found = str(index) if abs(index) < _INDEX_LIMIT else "a number that is too long"
    return f"names {what} {found}; allowed: {allowed}; {fix}"


def _regular_indices(tokens: list[str]) -> np.ndarray | None:
    """Indices (n, 2) when all corners are written in one of a, a/b, a//c, a/b/c; None otherwise."""
    text, n = " ".join(tokens), len(tokens)
    slashes = {token.count("/") for token in tokens}
    if n == 0:
        return np.empty((0, 2), np.int64)
    if len(slashes) > 1 or not text.isascii() or "_" in text:
        return None
    n_doubled = text.count("//")
    width = slashes.pop() + 1
    # each token has width - 1 slashes: it can hold one '//' at most when that is 2
    if width > 3 or n_doubled not in (0, n):
        return None
    n_numbers = 2 if n_doubled else width
    flat = text.replace("/", " ").split()
    if len(flat) != n * n_numbers:
        return None
    try:
        values = np.array(list(map(int, flat)), np.int64).reshape(n, n_numbers)
    except (ValueError, OverflowError):
        return None
    raw = np.full((n, 2), _ABSENT, np.int64)
    raw[:, 0] = values[:, 0]
    if width > 1 and not n_doubled:
        raw[:, 1] = values[:, 1]
    return raw if (np.abs(values) < _INDEX_LIMIT).all() else None


def _irregular_indices(tokens: list[str], place_of) -> np.ndarray:
    """Indices (n, 2), corner by corner; an empty part means that index is absent."""
    raw = np.full((len(tokens), 2), _ABSENT, np.int64)
    for i, token in enumerate(tokens):
        parts = token.split("/")
        good = len(parts) <= 3 and parts[0] != "" and all(part == "" or _INDEX.fullmatch(part) for part in parts)
        if not good:
            raise MeshError(
                f"{place_of(i)} is {token!r}; allowed: a, a/b, a//c or a/b/c in whole numbers; "
                "correct it or export the mesh again"
            )
        for column, part in enumerate(parts[:2]):
            if part:
                raw[i, column] = max(-_INDEX_LIMIT, min(_INDEX_LIMIT, int(part[:30])))
    return raw
