"""Meshes that cannot carry a map end in one clear message."""

from __future__ import annotations

import numpy as np
import pytest
from meshes import flat_mesh
from meshes_atlas import faces_of
from recipes import composed_of, pore_patch, scatter_layer

from poredepth import MeshError, PolygonMesh, RecipeError, compose


def _with(position=None, uv=None):
    mesh = flat_mesh(40, 40, 4)
    return PolygonMesh.from_arrays(
        mesh.position if position is None else position,
        faces_of(mesh),
        mesh.texcoord if uv is None else uv,
        faces_of(mesh),
    )


@pytest.mark.filterwarnings("ignore::poredepth.surface.skin.SurfaceWarning")
@pytest.mark.parametrize(
    ("mesh", "said"),
    [
        (
            _with(uv=flat_mesh(40, 40, 4).texcoord - 5),
            "no UVs lie in the tiles 1001 to 1100; allowed: u and v from 0 to 10",
        ),
        (_with(uv=np.full((25, 2), 0.5)), "no face has area in UV; allowed: an unwrapped mesh"),
        (_with(position=np.zeros((25, 3))), "no face has any area; allowed: a surface"),
    ],
)
def test_each_gets_its_message(mesh, said):
    with pytest.raises(MeshError, match=said):
        compose(composed_of(mesh, "mm", {}, []), size_px=64)


@pytest.mark.filterwarnings("ignore::poredepth.surface.skin.SurfaceWarning")
def test_a_print_far_larger_than_the_mesh_is_laid_in_little_memory():
    tiny = _with(position=flat_mesh(40, 40, 4).position * 1e-4)
    c = composed_of(tiny, "mm", {"p": pore_patch()}, [scatter_layer("p", 9.0)])
    assert c.layers[0].prints.n_prints >= 1


@pytest.mark.parametrize("size_px", [0, -5, 15, 40000])
def test_sizes_out_of_range(size_px):
    with pytest.raises(RecipeError, match=f"size_px: found {size_px}; allowed: a whole number from 16 to 32768"):
        compose(composed_of(_with(), "mm", {}, []), size_px=size_px)


def test_map_arrays_that_are_not_square_name_their_layer():
    from poredepth import PatchError

    with pytest.raises(
        PatchError, match=r"layer 'base', tile 1001: a map of shape \(32, 64\); allowed: a square picture"
    ):
        composed_of(_with(), "mm", {}, [{"name": "base", "map": "x", "scale_mm": 1.0}],
                    maps={"base": {1001: np.zeros((32, 64), np.float32)}})  # fmt: skip
