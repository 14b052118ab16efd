"""Recipe file, text or dict -> checked ``Recipe``; everything wrong with it at once, in one RecipeError.

Each finding is one line, ``file:line:col: key.path: what was found; allowed: ...; did you mean 'x'?``, line and
column 1-based; the last part only where something is close. A dict has no lines: ``recipe: key.path: ...``.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from poredepth.errors import RecipeError
from poredepth.recipe.anatomy import spelt_right
from poredepth.recipe.checks import check_findings
from poredepth.recipe.files import file_findings
from poredepth.recipe.headfile import HEAD_KEYS, Merged, merged
from poredepth.recipe.landmarks import with_points
from poredepth.recipe.model import Recipe
from poredepth.recipe.model_bands import GAIN_TAGS, ThinSpec
from poredepth.recipe.model_layers import LayerSpec
from poredepth.recipe.patchfile import with_patch_files
from poredepth.recipe.rules import MAP_ONLY, PATCH_ONLY, THIN_KEYS
from poredepth.recipe.schema import schema_at
from poredepth.recipe.source import YamlTree
from poredepth.recipe.words import Finding, Loc, allowed_text, found_text, suggest

RECIPE_VERSION = 1
WHOLE_ALLOWED = f"keys and values, starting with poredepth: {RECIPE_VERSION}"
# keys of a layer that are not for all layers
RESTATED = (*MAP_ONLY, *PATCH_ONLY, "smooth_um")
# found by the checks on the plain data, with better places
FOUND_ELSEWHERE = ("recipe_rule", "extra_forbidden")


def load_recipe(path: str | os.PathLike[str]) -> Recipe:
    """Read, parse and check a recipe file.

    Parameters
    ----------
    path : the recipe file; paths in the recipe are relative to its folder

    Returns
    -------
    recipe : Recipe, with ``recipe.file`` and ``recipe.folder`` set

    Raises
    ------
    RecipeError : with all findings, in file order; also for a file that is missing, no file, or not UTF-8
    """
    file_label = os.fspath(path)
    file = Path(path)
    recipe = parse_recipe(_read_text(file, file_label), file.parent, file_label)
    recipe._file = file
    return recipe


def parse_recipe(text: str, folder: str | os.PathLike[str], file_label: str = "recipe") -> Recipe:
    """Parse and check the text of a recipe.

    Parameters
    ----------
    text : YAML 1.2
    folder : what paths in the recipe are relative to
    file_label : what findings call the file

    Raises
    ------
    RecipeError : with all findings, in file order
    """
    tree = YamlTree(text, file_label)
    whole = merged(tree.data, Path(folder), os.path.dirname(file_label))
    recipe, findings = (None, []) if whole.unreadable else _check(whole.data, Path(folder))
    findings = tree.findings + whole.findings + findings
    if findings or whole.head_findings:
        raise RecipeError(_placed(tree, file_label, whole, findings))
    assert recipe is not None  # no recipe without findings is a fault of ours, not of the recipe
    return recipe


def _placed(tree: YamlTree, file_label: str, whole: Merged, findings: list[Finding]) -> list[str]:
    """Findings with file, line and column: those of the recipe, then those of its head file, each in file order."""
    own, heads = set(), {(whole.tree.position(finding), finding.text()) for finding in whole.head_findings}
    for finding in findings:
        there = whole.in_head(finding.loc)
        if there is None:
            own.add((tree.position(finding), finding.text()))
        else:
            heads.add((whole.tree.position(replace(finding, loc=there)), replace(finding, loc=there).text()))
    return [
        f"{label}:{line}:{col}: {words}"
        for label, placed in ((file_label, own), (whole.label, heads))
        for (line, col), words in sorted(placed)
    ]


def recipe_from_dict(
    data: Mapping[str, Any], folder: str | os.PathLike[str] = ".", *, check_files: bool = True
) -> Recipe:
    """Check a recipe given as a dict, with the same checks as a file.

    Parameters
    ----------
    data : keys as in a recipe file; values may also be models, tuples, paths; None counts as not given
    folder : what paths in the recipe are relative to
    check_files : whether the named files must exist; False for a recipe whose mesh, patches and maps are given to
        `prepare` as arrays

    Raises
    ------
    RecipeError : with all findings, by place in ``data``
    """
    try:
        plain = _without_restated(_plain(data))
    except RecursionError:
        plain = None
    whole = merged(plain, Path(folder), "")
    recipe, findings = (None, []) if whole.unreadable else _check(whole.data, Path(folder), check_files)
    findings = whole.findings + findings
    if findings or whole.head_findings:
        lines = [f"recipe: {finding.text()}" for finding in findings]
        lines += [f"{whole.label}: {finding.text()}" for finding in whole.head_findings]
        raise RecipeError(list(dict.fromkeys(lines)))
    assert recipe is not None
    return recipe


def _check(data: Any, folder: Path, check_files: bool = True) -> tuple[Recipe | None, list[Finding]]:
    """The recipe, or None and what is wrong with ``data``."""
    if not isinstance(data, Mapping):
        found = "an empty recipe" if data is None else found_text(data)
        return None, [Finding((), found, WHOLE_ALLOWED)]
    version = data.get("poredepth")
    if isinstance(version, int) and not isinstance(version, bool) and version != RECIPE_VERSION:
        # its other keys may follow other rules: say no more about them
        allowed = f"{RECIPE_VERSION}, the version of recipes this program reads"
        return None, [Finding(("poredepth",), found_text(version), allowed)]
    if "poredepth" not in data and data and set(data) <= set(HEAD_KEYS):
        allowed = f"a recipe (poredepth: {RECIPE_VERSION}) that names this file: head: FILE"
        return None, [Finding((), "a head file, which holds no layers", allowed)]
    data, misspelt = spelt_right(data)
    data, unknown = with_points(data)
    data, beside = with_patch_files(data, folder) if check_files else (data, [])
    recipe, findings = _type_findings(data)
    findings += (
        misspelt + unknown + beside + check_findings(data) + (file_findings(data, folder) if check_files else [])
    )
    if recipe is not None:
        recipe._folder = folder
    return recipe, findings


def _type_findings(data: Mapping[str, Any]) -> tuple[Recipe | None, list[Finding]]:
    try:
        return Recipe.model_validate(data), []
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=False)
    except (OverflowError, RecursionError):
        return None, [Finding((), "numbers or lists beyond all use", WHOLE_ALLOWED)]
    findings = []
    for detail in details:
        loc = _without_tags(detail["loc"])
        if detail["type"] in FOUND_ELSEWHERE or (detail["type"] == "missing" and isinstance(loc[-1], str)):
            continue
        findings.append(_type_finding(loc, detail["type"], detail["input"]))
    return None, findings


def _without_tags(loc: Loc) -> Loc:
    """The place in the recipe: without the step that says which of its two types a gain was taken for."""
    tagged = loc[:1] == ("layers",) and loc[2:3] == ("gain",) and set(loc[3:4]) & set(GAIN_TAGS)
    return (*loc[:3], *loc[4:]) if tagged else loc


def _type_finding(loc: Loc, kind: str, value: Any) -> Finding:
    if kind == "missing":  # of a list of three: the list is what is wrong
        loc = loc[:-1]
    if loc[-1] == "[key]" or kind == "invalid_key":
        loc = tuple(step if isinstance(step, int) else str(step) for step in loc if step != "[key]")
        return Finding(loc, f"{found_text(value if kind != 'invalid_key' else loc[-1])} as a key", "text", point="key")
    key = next((step for step in reversed(loc) if isinstance(step, str)), None)
    schema = schema_at(loc)
    words = [word for word in schema.get("enum", [schema.get("const")]) if isinstance(word, str)]
    return Finding(loc, found_text(value), allowed_text(schema, key), suggest(value, words))


def _plain(data: Any) -> Any:
    """Dicts, lists and plain values of a recipe made in Python."""
    if isinstance(data, BaseModel):
        data = {key: getattr(data, key) for key in type(data).model_fields}
    if isinstance(data, Mapping):
        for key in data:
            if not isinstance(key, str):
                raise RecipeError(f"recipe: {found_text(key)} as a key; allowed: text")
        return {key: _plain(value) for key, value in data.items() if value is not None}
    if isinstance(data, list | tuple):
        return [_plain(value) for value in data]
    return os.fspath(data) if isinstance(data, os.PathLike) else data


def _without_restated(data: Any) -> Any:
    """Leave out layer values that only restate their default (as ``model_dump`` writes them, beside any other key)."""
    layers = data.get("layers") if isinstance(data, dict) else None
    if not isinstance(layers, list):
        return data
    kept = [_not_restated(layer, LayerSpec, RESTATED) for layer in layers]
    for layer in kept:
        if isinstance(layer, dict) and "thin_where" in layer:
            layer["thin_where"] = _not_restated(layer["thin_where"], ThinSpec, tuple(THIN_KEYS))
    return {**data, "layers": kept}


def _not_restated(part: Any, spec: type[BaseModel], keys: tuple[str, ...]) -> Any:
    if not isinstance(part, dict):
        return part
    defaults = {key: spec.model_fields[key].default for key in keys if key in part}
    restated = [key for key, value in defaults.items() if type(part[key]) is type(value) and part[key] == value]
    return {key: value for key, value in part.items() if key not in restated}


def _read_text(file: Path, file_label: str) -> str:
    try:
        raw = file.read_bytes()
    except (OSError, ValueError) as error:
        raise _file_error(file, file_label, error) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", errors="replace")
        line, col = before.count("\n") + 1, len(before) - before.rfind("\n")
        finding = Finding((), f"found the byte 0x{raw[error.start]:02X}, which is not UTF-8", "text saved as UTF-8")
        raise RecipeError(f"{file_label}:{line}:{col}: {finding.text()}") from None


def _file_error(file: Path, file_label: str, error: Exception) -> RecipeError:
    if isinstance(error, FileNotFoundError):
        try:
            names = sorted(entry.name for entry in file.parent.iterdir() if entry.suffix in (".yaml", ".yml"))
        except OSError:
            names = []
        finding = Finding((), "found no such file", "a recipe file that exists", suggest(file.name, names))
    else:
        why = getattr(error, "strerror", None) or str(error)
        finding = Finding((), f"found a file that cannot be read ({why})", "a recipe file that can be read")
    return RecipeError(f"{file_label}:1:1: {finding.text()}")
