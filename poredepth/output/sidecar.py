"""The JSON file beside a map: the same metadata, for programs that drop what they do not know."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from poredepth.errors import MapFileError


def sidecar_path(map_path: Path | str) -> Path:
    """``<map file name>.json`` in the map's folder."""
    map_path = Path(map_path)
    return map_path.with_name(map_path.name + ".json")


def write_sidecar(path: Path | str, plain: Mapping) -> None:
    """Write the metadata dict: UTF-8, keys sorted, indented by two, a newline at the end; reproducible."""
    text = json.dumps(plain, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    Path(path).write_text(text + "\n", encoding="utf-8", newline="\n")


def read_sidecar(path: Path | str) -> dict:
    """The metadata dict of a sidecar; empty when there is no such file.

    Raises MapFileError when it cannot be read or is not a JSON object.
    """
    try:
        plain = json.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise MapFileError(f"{path}: the sidecar cannot be read ({error}); delete it or restore it") from error
    if not isinstance(plain, dict):
        raise MapFileError(f"{path}: the sidecar is not a JSON object; delete it or restore it")
    return plain
