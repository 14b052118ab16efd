"""Where the shipped demo lies."""

from __future__ import annotations

from pathlib import Path

from poredepth.errors import RecipeError

RECIPE_NAME = "head.yaml"


def demo_recipe_file() -> Path:
    """The demo's recipe: inside an installed package, or beside it in a checkout."""
    here = Path(__file__).resolve().parent
    for folder in (here / "demo_data", here.parent / "demo_data"):
        if (folder / RECIPE_NAME).is_file():
            return folder / RECIPE_NAME
    raise RecipeError(f"{here}: the demo's files are not installed; install poredepth anew, or use a checkout")
