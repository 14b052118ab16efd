"""What a recipe stands for, as one number: the same hash means the same map.

Comments, the order of keys, defaults written out or left out, and where the folder lies make no difference; the bytes
of every input file do.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from poredepth.errors import RecipeError
from poredepth.recipe.fields import UDIM_TOKEN
from poredepth.recipe.files import named_files, tile_files
from poredepth.recipe.model import Recipe
from poredepth.recipe.words import path_text


def input_files(recipe: Recipe) -> list[tuple[str, Path]]:
    """Every file the recipe reads, in recipe order.

    Returns
    -------
    files : list of (key path in the recipe, path); a name with ``<UDIM>`` gives one entry for each tile that is there,
        by rising tile number, all with the same key path
    """
    files: list[tuple[str, Path]] = []
    for loc, name, udim in named_files(recipe.model_dump(exclude_none=True)):
        paths = tile_files(recipe.folder, name) if udim and UDIM_TOKEN in name else [recipe.path(name)]
        files += [(path_text(loc), path) for path in paths]
    return files


def recipe_hash(recipe: Recipe, files: bool = True) -> str:
    """SHA-256 (64 hex digits) of the validated recipe and of the bytes of its input files.

    Parameters
    ----------
    recipe : Recipe
    files : False leaves out the files' bytes; their names still count

    Raises
    ------
    RecipeError : if an input file cannot be read
    """
    content: dict[str, object] = {"recipe": recipe.model_dump(mode="json", exclude_defaults=True)}
    if files:
        content["files"] = [[key, path.name, _file_hash(key, path)] for key, path in sorted(input_files(recipe))]
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(canonical.encode("ascii")).hexdigest()


def _file_hash(key: str, path: Path) -> str:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise RecipeError(
            f"recipe: {key}: found no readable file '{path}' ({error.strerror}); allowed: a file that can be read"
        ) from None
