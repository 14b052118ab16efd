"""The file beside a height picture that says what it is: ``cheek.patch.yaml`` beside ``cheek.tif``.

It holds the calibration, the lay, source, licence and consent, and what was done to the picture.  A recipe's patch
takes over what it leaves out; what both say must agree.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError

from poredepth.errors import RecipeError
from poredepth.recipe.fields import Number, PositiveNumber, Spec, Switch, Text
from poredepth.recipe.files import is_file
from poredepth.recipe.source import YamlTree
from poredepth.recipe.words import Finding, Loc, allowed_text, found_text, suggest

SUFFIX = ".patch.yaml"
VERSION = 1
#: Numbers of recipe and patch file that differ by less are the same.
SAME_NUMBER = 1e-9


class PatchFile(Spec):
    """What a patch file may say."""

    poredepth_patch: Literal[1] = Field(description="Version of the keys of a patch file: 1.")
    file: Text = Field(description="Height picture, in the same folder.")
    sha256: Text | None = Field(None, description="SHA-256 of the picture's bytes, hexadecimal.")
    texel_um: PositiveNumber = Field(description="Width of one pixel on the skin, micrometres.")
    height_um: PositiveNumber = Field(description="Height of one full unit of the picture's value, micrometres.")
    zero: Number = Field(0.5, description="Picture value that is no displacement.")
    lay_deg: Number = Field(0.0, description="Direction of the relief, degrees anticlockwise from +u.")
    periodic: Switch = Field(True, description="Whether the picture continues over its borders.")
    source: Text | None = Field(None, description="Where the picture comes from.")
    licence: Text | None = Field(None, description="Licence of the picture.")
    consent: Text | None = Field(None, description="Consent of the person scanned.")
    history: list[Text] = Field([], description="What was done to the picture, in order.")
    texture: dict[Text, Number] = Field({}, description="Texture parameters when it was made. For reading only.")


#: What a recipe's patch takes over.
TAKEN_OVER = (
    "sha256",
    "texel_um",
    "height_um",
    "zero",
    "lay_deg",
    "periodic",
    "source",
    "licence",
    "consent",
    "history",
)


def patch_file_of(picture: Path | str) -> Path:
    """``<picture's name without its ending>.patch.yaml`` in the picture's folder."""
    picture = Path(picture)
    return picture.parent / (picture.stem + SUFFIX)


def own_patch_file(picture: Path | str) -> Path | None:
    """The patch file beside a picture; None if there is none, or it is that of another picture that is there too.

    One that cannot be read counts as the picture's own, so that whoever reads it is told.
    """
    beside = patch_file_of(picture)
    if not is_file(beside):
        return None
    try:
        found = read_patch_file(beside)
    except RecipeError:
        return beside
    return None if _is_of_another(found, beside, Path(picture).name) else beside


def _is_of_another(found: PatchFile, beside: Path, name: str) -> bool:
    return found.file != name and is_file(beside.with_name(found.file))


def read_patch_file(path: Path | str) -> PatchFile:
    """Read and check a patch file.

    Raises
    ------
    RecipeError : with all findings, each with line and column; also for a file that cannot be read
    """
    label = str(path)
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "not UTF-8 text"
        raise RecipeError(f"{label}:1:1: found a file that cannot be read ({why}); allowed: a patch file") from error
    tree = YamlTree(text, label)
    found, findings = _checked(tree.data)
    findings = tree.findings + findings
    if findings:
        placed = sorted({(*tree.position(finding), finding.text()) for finding in findings})
        raise RecipeError([f"{label}:{line}:{col}: {words}" for line, col, words in placed])
    assert found is not None
    return found


def _checked(data: Any) -> tuple[PatchFile | None, list[Finding]]:
    schema = PatchFile.model_json_schema()["properties"]
    if not isinstance(data, Mapping):
        return None, [Finding((), found_text(data), f"a mapping, starting with poredepth_patch: {VERSION}")]
    try:
        found = PatchFile.model_validate(data)
        if Path(found.file).name == found.file:
            return found, []
        return None, [Finding(("file",), found_text(found.file), "the name of a picture in the same folder")]
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=False)
    findings = []
    for detail in details:
        loc: Loc = tuple(step for step in detail["loc"] if step != "[key]")
        key = loc[0] if loc else None
        if detail["type"] == "missing":
            findings.append(Finding(loc, "missing", _allowed(schema, key), point="parent"))
        elif detail["type"] == "extra_forbidden":
            findings.append(Finding(loc, "unknown key", ", ".join(schema), suggest(key, schema), "key"))
        else:
            findings.append(Finding(loc, found_text(detail["input"]), _allowed(schema, key)))
    return None, findings


def _allowed(schema: Mapping[str, Any], key: Any) -> str:
    part = schema.get(key, {})
    part = next((one for one in part.get("anyOf", ()) if one.get("type") != "null"), part)
    return allowed_text(part, None if key == "file" else key)


def with_patch_files(data: Mapping[str, Any], folder: Path) -> tuple[dict[str, Any], list[Finding]]:
    """A recipe's plain data with what stands in the files beside its patches, and what is wrong with those.

    Parameters
    ----------
    data : plain data of the recipe
    folder : that its paths are relative to
    """
    patches = data.get("patches")
    if not isinstance(patches, Mapping):
        return dict(data), []
    out, findings = {}, []
    for name, own in patches.items():
        out[name] = own
        picture = own.get("file") if isinstance(own, Mapping) else None
        if not isinstance(picture, str) or not picture or not is_file(beside := patch_file_of(folder / picture)):
            continue
        try:
            found = read_patch_file(beside)
        except RecipeError as error:
            loc = ("patches", name, "file")
            findings += [Finding(loc, f"found {line}", "a right patch file beside it") for line in error.findings]
            # the rest of the patch cannot be said to lack anything
            out[name] = {"texel_um": 1.0, "height_um": 1.0, **own}
            continue
        if _is_of_another(found, beside, Path(picture).name):
            continue
        if found.file != Path(picture).name:
            what = f"found {beside.name} beside it, which is of {found.file!r}, and that is not there"
            allowed = f"{Path(picture).name!r} as the file in it, or another name for it"
            findings.append(Finding(("patches", name, "file"), what, allowed))
            out[name] = {"texel_um": 1.0, "height_um": 1.0, **own}
            continue
        out[name], wrong = _merged(own, found, ("patches", name), beside.name)
        findings += wrong
    return {**data, "patches": out}, findings


def _merged(own: Mapping[str, Any], found: PatchFile, loc: Loc, label: str) -> tuple[dict[str, Any], list[Finding]]:
    out, findings = dict(own), []
    for key in TAKEN_OVER:
        value = getattr(found, key)
        if key not in own:
            if value != type(found).model_fields[key].default:
                out[key] = value
        elif not _same(own[key], value):
            said = "says nothing" if value is None else f"says {value}"
            allowed = "one of the two (leave it out here, or change it there)"
            findings.append(Finding((*loc, key), f"{found_text(own[key])}, but {label} {said}", allowed))
    # a patch of the recipe with a mask does not tile, whatever its picture does
    if out.get("mask") is not None and "periodic" not in own:
        out.pop("periodic", None)
    return out, findings


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float) and not isinstance(one, bool):
        return math.isclose(one, other, rel_tol=SAME_NUMBER, abs_tol=1e-12)
    if isinstance(one, str) and isinstance(other, str) and re.fullmatch(r"[0-9a-fA-F]{64}", one):
        return one.lower() == other.lower()  # a SHA-256, in small letters or capitals
    # source and terms may be added where the file has none
    return other is None or one == other
