"""The head file: what belongs to one head, kept apart from the look, so that one look serves many heads.

``head: FILE`` in a recipe brings in that file's ``mesh``, ``landmarks``, ``regions`` and ``directions``: its mesh and
landmarks stand for the recipe's, its regions take the place of the recipe's of the same name, its directions come after
the recipe's.  Its paths are relative to its own folder.
"""

from __future__ import annotations

import os
import posixpath
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poredepth.recipe.files import named_files
from poredepth.recipe.source import YamlTree
from poredepth.recipe.words import Finding, Loc, found_text, names_text, suggest

HEAD_KEYS = ("mesh", "landmarks", "regions", "directions")
ALLOWED = f"a file with the keys {', '.join(HEAD_KEYS)}"


@dataclass(frozen=True)
class Merged:
    """A recipe's plain data with its head file's put in.

    Attributes
    ----------
    data : plain data, without the key ``head``
    label, tree : the head file and its places; None if there is none
    replaced : top-level keys that are all the head file's
    regions : names of the regions that are the head file's
    first_direction : number of the head file's first direction
    """

    data: Any
    label: str | None = None
    tree: YamlTree | None = None
    replaced: frozenset[str] = frozenset()
    regions: frozenset[str] = frozenset()
    first_direction: int = 0
    findings: list[Finding] = field(default_factory=list)
    head_findings: list[Finding] = field(default_factory=list)

    @property
    def unreadable(self) -> bool:
        """The head file is not there: what else is wrong cannot be said."""
        return self.tree is None and bool(self.findings)

    def in_head(self, loc: Loc) -> Loc | None:
        """The place in the head file that a place in the merged data comes from, or None if it is the recipe's own."""
        if self.tree is None or not loc:
            return None
        if loc[0] in self.replaced:
            return loc
        if loc[0] == "regions" and len(loc) > 1 and loc[1] in self.regions:
            return loc
        if loc[0] == "directions" and len(loc) > 1 and isinstance(loc[1], int) and loc[1] >= self.first_direction:
            return ("directions", loc[1] - self.first_direction, *loc[2:])
        return None


def merged(data: Any, folder: Path, label_folder: str) -> Merged:
    """Read the head file that ``data`` names, if it names one, and put it in.

    Parameters
    ----------
    data : plain data of the recipe
    folder : of the recipe
    label_folder : what findings put before the head file's name

    Raises
    ------
    RecipeError : a head file that is not YAML at all
    """
    if not isinstance(data, Mapping) or "head" not in data:
        return Merged(data)
    own = {key: value for key, value in data.items() if key != "head"}
    name = data["head"]
    if not isinstance(name, str) or not name:
        return Merged(own, findings=[Finding(("head",), found_text(name), ALLOWED)])
    label = os.path.join(label_folder, name)
    try:
        text = (folder / name).read_bytes().decode("utf-8-sig")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "not UTF-8 text"
        near = suggest(name, sorted(p.name for p in folder.glob("*.y*ml")))
        return Merged(
            own, findings=[Finding(("head",), f"found no readable file {name!r} ({why.lower()})", ALLOWED, near)]
        )
    tree = YamlTree(text, label)
    head = tree.data if tree.data is not None else {}
    if not isinstance(head, Mapping):
        return Merged(own, label, tree, head_findings=[*tree.findings, Finding((), found_text(head), ALLOWED)])
    return _put_in(own, head, label, tree, posixpath.dirname(name))


def _put_in(own: dict[str, Any], head: Mapping[str, Any], label: str, tree: YamlTree, head_folder: str) -> Merged:
    wrong = [
        Finding((key,), "unknown key", f"in a head file: {names_text(HEAD_KEYS, '')}", suggest(key, HEAD_KEYS), "key")
        for key in head
        if key not in HEAD_KEYS
    ]
    head = _with_paths({key: value for key, value in head.items() if key in HEAD_KEYS}, head_folder)
    twice = [key for key in ("mesh", "landmarks") if key in own and key in head]
    both = [Finding((key,), f"found here and in {label}", "in one of the two", point="key") for key in twice]
    out, replaced, regions, first = dict(own), set(), frozenset(), 0
    for key, value in head.items():
        mine = own.get(key)
        if key not in own:
            out[key] = value
            replaced.add(key)
        elif key == "regions" and isinstance(mine, Mapping):
            if isinstance(value, Mapping):
                out[key], regions = {**mine, **value}, frozenset(value)
            else:
                wrong.append(Finding((key,), found_text(value), "a mapping of names"))
        elif key == "directions" and isinstance(mine, list):
            if isinstance(value, list):
                out[key], first = [*mine, *value], len(mine)
            else:
                wrong.append(Finding((key,), found_text(value), "a list, each entry with a dash"))
    if "directions" not in out or first == 0:
        first = len(out["directions"]) if isinstance(out.get("directions"), list) else 0
    return Merged(out, label, tree, frozenset(replaced), regions, first, both, [*tree.findings, *wrong])


def _with_paths(head: dict[str, Any], head_folder: str) -> dict[str, Any]:
    """The head file's data with file names relative to the recipe's folder instead of its own."""
    if not head_folder:
        return head
    out = dict(head)
    for loc, name, _ in list(named_files(head)):
        node: Any = out
        for step in loc[:-1]:
            inner = node[step]
            node[step] = dict(inner) if isinstance(inner, Mapping) else list(inner)
            node = node[step]
        node[loc[-1]] = posixpath.join(head_folder, name)
    return out
