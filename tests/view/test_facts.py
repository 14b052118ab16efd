"""What `inspect` says of laid layers."""

import numpy as np
import pytest
from meshes import flat_mesh
from recipes import composed_of, pore_patch, scatter_layer

from poredepth.view.facts import recipe_facts


@pytest.mark.parametrize(
    "keys",
    [{}, {"size": 1.7}, {"along_ratio": 2.0}, {"across_ratio": 0.5, "size": 0.8}],
    ids=lambda keys: "-".join(keys),
)
def test_stretch_is_told_beside_what_was_asked_for(keys):
    region = {"all": {"center": [20, 20, 0], "radius_mm": 25}}
    layers = [
        scatter_layer("pores", 12.0, **keys),
        {"name": "sheet", "patch": "pores", "place": "spread", "region": "all", **keys},
    ]
    made = composed_of(
        flat_mesh(), "mm", {"pores": pore_patch()}, layers, regions=region,
        directions=[{"points": [[5, 5, 0], [35, 5, 0]]}],
    )  # fmt: skip
    told = [value for name, value in recipe_facts(made) if name.startswith("layer ")]
    assert len(told) == 2
    for line in told:
        assert "stretch 1.00 to 1.00 (99 % of what is seen), 0.00 % of it beyond 0.8 to 1.25" in line


def test_stretch_of_a_size_that_varies_is_that_of_the_skin_alone():
    ramp = {"ramp": [{"at": [5, 20, 0], "value": 0.5}, {"at": [35, 20, 0], "value": 2.0}]}
    made = composed_of(flat_mesh(), "mm", {"pores": pore_patch()}, [scatter_layer("pores", 12.0, vary={"size": ramp})])
    assert np.ptp(made.layers[0].prints.zoom) > 1.0
    [told] = [value for name, value in recipe_facts(made) if name.startswith("layer ")]
    assert "stretch 1.00 to 1.00" in told
