"""What `inspect` says of laid layers."""

import numpy as np
import pytest
from meshes import flat_mesh
from recipes import composed_of, grating, pore_patch, scatter_layer

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


def test_bands_of_patches_are_told():
    """A wave of 1 mm and 10 um: what 2.5 and 0.8 mm, and 1.0 and 0.5 mm, part it into (2**-((cutoff / length)**2))."""
    sq_um = 10 / np.sqrt(2)
    for keys, told_cutoffs in (({}, (2.5, 0.8)), ({"bands": {"coarse_mm": 1.0, "fine_mm": 0.5}}, (1, 0.5))):
        made = composed_of(flat_mesh(), "mm", {"waves": grating()}, [scatter_layer("waves", 12.0)], **keys)
        [told] = [value for name, value in recipe_facts(made) if name == "  bands of waves"]
        coarse, smooth = (2.0 ** -(cutoff**2) for cutoff in told_cutoffs)
        assert told == (
            f"Sq coarse {coarse * sq_um:.2f} um (above {told_cutoffs[0]:g} mm), middle "
            f"{(smooth - coarse) * sq_um:.2f} um, fine {(1 - smooth) * sq_um:.2f} um (below {told_cutoffs[1]:g} mm)"
        )
