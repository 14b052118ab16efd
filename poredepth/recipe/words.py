"""Wording of findings: where, what was found, what is allowed, the likely fix; always one line."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

Loc = tuple[str | int, ...]

MAX_NAMES = 16  # longer lists of names do not help on one line
MAX_FOUND_CHARS = 60
UNIT_WORDS = {"_per_mm": "per mm", "_mm": "in mm", "_um": "in um", "_px": "in pixels", "_deg": "in degrees"}
COUNT_WORDS = {2: "two", 3: "three", 4: "four"}
FILE_KEYS = ("file", "map", "mask", "head")


@dataclass(frozen=True)
class Finding:
    """One finding.

    Attributes
    ----------
    loc : path of keys and list positions, () for the recipe as a whole
    found, allowed : the two halves of the message
    suggestion : the likely meant word, or None
    point : what the line and column point at: the value at ``loc``, its key, or the mapping that lacks the key
    position : (line, column), 1-based, where it is known already; else it is looked up by ``loc``
    """

    loc: Loc
    found: str
    allowed: str
    suggestion: str | None = None
    point: Literal["value", "key", "parent"] = "value"
    position: tuple[int, int] | None = None

    def text(self) -> str:
        """``key.path: found; allowed: ...; did you mean 'x'?``, one line."""
        end = "" if self.suggestion is None else f"; did you mean {self.suggestion!r}?"
        return f"{path_text(self.loc)}: {self.found}; allowed: {self.allowed}{end}"


def path_text(loc: Loc) -> str:
    """``layers[2].region`` for ("layers", 2, "region"); ``recipe`` for ()."""
    text = ""
    for step in loc:
        if isinstance(step, int):
            text += f"[{step}]"
        elif re.fullmatch(r"[\w-]+( [\w-]+)*", step):
            text += f".{step}" if text else step
        else:
            text += f"[{step!r}]"
    return text or "recipe"


def found_text(value: Any) -> str:
    """``found ...`` for a value of a recipe, cut to a readable length."""
    if value is None:
        return "found nothing"
    if isinstance(value, bool):
        return f"found {str(value).lower()}"
    if isinstance(value, Mapping):
        return "found a mapping"
    if isinstance(value, list | tuple):
        return f"found a list of {len(value)}"
    if isinstance(value, float) and not math.isfinite(value):
        return f"found {value}, which is not finite"
    try:
        text = " ".join(repr(value).split())
    except ValueError:  # whole numbers of thousands of digits have no decimal text
        return "found a whole number beyond all use"
    return f"found {text if len(text) <= MAX_FOUND_CHARS else text[: MAX_FOUND_CHARS - 3] + '...'}"


def names_text(names: Iterable[str], none: str) -> str:
    """Names as ``a, b, c``; ``none`` if there are none."""
    names = [name if re.fullmatch(r"[^\s,;'\"]+( [^\s,;'\"]+)*", name) else repr(name) for name in names]
    if not names:
        return none
    more = f" and {len(names) - MAX_NAMES} more" if len(names) > MAX_NAMES else ""
    return ", ".join(names[:MAX_NAMES]) + more


def suggest(word: object, names: Iterable[str]) -> str | None:
    """The name most like ``word``, or None where none is close."""
    names = list(names)
    if not isinstance(word, str) or not word:
        return None
    same = [name for name in names if name.casefold() == word.casefold()]
    close = same or difflib.get_close_matches(word, names, n=1)
    if not close and len(word) >= 3:
        close = [name for name in names if name.startswith(word)]
    return close[0] if close else None


def allowed_text(schema: Mapping[str, Any], key: str | int | None) -> str:
    """What a part of the JSON Schema allows, in words; ``key`` names the value (its suffix is the unit)."""
    if "const" in schema:
        return "true" if schema["const"] is True else str(schema["const"])
    if "enum" in schema:
        return ", ".join(schema["enum"])
    kind = schema.get("type")
    if kind is None and "oneOf" in schema:
        return ", or ".join(allowed_text(choice, key) for choice in schema["oneOf"])
    if kind == "object":
        keys = schema.get("properties")
        return f"a mapping with {names_text(keys, '')}" if keys else "a mapping of names"
    if kind == "array":
        return _list_text(schema)
    if kind in ("number", "integer"):
        return _number_text(schema, str(key))
    if kind == "boolean":
        return "true or false"
    return "a file, relative to the recipe's folder" if key in FILE_KEYS else "text"


def _list_text(schema: Mapping[str, Any]) -> str:
    if "prefixItems" in schema:
        landmark = ", or the name of a landmark" if "x-landmark" in schema else ""
        return f"three numbers [x, y, z]{landmark}" if len(schema["prefixItems"]) == 3 else "two numbers [x, y]"
    items = schema.get("items", {})
    if "enum" in items:
        return f"a list of one or more of {', '.join(items['enum'])}"
    of = "points [x, y, z]" if "prefixItems" in items else "names" if items.get("type") == "string" else ""
    of = "tie points {px: [x, y], at: [x, y, z]}" if items.get("$ref", "").endswith("/TiePoint") else of
    of = of or ("mappings" if "$ref" in items else "")
    if not of:
        return "a list"
    least = schema.get("minItems", 0)
    return f"a list of at least {COUNT_WORDS.get(least, least)} {of}" if least > 1 else f"a list of {of}"


def _number_text(schema: Mapping[str, Any], key: str) -> str:
    text = "a whole number" if schema["type"] == "integer" else "a number"
    low, high = schema.get("minimum"), schema.get("maximum")
    if low is not None and high is not None:
        text += f" from {low} to {high}"
    elif low is not None:
        text += " of 0 or more" if low == 0 else f" of at least {low}"
    elif "exclusiveMinimum" in schema:
        text += f" above {schema['exclusiveMinimum']}" + (f" up to {high}" if high is not None else "")
    unit = next((words for suffix, words in UNIT_WORDS.items() if key.endswith(suffix)), None)
    return f"{text}, {unit}" if unit else text
