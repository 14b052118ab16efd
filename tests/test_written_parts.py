"""Maps of single layers and bands as files: names, what they say of themselves, scales, sums."""

import numpy as np
import pytest
from meshes import two_charts_mesh
from recipes import composed_of, relief_patch, scatter_layer

from poredepth import HeightPatch, compose_parts, read_map, write_maps, write_parts


def _composition(**output):
    """A form of 0.3 mm that flat skin replaces, then pores; one layer is named like what is added along seams."""
    patches = {"flat": HeightPatch("flat", np.zeros((100, 100)), 0.2), "relief": relief_patch()}
    layers = [
        {"name": "seams", "map": "array", "scale_mm": 1.0},
        scatter_layer("flat", 12.0, combine="replace") | {"name": "Flat!"},
        scatter_layer("relief", 9.0) | {"name": "flat?"},
        scatter_layer("flat", 9.0) | {"name": "\u00e9"},
    ]
    maps = {"seams": {1001: np.full((64, 64), 0.3, np.float32)}}
    return composed_of(two_charts_mesh(), "mm", patches, layers, maps=maps, output={"size_px": 128, **output})


@pytest.mark.parametrize(
    "output",
    [
        {},
        {"format": "exr-float", "mid": 0.5, "scale_mm": 2.0},
        {"format": "png-16", "scale_mm": 0.25},
        {"format": "tiff-16", "mid": 0.4},
    ],
    ids=str,
)
def test_written_parts_add_up_whatever_the_scale_of_the_map(output, tmp_path):
    """The map fits a scale that a form which is replaced later would not fit."""
    c = _composition(**output)
    (whole,) = write_maps(c, tmp_path)
    whole_mm, metadata = read_map(whole.path)
    assert metadata.part is None
    names = {
        "layers": ["layer-1-seams", "layer-2-flat", "layer-3-flat", "layer-4", "seams"],
        "bands": ["band-coarse", "band-middle", "band-fine", "seams"],
    }
    told = {
        "layers": ["layer seams", "layer Flat!", "layer flat?", "layer \u00e9", "seams"],
        "bands": ["band coarse", "band middle", "band fine", "seams"],
    }
    for by in ("layers", "bands"):
        written = write_parts(c, by, tmp_path)
        assert [one.path.name.split(".")[1] for one in written] == names[by]
        read = [read_map(one.path) for one in written]
        assert [metadata.part for _, metadata in read] == told[by]
        steps_mm = sum(0 if m.code_step_um is None else m.code_step_um / 1000 for _, m in read)
        step_mm = 0 if metadata.code_step_um is None else metadata.code_step_um / 1000
        total_mm = sum(height_mm.astype(float) for height_mm, _ in read)
        assert np.abs(total_mm - whole_mm).max() < 0.5 * (steps_mm + step_mm) + 2e-6


def test_what_is_added_along_seams_stays_apart_from_a_layer_of_that_name():
    parts = compose_parts(_composition(), "layers")
    assert list(parts) == ["seams", "Flat!", "flat?", "\u00e9", "added along seams"]
    assert np.ptp(parts["seams"][1001].height_mm[64, 20:50]) < 1e-6
    assert 0 < np.abs(parts["added along seams"][1001].height_mm).max() < 0.05
