"""The files a recipe names: where they stand in the recipe, which exist, which tiles a ``<UDIM>`` name stands for."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from poredepth.recipe.fields import UDIM_TOKEN
from poredepth.recipe.words import Finding, Loc, suggest

#: Tile numbers are 1001 + U + 10 V with U in 0..9: four digits (MaterialX specification, file name tokens).
TILE_PATTERN = "([1-9][0-9]{3})"
MAX_LISTED = 2000  # enough for a project folder; a recipe may also lie in a folder with everything in it


def named_files(data: Mapping[str, Any]) -> Iterator[tuple[Loc, str, bool]]:
    """(place, name, whether it may hold ``<UDIM>``) of each file named in a recipe's plain data, in recipe order.

    Parts of the wrong type are passed over: they are findings of their own.
    """
    for loc, key, udim in _places(data):
        node: Any = data
        for step in loc:
            node = node[step]
        if isinstance(node, Mapping) and isinstance(node.get(key), str) and node[key]:
            yield (*loc, key), node[key], udim


def _places(data: Mapping[str, Any]) -> Iterator[tuple[Loc, str, bool]]:
    if "mesh" in data:
        yield ("mesh",), "file", False
    for part, key, udim in (
        ("directions", "file", False),
        ("directions", "map", True),
        ("regions", "mask", True),
        ("patches", "file", False),
        ("patches", "mask", False),
        ("layers", "map", True),
    ):
        entries = data.get(part)
        if isinstance(entries, Mapping):
            yield from (((part, name), key, udim) for name in entries)
        elif isinstance(entries, list):
            yield from (((part, i), key, udim) for i in range(len(entries)))
    layers = data.get("layers")
    for i, layer in enumerate(layers) if isinstance(layers, list) else ():
        vary = layer.get("vary") if isinstance(layer, Mapping) else None
        for key in vary if isinstance(vary, Mapping) else ():
            yield ("layers", i, "vary", key), "map", True


def file_findings(data: Mapping[str, Any], folder: Path) -> list[Finding]:
    """Findings for the named files that are not there; suggestions come from what the folder holds."""
    findings = []
    listing: list[str] | None = None
    for loc, name, udim in named_files(data):
        if tile_files(folder, name) if udim and UDIM_TOKEN in name else is_file(folder / name):
            continue
        listing = _listing(folder) if listing is None else listing
        names = [re.sub(TILE_PATTERN, UDIM_TOKEN, entry) for entry in listing] if UDIM_TOKEN in name else listing
        what = "tile" if udim and UDIM_TOKEN in name else "file"
        findings.append(
            Finding(
                loc,
                f"found no {what} {name!r}",
                "a file that exists, relative to the recipe's folder",
                _suggest_file(name, [*_siblings(folder, name), *names]),
            )
        )
    return findings


def tile_files(folder: Path, name: str) -> list[Path]:
    """Files that a name with ``<UDIM>`` in its last part stands for, by rising tile number."""
    head, _, last = name.rpartition("/")
    first, *rest = (re.escape(part) for part in last.split(UDIM_TOKEN))
    if not rest:
        return []
    pattern = re.compile(first + TILE_PATTERN + "\\1".join(rest))  # a second token stands for the same tile
    parent = folder / head if head else folder
    found = [(match[1], parent / entry) for entry in _entries(parent) if (match := pattern.fullmatch(entry))]
    return [path for _, path in sorted(found) if is_file(path)]


def is_file(path: Path) -> bool:
    """Whether a file is there; names that no file can have count as no."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _entries(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            return [entry.name for entry in entries]
    except (OSError, ValueError):
        return []


def _listing(folder: Path) -> list[str]:
    """Files in the folder and one level below it, as names relative to it, sorted."""
    top = sorted(islice(_entries(folder), MAX_LISTED))
    names = []
    for entry in top:
        path = folder / entry
        if is_file(path):
            names.append(entry)
        elif len(names) < MAX_LISTED:
            names += [f"{entry}/{inner}" for inner in sorted(_entries(path))[:MAX_LISTED] if is_file(path / inner)]
    return names


def _siblings(folder: Path, name: str) -> list[str]:
    head = name.rpartition("/")[0]
    if not head:
        return []
    names = [f"{head}/{entry}" for entry in sorted(_entries(folder / head))[:MAX_LISTED]]
    return [re.sub(TILE_PATTERN, UDIM_TOKEN, entry) for entry in names] if UDIM_TOKEN in name else names


def _suggest_file(name: str, names: list[str]) -> str | None:
    last = re.split(r"[/\\]", name)[-1]
    elsewhere = [entry for entry in names if entry.rpartition("/")[2] == last]
    if elsewhere:
        return elsewhere[0]
    # by stem: a shared folder or a shared ".tiff" does not make two names alike
    stem, suffix = os.path.splitext(last)
    by_stem: dict[str, list[str]] = {}
    for entry in names:
        by_stem.setdefault(os.path.splitext(entry.rpartition("/")[2])[0], []).append(entry)
    close = by_stem.get(suggest(stem, by_stem) or "", [])
    return next((entry for entry in close if entry.endswith(suffix)), close[0] if close else None)
