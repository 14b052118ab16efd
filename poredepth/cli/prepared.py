"""What every command does first: read the mesh, say if its size looks wrong, and lay everything."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from poredepth.pipeline import Composition
    from poredepth.recipe import Recipe


def prepared(recipe: Recipe, on_progress: Callable[[str, int, int], None]) -> Composition:
    """Prepare a recipe; before the long work, advice on the mesh's real size goes to standard error."""
    from poredepth import prepare, read_obj
    from poredepth.surface.size import size_advice

    on_progress("mesh", 0, 1)
    mesh = read_obj(recipe.path(recipe.mesh.file))
    for line in size_advice(mesh.position, recipe.mesh.unit):
        typer.echo(f"advice: {line}", err=True)
    return prepare(recipe, mesh=mesh, on_progress=on_progress)
