"""poredepth composes skin micro relief onto a head: one recipe becomes one calibrated displacement map.

    from poredepth import compose, load_recipe, prepare
    maps = compose(prepare(load_recipe("head.yaml")))

Names are imported when they are first used, so that ``poredepth --help`` is instant.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from poredepth.compiled import choose_cache_folder
from poredepth.version import __version__

choose_cache_folder()

if TYPE_CHECKING:
    from poredepth.checking import CheckReport, check_files
    from poredepth.checking.displace import measure_displaced
    from poredepth.checking.displace_files import displace_files
    from poredepth.checking.obtained import DisplaceMeasure
    from poredepth.deriving import DerivedOptions, write_derived
    from poredepth.errors import (
        CalibrationError,
        MapFileError,
        MeshError,
        PatchError,
        PlacementError,
        PoredepthError,
        PoredepthWarning,
        RecipeError,
        RegionError,
    )
    from poredepth.exporting import Export, ExportOptions, write_export
    from poredepth.maps import HeightMap, compose, write_maps
    from poredepth.measure import SeamMeasure, measure_seams
    from poredepth.mix.blocks import Blocking
    from poredepth.output import MapMetadata, WrittenMap, read_map
    from poredepth.parts import compose_parts, write_parts
    from poredepth.patch.bands import BANDS, Cutoffs, split_bands
    from poredepth.patch.carried import carried_ratio
    from poredepth.patch.prepare import Prepared, PrepareOptions, prepare_patch
    from poredepth.patch.read import load_patch
    from poredepth.patch.store import WrittenPatch, read_patch, write_patch
    from poredepth.patch.synthesise import Synthesis, synthesise
    from poredepth.patch.texture import PitStatistics, TextureParameters, pit_statistics, texture_parameters
    from poredepth.patch.types import HeightPatch, Provenance
    from poredepth.pipeline import Composition, prepare
    from poredepth.recipe import Recipe, load_recipe, parse_recipe, recipe_from_dict, recipe_schema
    from poredepth.repeats import Repeats, measure_all_repeats, measure_repeats
    from poredepth.surface.obj import PolygonMesh, read_obj
    from poredepth.surface.points import SkinPoints, random_skin_points
    from poredepth.surface.skin import Surface, load_surface, surface_from_mesh
    from poredepth.view.preview import Preview, preview

_HOME = {
    "BANDS": "patch.bands",
    "Blocking": "mix.blocks",
    "CalibrationError": "errors",
    "CheckReport": "checking",
    "Composition": "pipeline",
    "Cutoffs": "patch.bands",
    "DerivedOptions": "deriving",
    "DisplaceMeasure": "checking.obtained",
    "Export": "exporting",
    "ExportOptions": "exporting",
    "HeightMap": "maps",
    "HeightPatch": "patch.types",
    "MapFileError": "errors",
    "MapMetadata": "output",
    "MeshError": "errors",
    "PatchError": "errors",
    "PitStatistics": "patch.texture",
    "PlacementError": "errors",
    "PolygonMesh": "surface.obj",
    "PoredepthError": "errors",
    "PoredepthWarning": "errors",
    "PrepareOptions": "patch.prepare",
    "Prepared": "patch.prepare",
    "Preview": "view.preview",
    "Provenance": "patch.types",
    "Recipe": "recipe",
    "RecipeError": "errors",
    "RegionError": "errors",
    "Repeats": "repeats",
    "SeamMeasure": "measure",
    "SkinPoints": "surface.points",
    "Surface": "surface.skin",
    "Synthesis": "patch.synthesise",
    "TextureParameters": "patch.texture",
    "WrittenMap": "output",
    "WrittenPatch": "patch.store",
    "carried_ratio": "patch.carried",
    "check_files": "checking",
    "compose": "maps",
    "compose_parts": "parts",
    "displace_files": "checking.displace_files",
    "load_patch": "patch.read",
    "load_recipe": "recipe",
    "load_surface": "surface.skin",
    "measure_all_repeats": "repeats",
    "measure_displaced": "checking.displace",
    "measure_repeats": "repeats",
    "measure_seams": "measure",
    "parse_recipe": "recipe",
    "pit_statistics": "patch.texture",
    "prepare": "pipeline",
    "prepare_patch": "patch.prepare",
    "preview": "view.preview",
    "random_skin_points": "surface.points",
    "read_map": "output",
    "read_obj": "surface.obj",
    "read_patch": "patch.store",
    "recipe_from_dict": "recipe",
    "recipe_schema": "recipe",
    "split_bands": "patch.bands",
    "surface_from_mesh": "surface.skin",
    "synthesise": "patch.synthesise",
    "texture_parameters": "patch.texture",
    "write_derived": "deriving",
    "write_export": "exporting",
    "write_maps": "maps",
    "write_parts": "parts",
    "write_patch": "patch.store",
}

__all__ = [
    "BANDS",
    "Blocking",
    "CalibrationError",
    "CheckReport",
    "Composition",
    "Cutoffs",
    "DerivedOptions",
    "DisplaceMeasure",
    "Export",
    "ExportOptions",
    "HeightMap",
    "HeightPatch",
    "MapFileError",
    "MapMetadata",
    "MeshError",
    "PatchError",
    "PitStatistics",
    "PlacementError",
    "PolygonMesh",
    "PoredepthError",
    "PoredepthWarning",
    "PrepareOptions",
    "Prepared",
    "Preview",
    "Provenance",
    "Recipe",
    "RecipeError",
    "RegionError",
    "Repeats",
    "SeamMeasure",
    "SkinPoints",
    "Surface",
    "Synthesis",
    "TextureParameters",
    "WrittenMap",
    "WrittenPatch",
    "__version__",
    "carried_ratio",
    "check_files",
    "compose",
    "compose_parts",
    "displace_files",
    "load_patch",
    "load_recipe",
    "load_surface",
    "measure_all_repeats",
    "measure_displaced",
    "measure_repeats",
    "measure_seams",
    "parse_recipe",
    "pit_statistics",
    "prepare",
    "prepare_patch",
    "preview",
    "random_skin_points",
    "read_map",
    "read_obj",
    "read_patch",
    "recipe_from_dict",
    "recipe_schema",
    "split_bands",
    "surface_from_mesh",
    "synthesise",
    "texture_parameters",
    "write_derived",
    "write_export",
    "write_maps",
    "write_parts",
    "write_patch",
]


def __getattr__(name: str):
    if name not in _HOME:
        raise AttributeError(f"module 'poredepth' has no attribute {name!r}")
    return getattr(import_module(f"poredepth.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return __all__
