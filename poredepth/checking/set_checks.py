"""Do the files of one map belong together?"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from poredepth.checking.file_checks import Subject
from poredepth.checking.report import Finding
from poredepth.checking.stated import Stated

#: The tile's number in a file's name: stem.1001.exr.
_NUMBERED = re.compile(r"(.+)\.(1\d\d\d)")

#: What all tiles of a map share.
SHARED = ("format", "mid", "scale_mm", "unit", "size_px", "recipe_hash", "seed", "gutter_px", "layers", "kind", "part")


def stem_and_tile(path: Path) -> tuple[str, int | None]:
    """A file's name without ending and tile number, and that number; None if it has none."""
    found = _NUMBERED.fullmatch(path.stem)
    return (found[1], int(found[2])) if found else (path.stem, None)


def set_key(path: Path, stated: Stated | None) -> tuple:
    """Files with the same key are tiles of one map."""
    stem, tile = stem_and_tile(path)
    says = (None, None) if stated is None else (stated["part"], stated["kind"])
    return path.parent, stem, path.suffix.lower(), tile is not None, *says


def set_findings(subjects: Sequence[Subject]) -> list[Finding]:
    """All that is wrong between the files of one map."""
    known = [one for one in subjects if one.stated is not None]
    return [*_names(known), *_shared(known), *_twice(known), *_alike(known)]


def _names(subjects: Sequence[Subject]) -> list[Finding]:
    found = []
    for one in subjects:
        named = stem_and_tile(one.opened.path)[1]
        if named is not None and named != one.stated.tile:
            text = f"the name says tile {named}, the metadata {one.stated.tile}"
            found.append(one.finding("tile-name", text, "the file was renamed: give it back its name"))
    return found


def _shared(subjects: Sequence[Subject]) -> list[Finding]:
    found = []
    for one in subjects[1:]:
        first = subjects[0]
        names = [name for name in SHARED if one.stated[name] != first.stated[name]]
        if names:
            said = "; ".join(f"{name} {one.stated[name]!r} here, {first.stated[name]!r} there" for name in names[:2])
            text = f"it differs from {first.opened.path.name} in {', '.join(names)}: {said}"
            hint = "a renderer takes one calibration for all tiles: write the whole set in one go"
            found.append(one.finding("set-differs", text, hint))
    return found


def _twice(subjects: Sequence[Subject]) -> list[Finding]:
    found, first = [], {}
    for one in subjects:
        other = first.setdefault(one.stated.tile, one)
        if other is not one:
            text = f"tile {one.stated.tile} is there twice, also in {other.opened.path.name}"
            found.append(one.finding("tile-twice", text, "one is a copy or was renamed: take the wrong one away"))
    return found


def _alike(subjects: Sequence[Subject]) -> list[Finding]:
    found, first = [], {}
    for one in subjects:
        if one.scan.low is None or one.scan.is_flat:
            continue  # flat tiles are alike by right
        other = first.setdefault((one.scan.digest, one.scan.shape), one)
        if other is not one:
            text = f"it holds the same picture as {other.opened.path.name}"
            found.append(one.finding("tiles-alike", text, "one was copied over the other: write the set again"))
    return found
