"""Landmarks: points of the skin that a recipe names once and uses by name wherever it takes a point."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from poredepth.recipe.words import Finding, Loc, names_text, suggest

#: What stands in for a name that is unknown or whose point is wrong, so that
#: the rest of the recipe is still checked and a mistake is told once.
NOWHERE = [0.0, 0.0, 0.0]


def with_points(data: Mapping[str, Any]) -> tuple[dict[str, Any], list[Finding]]:
    """The recipe's plain data with names of landmarks replaced by their points, and findings for unknown names.

    Parts of the wrong type stay as they are: they are findings of their own.
    """
    landmarks = data.get("landmarks", {})
    known = landmarks if isinstance(landmarks, Mapping) else {}
    out, findings = dict(data), []
    for loc in list(_places(data)):
        name = _at(data, loc)
        if not isinstance(name, str):
            continue
        if name in known:
            point = known[name]
            _put(out, loc, point if isinstance(point, list | tuple) and len(point) == 3 else NOWHERE)
            continue
        _put(out, loc, NOWHERE)
        findings.append(
            Finding(
                loc,
                f"unknown landmark {name!r}",
                f"three numbers [x, y, z], or a landmark: {names_text(known, 'none (there are no landmarks)')}",
                suggest(name, known),
            )
        )
    return out, findings


def _places(data: Mapping[str, Any]) -> Iterator[Loc]:
    """Where a recipe takes a point."""
    for loc, part in _mappings(data, "regions"):
        if "center" in part:
            yield (*loc, "center")
    for loc, part in _mappings(data, "directions"):
        if isinstance(part.get("points"), list):
            yield from ((*loc, "points", i) for i in range(len(part["points"])))
        if "around" in part:
            yield (*loc, "around")
    for loc, part in _mappings(data, "layers"):
        yield from _points_of(part.get("tie_points"), (*loc, "tie_points"))
        vary = part.get("vary")
        for key, over in vary.items() if isinstance(vary, Mapping) else ():
            if isinstance(over, Mapping):
                yield from _points_of(over.get("ramp"), (*loc, "vary", key, "ramp"))


def _points_of(items: Any, loc: Loc) -> Iterator[Loc]:
    """``at`` of each mapping of a list."""
    if isinstance(items, list):
        yield from ((*loc, i, "at") for i, item in enumerate(items) if isinstance(item, Mapping) and "at" in item)


def _mappings(data: Mapping[str, Any], key: str) -> Iterator[tuple[Loc, Mapping[str, Any]]]:
    entries = data.get(key)
    pairs = entries.items() if isinstance(entries, Mapping) else enumerate(entries) if isinstance(entries, list) else ()
    yield from (((key, name), part) for name, part in pairs if isinstance(part, Mapping))


def _at(node: Any, loc: Loc) -> Any:
    for step in loc:
        node = node[step]
    return node


def _put(data: dict[str, Any], loc: Loc, value: Any) -> None:
    """Set the value at a place; what lies on the way is copied, so that the caller's data stays as it was."""
    node: Any = data
    for step in loc[:-1]:
        inner = node[step]
        node[step] = dict(inner) if isinstance(inner, Mapping) else list(inner)
        node = node[step]
    node[loc[-1]] = value
