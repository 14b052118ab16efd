"""What is printed of a patch: the lines for a recipe must be lines that a recipe takes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from poredepth.patch.store import WrittenPatch
from poredepth.patch.types import HeightPatch
from poredepth.view.patch_facts import recipe_lines


@pytest.mark.parametrize(
    "name", ["cheek", "cheek 2", "01", "1e3", "true", "No", "~", "a: b", "{c}", "it's", "#1", "Wänge"]
)
def test_lines_for_a_recipe_are_yaml_whatever_the_name(name):
    patch = HeightPatch(name, np.zeros((8, 8)), 0.5)
    written = WrittenPatch(Path(f"out/{name}.tif"), Path(f"out/{name}.patch.yaml"), "tiff-float", 1000, 0)
    said = YAML(typ="safe").load("\n".join(recipe_lines(patch, written)))
    called = name.replace(" ", "_")
    assert said["patches"] == {called: {"file": f"out/{name}.tif"}}
    assert said["layers"] == [{"name": called, "patch": called, "place": "scatter", "print_mm": 3}]
