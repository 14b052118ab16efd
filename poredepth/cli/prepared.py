"""What every command does first: read the mesh, say if its size looks wrong, and lay everything."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from poredepth.mix.layers import LayingGround
    from poredepth.pipeline import Composition
    from poredepth.recipe import Recipe
    from poredepth.surface.obj import PolygonMesh

OnProgress = Callable[[str, int, int], None]


def prepared(recipe: Recipe, on_progress: OnProgress) -> Composition:
    """Prepare a recipe; before the long work, advice on the mesh's real size goes to standard error."""
    from poredepth import prepare

    return prepare(recipe, mesh=_mesh(recipe, on_progress), on_progress=on_progress)


def prepared_ground(recipe: Recipe, on_progress: OnProgress) -> LayingGround:
    """The same without layers: the skin, its directions and regions."""
    from poredepth.pipeline import prepare_ground

    return prepare_ground(recipe, mesh=_mesh(recipe, on_progress), on_progress=on_progress)


def _mesh(recipe: Recipe, on_progress: OnProgress) -> PolygonMesh:
    from poredepth import read_obj
    from poredepth.surface.size import size_advice

    on_progress("mesh", 0, 1)
    mesh = read_obj(recipe.path(recipe.mesh.file))
    for line in size_advice(mesh.position, recipe.mesh.unit):
        typer.echo(f"advice: {line}", err=True)
    return mesh
