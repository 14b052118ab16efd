"""Checks of a recipe's plain data beyond types: rules between keys, names that must exist, circles, double names.

They read the data as it stands in the file and pass over parts of the wrong type, so that all findings come at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from poredepth.recipe.anatomy import part_findings
from poredepth.recipe.presets import PRESET_LANDMARKS
from poredepth.recipe.rules import (
    BANDS_DEFAULT_MM,
    CUTOFFS,
    REGION_SETS,
    Broken,
    bands_rules,
    cutoffs_rules,
    direction_rules,
    gain_rules,
    layer_rules,
    order_of_cutoffs,
    output_rules,
    patch_rules,
    region_rules,
    thin_rules,
    vary_rules,
)
from poredepth.recipe.schema import mapping_at, schema_at
from poredepth.recipe.words import Finding, Loc, allowed_text, found_text, names_text, suggest

Rules = Callable[[Mapping[str, Any]], list[Broken]]


def check_findings(data: Mapping[str, Any]) -> list[Finding]:
    """Findings of all checks here, in no particular order."""
    return [
        *_rule_findings(data),
        *_region_name_findings(data),
        *_circle_findings(data),
        *_preset_findings(data),
        *_patch_findings(data),
        *_layer_name_findings(data),
        *_band_findings(data),
        *_cutoffs_findings(data),
        *_thin_findings(data),
        *part_findings(data),
    ]


def _parts(data: Mapping[str, Any]) -> Iterator[tuple[Loc, Mapping[str, Any], Rules | None]]:
    """Each mapping of the recipe with its place and the rules between its keys."""
    yield (), data, None
    rules: dict[str, Rules | None] = {
        "directions": direction_rules,
        "regions": region_rules,
        "patches": patch_rules,
        "layers": layer_rules,
    }
    for key, part_rules in (("mesh", None), ("output", output_rules), ("bands", bands_rules)):
        if isinstance(data.get(key), Mapping):
            yield (key,), data[key], part_rules
    for key, part_rules in rules.items():
        for loc, part in _entries(data, key):
            yield loc, part, part_rules
            if key == "layers":
                yield from _inner_parts(loc, part)


def _inner_parts(loc: Loc, layer: Mapping[str, Any]) -> Iterator[tuple[Loc, Mapping[str, Any], Rules | None]]:
    """The mappings inside a layer."""
    yield from _mappings_of(layer.get("tie_points"), (*loc, "tie_points"))
    for key, rules in (("gain", gain_rules), ("cutoffs", cutoffs_rules), ("thin_where", thin_rules)):
        if isinstance(layer.get(key), Mapping):
            yield (*loc, key), layer[key], rules
    vary = layer.get("vary")
    if not isinstance(vary, Mapping):
        return
    yield (*loc, "vary"), vary, None
    for key in ("gain", "size"):
        over = vary.get(key)
        if isinstance(over, Mapping):
            yield (*loc, "vary", key), over, vary_rules
            yield from _mappings_of(over.get("ramp"), (*loc, "vary", key, "ramp"))


def _mappings_of(items: Any, loc: Loc) -> Iterator[tuple[Loc, Mapping[str, Any], None]]:
    for number, item in enumerate(items if isinstance(items, list) else ()):
        if isinstance(item, Mapping):
            yield (*loc, number), item, None


def _entries(data: Mapping[str, Any], key: str) -> Iterator[tuple[Loc, Mapping[str, Any]]]:
    entries = data.get(key)
    if isinstance(entries, Mapping) and key in ("regions", "patches"):
        yield from (((key, name), part) for name, part in entries.items() if isinstance(part, Mapping))
    elif isinstance(entries, list) and key in ("directions", "layers"):
        yield from (((key, i), part) for i, part in enumerate(entries) if isinstance(part, Mapping))


def _rule_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    for loc, part, rules in _parts(data):
        schema = mapping_at(loc)
        known = schema["properties"]
        unknown = {name: suggest(name, known) for name in part if name not in known}
        for name, meant in unknown.items():
            yield Finding((*loc, name), "unknown key", names_text(known, ""), meant, point="key")
        for name, value in part.items():
            if value is None and name in known:
                yield Finding((*loc, name), found_text(None), allowed_text(schema_at((*loc, name)), name))
        broken = [
            Broken(name, "missing", allowed_text(schema_at((*loc, name)), name), missing=(name,))
            for name in schema.get("required", ())
            if name not in part
        ]
        for rule in broken + (rules(part) if rules else []):
            # a key that is there under a misspelt name is one finding, not two
            if not set(rule.missing) & set(unknown.values()):
                yield _rule_finding(loc, rule)


def _rule_finding(loc: Loc, rule: Broken) -> Finding:
    if rule.key is None:
        return Finding(loc, rule.found, rule.allowed, point="key")
    return Finding((*loc, rule.key), rule.found, rule.allowed, point="parent" if rule.missing else rule.point)


def _region_names(data: Mapping[str, Any]) -> list[str] | None:
    regions = data.get("regions", {})
    return list(regions) if isinstance(regions, Mapping) else None


def _region_name_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    names = _region_names(data)
    if names is None:
        return
    used: list[tuple[Loc, Any]] = [((*loc, "region"), part.get("region")) for loc, part in _entries(data, "layers")]
    for loc, part in _entries(data, "regions"):
        for key in REGION_SETS:
            members = part.get(key)
            if isinstance(members, list):
                used += [((*loc, key, i), name) for i, name in enumerate(members)]
    for loc, name in used:
        if isinstance(name, str) and name and name not in names:
            others = [other for other in names if loc[:2] != ("regions", other)]
            yield Finding(
                loc, f"unknown region {name!r}", names_text(others, "none (there are no others)"), suggest(name, others)
            )


def _circle_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """One finding for each circle of regions, at the name that closes it."""
    members = {
        loc[1]: [
            ((*loc, key, i), name)
            for key in REGION_SETS
            if isinstance(part.get(key), list)
            for i, name in enumerate(part[key])
            if isinstance(name, str)
        ]
        for loc, part in _entries(data, "regions")
    }
    done: set[str] = set()
    for start in members:
        trail = [start]
        todo = [iter(members[start])]
        while trail:
            loc, name = next(todo[-1], ((), None))
            if name is None:
                done.add(trail.pop())
                todo.pop()
            elif name in trail:
                circle = " > ".join([*trail[trail.index(name) :], name])
                yield Finding(loc, f"regions in a circle: {circle}", "regions that do not lead back to themselves")
            elif name in members and name not in done:
                trail.append(name)
                todo.append(iter(members[name]))


def _preset_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """Landmarks that a preset is made from and that the recipe does not have."""
    landmarks = data.get("landmarks", {})
    if not isinstance(landmarks, Mapping):
        return
    for loc, part in _entries(data, "directions"):
        name = part.get("preset")
        needed = PRESET_LANDMARKS.get(name, ()) if isinstance(name, str) else ()
        missing = [landmark for landmark in needed if landmark not in landmarks]
        if missing:
            yield Finding(
                (*loc, "preset"),
                f"{name} lacks the landmark{'s' if len(missing) > 1 else ''} {names_text(missing, '')}",
                "with all of its landmarks under landmarks, each [x, y, z] on the skin in mesh units: "
                f"{names_text(needed, '')}",
            )


def _patch_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    patches = data.get("patches", {})
    if not isinstance(patches, Mapping):
        return
    named = [((*loc, "patch"), part.get("patch"), "value") for loc, part in _entries(data, "layers")]
    for loc, part in _entries(data, "layers"):
        several = part.get("patches")
        named += [((*loc, "patches", name), name, "key") for name in several] if isinstance(several, Mapping) else []
    for loc, name, point in named:
        if isinstance(name, str) and name and name not in patches:
            yield Finding(
                loc,
                f"unknown patch {name!r}",
                names_text(patches, "none (there are no patches)"),
                suggest(name, patches),
                point,
            )


def _layer_name_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    first: dict[str, int] = {}
    for loc, part in _entries(data, "layers"):
        name = part.get("name")
        if not isinstance(name, str) or not name:
            continue
        if name in first:
            yield Finding((*loc, "name"), f"found {name!r}, which is also layers[{first[name]}]", "a name of its own")
        else:
            first[name] = loc[1]


def _band_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """Bands that a layer lists twice."""
    for loc, part in _entries(data, "layers"):
        bands = part.get("bands")
        for number, band in enumerate(bands if isinstance(bands, list) else ()):
            if isinstance(band, str) and band in bands[:number]:
                yield Finding((*loc, "bands", number), f"{found_text(band)} again", "each band once")


def _cutoffs_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """Cutoffs of a layer that do not go with those of the recipe that stand for the one left out."""
    bands = data.get("bands", {})
    if not isinstance(bands, Mapping) or bands_rules(bands):
        return
    for loc, part in _entries(data, "layers"):
        own = part.get("cutoffs")
        if isinstance(own, Mapping) and not all(key in own for key in CUTOFFS):
            for broken in order_of_cutoffs(own, {**BANDS_DEFAULT_MM, **bands}, "in the whole recipe"):
                yield _rule_finding((*loc, "cutoffs"), broken)


def _thin_findings(data: Mapping[str, Any]) -> Iterator[Finding]:
    """Layers that thin out where there is nothing to look at below them."""
    layers = [(loc, part, part.get("name")) for loc, part in _entries(data, "layers")]
    for loc, part, _ in layers:
        thin = part.get("thin_where")
        if not isinstance(thin, Mapping):
            continue
        if loc[1] == 0:
            yield Finding((*loc, "thin_where"), "found in the lowest layer", "only with a layer below it", point="key")
            continue
        name = thin.get("layer")
        below = [other for at, _, other in layers if at[1] < loc[1] and isinstance(other, str) and other]
        if not isinstance(name, str) or not name or name in below:
            continue
        above = [at[1] for at, _, other in layers if other == name]
        found = f"unknown layer {name!r}"
        if above:
            where = "this layer itself" if above[0] == loc[1] else f"layers[{above[0]}], further up"
            found = f"{found_text(name)}, which is {where}"
        near = None if above else suggest(name, below)
        yield Finding((*loc, "thin_where", "layer"), found, f"a layer below it: {names_text(below, 'none')}", near)
