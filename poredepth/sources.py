"""Files named in a recipe, read for the stages: patches, maps, masks, guides."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from poredepth.errors import PatchError
from poredepth.patch.angles import AnglePicture, read_angle_picture
from poredepth.patch.read import load_patch, read_picture
from poredepth.patch.types import HeightPatch
from poredepth.recipe.fields import UDIM_TOKEN
from poredepth.recipe.files import TILE_PATTERN, tile_files
from poredepth.recipe.model import Recipe
from poredepth.recipe.model_layers import LayerSpec
from poredepth.surface.direction_sources import DirectionInputs
from poredepth.surface.masks import Pictures, read_masks
from poredepth.surface.obj import read_obj_polylines


def load_patches(recipe: Recipe, given: Mapping[str, HeightPatch]) -> dict[str, HeightPatch]:
    """Read the patches that layers use and that are not given as arrays."""
    used = {name for spec in recipe.layers for name in spec.patch_shares}
    return {
        name: load_patch(
            name,
            recipe.path(spec.file),
            texel_um=spec.texel_um,
            height_um=spec.height_um,
            zero=spec.zero,
            invert=spec.invert,
            lay_deg=spec.lay_deg,
            periodic=spec.periodic,
            mask=recipe.path(spec.mask) if spec.mask is not None else None,
            source=spec.source,
            licence=spec.licence,
            consent=spec.consent,
            history=spec.history,
            sha256=spec.sha256,
        )
        for name, spec in recipe.patches.items()
        if name in used and name not in given
    }


def load_maps(recipe: Recipe, spec: LayerSpec) -> dict[int, np.ndarray]:
    """Heights in mm, float32 (rows, cols), of a map layer by UV tile."""
    out = {}
    for tile, path in pictures_by_tile(recipe, spec.map).items():
        values = np.asarray(read_picture(path, height_um=1000 * spec.scale_mm), np.float32)
        if values.shape[0] != values.shape[1]:
            raise PatchError(
                f"{path}: a map of {values.shape[1]} x {values.shape[0]} pixels; allowed: a square picture, as UV "
                "tiles are"
            )
        height_mm = (values - np.float32(spec.mid)) * np.float32(spec.scale_mm)
        out[tile] = -height_mm if spec.invert else height_mm
    return out


def mask_reader(recipe: Recipe) -> Callable[[str], Pictures]:
    """Function that reads a mask named in the recipe, by UV tile."""

    def read(name: str) -> Pictures:
        return read_masks(recipe.path(name), read_picture, pictures_by_tile(recipe, name))

    return read


def pictures_by_tile(recipe: Recipe, name: str) -> dict[int, Path]:
    """The files a name stands for, by UV tile; a name without <UDIM> is tile 1001."""
    if UDIM_TOKEN not in name:
        return {1001: recipe.path(name)}
    pattern = re.compile(
        re.escape(Path(name).name).replace(re.escape(UDIM_TOKEN), TILE_PATTERN, 1).replace(re.escape(UDIM_TOKEN), r"\1")
    )
    return {int(pattern.fullmatch(path.name)[1]): path for path in tile_files(recipe.folder, name)}


def direction_inputs(recipe: Recipe) -> DirectionInputs:
    """What the recipe's directions need: functions that read the files they name, and landmarks."""

    def angles(name: str) -> dict[int, AnglePicture]:
        return {tile: read_angle_picture(path) for tile, path in pictures_by_tile(recipe, name).items()}

    return DirectionInputs(
        lines=lambda name: read_obj_polylines(recipe.path(name)), angles=angles, landmarks=recipe.landmarks
    )
