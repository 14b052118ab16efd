"""YAML text -> plain data, with the line and column of every key and value.

The node tree of ruamel.yaml (YAML 1.2) is read rather than its ready-made mappings: nodes know their place even where
a value is empty, comes from an anchor or was merged in, and a wrong scalar becomes a finding instead of an exception.
"""

from __future__ import annotations

from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from poredepth.errors import RecipeError
from poredepth.recipe.words import Finding, Loc, found_text

YAML_ALLOWED = "YAML 1.2 (key: value, indented with spaces)"
TAG = "tag:yaml.org,2002:"
# A date or a lone = is not a type of its own in a recipe: it is the text that stands there.
TEXT_TAGS = (f"{TAG}str", f"{TAG}timestamp", f"{TAG}value")
COLLECTION_TAGS = {MappingNode: f"{TAG}map", SequenceNode: f"{TAG}seq"}

Pairs = dict[str, tuple[ScalarNode, Node]]


class YamlTree:
    """A parsed recipe text.

    Attributes
    ----------
    data : plain dicts, lists, str, int, float, bool, None
    findings : what is wrong with the YAML itself but let reading go on (keys given twice, tags, keys that are no text)
    """

    def __init__(self, text: str, file_label: str):
        """Parse ``text``; raises RecipeError, one finding, if it is not YAML at all."""
        text = text.removeprefix("\ufeff")
        self.findings: list[Finding] = []
        self._pairs: dict[int, Pairs] = {}
        self._built: dict[int, Any] = {}
        self._open: set[int] = set()  # nodes being built, to notice an alias inside its own anchor
        self._yaml = YAML(typ="safe", pure=True)
        try:
            self._root: Node | None = self._yaml.compose(text)
            self.data = None if self._root is None else self._build(self._root, ())
        except RecursionError:
            raise _syntax_error(file_label, (1, 1), "nested too deeply") from None
        except MarkedYAMLError as error:
            raise _syntax_error(file_label, _mark_position(error), _problem_text(error)) from None
        except (YAMLError, ValueError) as error:
            raise _syntax_error(file_label, *_reader_problem(text, error)) from None

    def position(self, finding: Finding) -> tuple[int, int]:
        """(line, column), 1-based, that ``finding`` points at; the deepest place there is on the way to it."""
        if finding.position is not None:
            return finding.position
        loc = finding.loc[:-1] if finding.point == "parent" else finding.loc
        key, value = self._walk(loc)
        if key is None or (finding.point == "value" and not _is_blank(value)):
            return _start(value)
        return _start(key)

    def _walk(self, loc: Loc) -> tuple[Node | None, Node | None]:
        key, node = None, self._root
        for step in loc:
            if isinstance(node, MappingNode) and step in self._pairs.get(id(node), {}):
                key, node = self._pairs[id(node)][step]
            elif isinstance(node, SequenceNode) and isinstance(step, int) and step < len(node.value):
                key, node = None, node.value[step]
            else:
                break
        return key, node

    def _build(self, node: Node, loc: Loc) -> Any:
        if id(node) in self._built:
            return self._built[id(node)]
        if id(node) in self._open:
            self._find(node, loc, "found an alias inside its own anchor", "an alias of something else")
            return None
        self._open.add(id(node))
        if isinstance(node, ScalarNode):
            value = self._scalar(node, loc)
        else:
            if node.tag != COLLECTION_TAGS[type(node)]:
                self._find(node, loc, f"found the tag {_tag_text(node)}", "values without a tag")
            if isinstance(node, MappingNode):
                value = {key: self._build(item, (*loc, key)) for key, (_, item) in self._mapping(node, loc).items()}
            else:
                value = [self._build(item, (*loc, i)) for i, item in enumerate(node.value)]
        self._open.discard(id(node))
        self._built[id(node)] = value
        return value

    def _mapping(self, node: MappingNode, loc: Loc) -> Pairs:
        """Pairs of a mapping: its own, then those merged in by ``<<`` for keys it does not have."""
        if id(node) in self._pairs:
            return self._pairs[id(node)]
        self._pairs[id(node)] = pairs = {}
        merged: list[MappingNode] = []
        for key, value in node.value:
            if isinstance(key, ScalarNode) and key.tag == f"{TAG}merge":
                merged += self._merge_sources(value, loc)
            elif not isinstance(key, ScalarNode) or key.tag not in TEXT_TAGS:
                shown = found_text(self._scalar(key, loc)) if isinstance(key, ScalarNode) else "found a list or mapping"
                self._find(key, loc, f"{shown} as a key", "text (put it in quotes)")
            elif key.value in pairs:
                line = _start(pairs[key.value][0])[0]
                self._find(key, (*loc, key.value), f"key found again, first on line {line}", "each key once")
            else:
                pairs[key.value] = (key, value)
        for source in merged:
            for name, pair in list(self._mapping(source, loc).items()):
                pairs.setdefault(name, pair)
        return pairs

    def _merge_sources(self, value: Node, loc: Loc) -> list[MappingNode]:
        sources = value.value if isinstance(value, SequenceNode) else [value]
        if all(isinstance(source, MappingNode) for source in sources):
            return sources
        self._find(value, (*loc, "<<"), "found something else than mappings to merge", "a mapping, or a list of them")
        return []

    def _scalar(self, node: ScalarNode, loc: Loc) -> Any:
        construct = self._yaml.constructor
        try:
            if node.tag in TEXT_TAGS:
                return node.value
            if node.tag == f"{TAG}null":
                return None
            if node.tag == f"{TAG}bool":
                return {"true": True, "false": False}[node.value.lower()]
            if node.tag == f"{TAG}int":
                value = construct.construct_yaml_int(node)
                str(value)  # refuses thousands of digits, which nothing later could print or store
                return value
            if node.tag == f"{TAG}float":
                return construct.construct_yaml_float(node)
            self._find(node, loc, f"found the tag {_tag_text(node)}", "values without a tag")
        except (ValueError, LookupError, ArithmeticError):
            self._find(node, loc, f"{found_text(node.value)} as {_tag_text(node)}", "a value of that type")
        return node.value

    def _find(self, node: Node, loc: Loc, found: str, allowed: str) -> None:
        self.findings.append(Finding(loc, found, allowed, position=_start(node)))


