"""Short ways to a composition from arrays, without files."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.ndimage import gaussian_filter

from poredepth import prepare, recipe_from_dict
from poredepth.patch.synthesise import pores
from poredepth.patch.types import HeightPatch

TEXEL_MM = 0.02


def grating(wave_mm: float = 1.0, amplitude_mm: float = 0.01) -> HeightPatch:
    """Waves along x, so that its lines (the lay) stand at 90 degrees; 20 x 20 mm."""
    x = (np.arange(1000) + 0.5) * TEXEL_MM
    row = amplitude_mm * np.sin(2 * np.pi * x / wave_mm)
    return HeightPatch("grating", np.tile(row, (1000, 1)), TEXEL_MM, lay_deg=90.0)


@cache
def pore_patch() -> HeightPatch:
    return HeightPatch("pores", pores(20.0, TEXEL_MM, seed=4), TEXEL_MM)


@cache
def relief_patch() -> HeightPatch:
    """Smooth noise, Sq 20 um, on texels of 0.1 mm: quick to lay."""
    relief = gaussian_filter(np.random.default_rng(6).normal(size=(200, 200)), 2.0, mode="wrap")
    return HeightPatch("relief", relief * 0.02 / relief.std(), 0.1)


def composed_of(mesh, unit, patches, layers, **recipe):
    """A composition of array patches on an array mesh; layers and other keys as in a recipe."""
    named = {name: {"file": "array", "texel_um": 1, "height_um": 1} for name in patches}
    data = {"poredepth": 1, "mesh": {"file": "array", "unit": unit}, "patches": named, "layers": layers, **recipe}
    maps = data.pop("maps", None)
    return prepare(recipe_from_dict(data, check_files=False), mesh=mesh, patches=patches, maps=maps)


def scatter_layer(patch: str, print_mm: float, **keys):
    return {"name": f"scatter {patch} {print_mm}", "patch": patch, "place": "scatter", "print_mm": print_mm, **keys}
