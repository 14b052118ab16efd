"""The recipe as JSON Schema (draft 2020-12), for editors; error texts take their "allowed" part from it too."""

from __future__ import annotations

from copy import deepcopy
from functools import cache
from typing import Any

from poredepth.recipe.model import Recipe
from poredepth.recipe.rules import (
    AROUND_ONLY,
    DIRECTION_SOURCES,
    MAP_ONLY,
    PATCH_ONLY,
    PLACE_KEYS,
    REGION_SETS,
    REGION_SOURCES,
    SMOOTH_COMBINES,
    THIN_KEYS,
    THIN_SOURCES,
    VARY_SOURCES,
)

SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def recipe_schema() -> dict[str, Any]:
    """JSON Schema of a recipe, draft 2020-12.

    Rules between keys of one mapping are part of it. What needs the rest of the recipe or the disk (names, files,
    circles of regions, layer names used twice, layers below, overlap_mm against print_mm, fine_mm against coarse_mm) is
    left to ``load_recipe``.

    Returns
    -------
    schema : dict, ready for ``json.dumps``; a new one at each call
    """
    schema = _with_names(deepcopy(_schema()))
    # the mesh may stand in the head file
    schema["required"].remove("mesh")
    schema["anyOf"] = _required(("mesh", "head"))
    return schema


def _with_names(node: Any) -> Any:
    """Let the name of a landmark stand wherever the schema asks for a point of the skin."""
    if isinstance(node, list):
        return [_with_names(item) for item in node]
    if not isinstance(node, dict):
        return node
    node = {key: _with_names(value) for key, value in node.items()}
    if not node.pop("x-landmark", False):
        return node
    shared = {key: node.pop(key) for key in ("description", "default") if key in node}
    return {"anyOf": [node, {"type": "string", "minLength": 1}]} | shared


@cache
def _schema() -> dict[str, Any]:
    schema = _tidy(Recipe.model_json_schema())
    # not a key of the model: it is put in before the model is made (headfile.py)
    schema["properties"]["head"] = {
        "type": "string",
        "minLength": 1,
        "description": "YAML file with the head's own mesh, landmarks, regions and directions, so that one look "
        "serves many heads; relative to the recipe.",
    }
    kinds = schema["$defs"]
    kinds["DirectionSpec"] |= {
        "oneOf": _required(DIRECTION_SOURCES),
        "dependentRequired": {"around": list(AROUND_ONLY)} | {key: ["around"] for key in AROUND_ONLY},
        "not": {"required": ["curvature", "reach_mm"]},
    }
    kinds["RegionSpec"] |= {
        "oneOf": _required(REGION_SOURCES),
        "dependentRequired": {"radius_mm": ["center"], "center": ["radius_mm"]},
        "if": {"anyOf": _required(REGION_SETS)},
        "then": {"properties": {"feather_mm": False}},
    }
    kinds["LayerSpec"] |= {
        "oneOf": [
            {"required": ["map", "scale_mm"], "properties": dict.fromkeys(("patch", "patches", *PATCH_ONLY), False)},
            _layer_kind("scatter", ["patch", "print_mm"], ["patches"]),
            _layer_kind("scatter", ["patches", "print_mm"], ["patch"]),
            _layer_kind("spread", ["patch", "region"], ["patches"]),
            _layer_kind("registered", ["patch", "tie_points"], ["patches"]),
        ],
        "if": {"required": ["smooth_um"]},
        "then": {"required": ["combine"], "properties": {"combine": {"enum": list(SMOOTH_COMBINES)}}},
    }
    kinds["ThinSpec"] |= {
        "oneOf": _required(THIN_SOURCES),
        "dependentRequired": {key: [source] for key, source in THIN_KEYS.items()},
    }
    for kind in ("BandGain", "CutoffsSpec"):
        kinds[kind]["minProperties"] = 1
    kinds["VarySpec"] |= {
        "oneOf": _required(VARY_SOURCES),
        "dependentRequired": {"black": ["map"], "white": ["map"]},
    }
    head = {
        "$schema": SCHEMA_DIALECT,
        "title": "poredepth recipe",
        "description": "A head mesh, its regions and directions, skin patches, layers, and the map to write.",
    }
    return head | {key: value for key, value in schema.items() if key not in head}


def _layer_kind(place: str, required: list[str], without: list[str]) -> dict[str, Any]:
    """A layer that is laid by ``place``."""
    foreign = [key for key, places in PLACE_KEYS.items() if place not in places]
    barred = dict.fromkeys(("map", *without, *MAP_ONLY, *foreign), False)
    return {"required": ["place", *required], "properties": {"place": {"const": place}, **barred}}


def schema_at(loc: tuple[str | int, ...]) -> dict[str, Any]:
    """The part of the schema at a place in a recipe, as ``("layers", 2, "region")``; {} where there is none."""
    schema = _schema()
    node = schema
    for step in loc:
        node = _follow(schema, _step(node, step))
        if not node:
            return {}
    return node


def mapping_at(loc: tuple[str | int, ...]) -> dict[str, Any]:
    """The part of the schema for the mapping at a place where one is allowed, maybe beside other types."""
    return _mapping_of(schema_at(loc))


def _mapping_of(node: dict[str, Any]) -> dict[str, Any]:
    return next((choice for choice in (node, *node.get("oneOf", ())) if "properties" in choice), node)


def _follow(schema: dict[str, Any], node: Any) -> dict[str, Any]:
    if not isinstance(node, dict):
        return {}
    if "$ref" in node:
        return schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
    if "oneOf" in node:  # one of several types
        return node | {"oneOf": [_follow(schema, choice) for choice in node["oneOf"]]}
    return node


def _step(node: dict[str, Any], step: str | int) -> Any:
    if isinstance(step, str):
        node = _mapping_of(node)
        return node.get("properties", {}).get(step, node.get("additionalProperties"))
    tuple_items = node.get("prefixItems", [])
    return tuple_items[step] if step < len(tuple_items) else node.get("items")


def _required(keys: tuple[str, ...]) -> list[dict[str, Any]]:
    return [{"required": [key]} for key in keys]


def _tidy(node: Any, names_are_keys: bool = False) -> Any:
    """Drop the generated titles and the null alternatives: in a recipe a key is given or left out, never null."""
    if isinstance(node, list):
        return [_tidy(item) for item in node]
    if not isinstance(node, dict):
        return node
    if names_are_keys:
        return {key: _tidy(value) for key, value in node.items()}
    node = {key: value for key, value in node.items() if key != "title" and not (key == "default" and value is None)}
    if isinstance(node.get("description"), str):
        node["description"] = node["description"].replace("``", "")  # docstring markup means nothing in an editor
    choices = [choice for choice in node.get("anyOf", ()) if choice != {"type": "null"}]
    if len(choices) == 1:
        del node["anyOf"]
        node = choices[0] | node
    return {key: _tidy(value, key in ("properties", "$defs")) for key, value in node.items()}