def _start(node: Node | None) -> tuple[int, int]:
    return (1, 1) if node is None else (node.start_mark.line + 1, node.start_mark.column + 1)


def _tag_text(node: Node) -> str:
    return repr(node.tag.replace(TAG, "!!"))


def _is_blank(node: Node | None) -> bool:
    return isinstance(node, ScalarNode) and node.value == "" and node.style is None


def _mark_position(error: MarkedYAMLError) -> tuple[int, int]:
    mark = error.problem_mark or error.context_mark
    return (1, 1) if mark is None else (mark.line + 1, mark.column + 1)


def _problem_text(error: MarkedYAMLError) -> str:
    text = error.problem or error.context or "cannot be read"
    if error.problem and error.context and error.context_mark is not None:
        text += f" ({error.context} that starts on line {error.context_mark.line + 1})"
    return " ".join(text.removeprefix("but ").split())


def _reader_problem(text: str, error: Exception) -> tuple[tuple[int, int], str]:
    """Place and wording for a character that YAML does not allow; the first line for anything else."""
    index, code = getattr(error, "position", None), getattr(error, "character", None)
    if not isinstance(index, int) or not isinstance(code, int):
        return (1, 1), " ".join(str(error).split())
    before = text[:index]
    return (before.count("\n") + 1, index - before.rfind("\n")), f"the character U+{code:04X}"


def _syntax_error(file_label: str, position: tuple[int, int], problem: str) -> RecipeError:
    finding = Finding((), f"not YAML: {problem}", YAML_ALLOWED)
    return RecipeError(f"{file_label}:{position[0]}:{position[1]}: {finding.text()}")
