"""The recipe as typed, frozen models: what a recipe file may say, with its units and defaults.

Only what works is accepted; there is no key that does nothing. Paths are relative to the recipe's folder.
Field descriptions feed the JSON Schema (schema.py). Rules between keys stand in rules.py, checks between parts of a
recipe (names, files) in checks.py. Parts of the model stand in model_skin.py, model_bands.py and model_layers.py.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr, field_validator, model_validator
from pydantic_core import PydanticCustomError

from poredepth.recipe.fields import Number, Point, PositiveNumber, Spec, Switch, Text, Whole
from poredepth.recipe.model_bands import BandsSpec
from poredepth.recipe.model_layers import LayerSpec, PatchSpec
from poredepth.recipe.model_skin import DirectionSpec, RegionSpec
from poredepth.recipe.rules import output_rules
from poredepth.units import LengthUnit

OutputFormat = Literal["exr-float", "exr-half", "tiff-float", "tiff-16", "png-16"]
OutputUnit = Literal["um", "mm", "cm", "m", "in", "scene"]
Compression = Literal["zip", "zips", "piz", "rle", "none"]
Seams = Literal["untouched", "eased", "closed"]


class MeshSpec(Spec):
    """The head mesh."""

    file: Text = Field(description="Mesh file (OBJ), relative to the recipe.")
    unit: LengthUnit = Field(description="Unit of the numbers in the mesh file. One of um, mm, cm, m, in.")
    subdivide: Annotated[Whole, Field(ge=0, le=4)] = Field(
        0,
        description="Catmull-Clark steps before anything is laid, 0 to 4: give what the renderer subdivides by, so "
        "that millimetres are measured on the surface it displaces.",
    )


class OutputSpec(Spec):
    """The map that is written: height = (value - mid) * scale_mm."""

    size_px: Annotated[Whole, Field(ge=16, le=32768)] = Field(
        4096, description="Width and height of each tile, pixels, 16 to 32768."
    )
    format: OutputFormat = Field(
        "exr-float",
        description="exr-float, exr-half: 32-bit or 16-bit float EXR. tiff-float: 32-bit float TIFF. tiff-16, png-16: "
        "16-bit whole numbers.",
    )
    unit: OutputUnit = Field(
        "mm", description="Unit of the heights in a float map. One of um, mm, cm, m, in, scene (the scene's unit)."
    )
    scene_unit: LengthUnit | None = Field(
        None, description="Unit of the scene that is rendered. One of um, mm, cm, m, in. Default: that of the mesh."
    )
    scene_unit_mm: PositiveNumber | None = Field(
        None, description="Instead of scene_unit: millimetres in one unit of the scene. Above 0."
    )
    compression: Compression = Field(
        "zip",
        description="How the file is packed, always without loss. EXR: zip, zips, piz, rle, none. TIFF: zip, none. "
        "PNG: zip.",
    )
    mid: Number | None = Field(
        None,
        description="Value written for no displacement. Default: 0 for floats, 0.5 for 16-bit. exr-half: 0 only.",
    )
    scale_mm: PositiveNumber | None = Field(
        None,
        description="Height of one full unit of the value, mm. Above 0. "
        "Default: one unit for floats; fitted to the heights for 16-bit.",
    )
    clip: Switch = Field(
        False, description="Whether heights that do not fit scale_mm are limited and counted. Default: an error."
    )
    headroom: Annotated[Number, Field(ge=0, le=1)] = Field(
        0.05, description="Share left free when scale_mm is fitted, 0 to 1."
    )
    gutter_px: Annotated[Whole, Field(ge=0)] | None = Field(
        None,
        description="How far heights run on beyond the border of a chart, pixels. Default: size_px / 128, at least 4.",
    )
    fill_gaps: Switch = Field(
        False,
        description="Whether texels beyond the gutter get the height of the nearest one, up to the border of the next "
        "chart, as mip maps need it. Default: they are 0.",
    )
    seams: Seams = Field(
        "eased",
        description="Small changes of the texels along UV seams, so that both sides read alike. eased: as far as the "
        "skin beside the seam stays true. closed: to one 16-bit step, at the price of that skin. untouched: none.",
    )

    @model_validator(mode="after")
    def _rules(self) -> OutputSpec:
        self._keep(output_rules)
        return self

    @property
    def effective_gutter_px(self) -> int:
        """``gutter_px``, or its default max(4, size_px // 128). Pixels."""
        return max(4, self.size_px // 128) if self.gutter_px is None else self.gutter_px


class Recipe(Spec):
    """A whole recipe. ``file`` and ``folder`` say where it came from; they are not keys of the recipe."""

    poredepth: Literal[1] = Field(description="Version of the recipe's keys: 1.")
    mesh: MeshSpec = Field(description="The head mesh.")
    landmarks: dict[Text, Point] = Field(
        {}, description="Points of the skin by name, [x, y, z] in mesh units, for use wherever a point is asked."
    )
    seed: Annotated[Whole, Field(ge=0)] = Field(0, description="Seed of everything random. Same seed, same map.")
    bands: BandsSpec = Field(BandsSpec(), description="Where the relief is split into coarse, middle and fine.")
    directions: list[DirectionSpec] = Field([], description="Sources of the direction of the skin.")
    regions: dict[Text, RegionSpec] = Field({}, description="Parts of the skin, by name.")
    patches: dict[Text, PatchSpec] = Field({}, description="Height pictures with their calibration, by name.")
    layers: list[LayerSpec] = Field([], description="What is laid on the skin, bottom to top.")
    output: OutputSpec = Field(OutputSpec(), description="The map that is written.")

    @field_validator("poredepth", mode="before")
    @classmethod
    def _whole_version(cls, value: Any) -> Any:
        if type(value) is not int:  # true and 1.0 equal 1 in Python, but are not a version
            raise PydanticCustomError("recipe_version", "the version is the whole number 1")
        return value

    _folder: Path = PrivateAttr(default=Path("."))
    _file: Path | None = PrivateAttr(default=None)

    @property
    def folder(self) -> Path:
        """Folder that the recipe's paths are relative to."""
        return self._folder

    @property
    def file(self) -> Path | None:
        """The recipe file; None if the recipe was made in Python."""
        return self._file

    def cutoffs_of(self, layer: LayerSpec) -> tuple[float, float]:
        """(coarse_mm, fine_mm) of one of the recipe's layers: its own, where it has them, else the recipe's. mm."""
        own = layer.cutoffs
        coarse_mm = self.bands.coarse_mm if own is None or own.coarse_mm is None else own.coarse_mm
        fine_mm = self.bands.fine_mm if own is None or own.fine_mm is None else own.fine_mm
        return coarse_mm, fine_mm

    def path(self, name: str) -> Path:
        """Path of a file named in the recipe (``name`` may hold ``<UDIM>``, which stays)."""
        return self._folder / name
