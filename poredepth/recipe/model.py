"""The recipe as typed, frozen models: what a recipe file may say, with its units and defaults.

Only what works is accepted; there is no key that does nothing. Paths are relative to the recipe's folder.
Field descriptions feed the JSON Schema (schema.py). Rules between keys stand in rules.py, checks between parts of a
recipe (names, files) in checks.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, Strict, field_validator, model_validator
from pydantic_core import PydanticCustomError

from poredepth.recipe.rules import Broken, direction_rules, layer_rules, region_rules
from poredepth.units import LengthUnit

#: Stands for the tile number (1001 + U + 10 V) in the name of a map or mask that is cut into UDIM tiles.
UDIM_TOKEN = "<UDIM>"
FEATHER_DEFAULT_MM = 5.0
RULE_ERROR = "recipe_rule"  # pydantic error type of a broken rule from rules.py

# Numbers and words are strict: "10" is not 10, yes is not 1, and nothing is infinite.
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
PositiveNumber = Annotated[float, Strict(), Field(gt=0, allow_inf_nan=False)]
NotNegativeNumber = Annotated[float, Strict(), Field(ge=0, allow_inf_nan=False)]
Whole = Annotated[int, Strict()]
Switch = Annotated[bool, Strict()]
Text = Annotated[str, Strict(), Field(min_length=1)]
Point = tuple[Number, Number, Number]

Place = Literal["scatter", "spread"]
Combine = Literal["add"]
OutputFormat = Literal["exr-float", "tiff-16", "png-16"]
Seams = Literal["untouched", "eased", "closed"]
RegionKind = Literal["group", "mask", "center", "union", "intersect", "subtract"]


class Spec(BaseModel):
    """Base of all parts of a recipe: frozen, and unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def _keep(self, rules: Callable[[Mapping[str, Any]], list[Broken]]) -> None:
        """Raise the first broken rule; a key that only restates its default counts as not given."""
        fields = type(self).model_fields
        given = {key: getattr(self, key) for key in fields if key in self.model_fields_set}
        broken = rules({key: value for key, value in given.items() if value != fields[key].default})
        if broken:
            first = broken[0]
            where = f"{first.key}: " if first.key else ""
            text = f"{where}{first.found}; allowed: {first.allowed}".replace("{", "(").replace("}", ")")
            raise PydanticCustomError(RULE_ERROR, text)


class MeshSpec(Spec):
    """The head mesh."""

    file: Text = Field(description="Mesh file (OBJ), relative to the recipe.")
    unit: LengthUnit = Field(description="Unit of the numbers in the mesh file. One of um, mm, cm, m, in.")
    subdivide: Annotated[Whole, Field(ge=0, le=4)] = Field(
        0,
        description="Catmull-Clark steps before anything is laid, 0 to 4: give what the renderer subdivides by, so "
        "that millimetres are measured on the surface it displaces.",
    )


class DirectionSpec(Spec):
    """A guide for the direction of the skin: exactly one of ``points`` and ``file``. Guides have no sign."""

    points: list[Point] | None = Field(
        None, min_length=2, description="Guide line: two or more points [x, y, z] in mesh units, snapped to the skin."
    )
    file: Text | None = Field(None, description="OBJ file with guide polylines in mesh units, relative to the recipe.")

    @model_validator(mode="after")
    def _check(self) -> DirectionSpec:
        self._keep(direction_rules)
        return self


class RegionSpec(Spec):
    """A part of the skin: exactly one of ``group``, ``mask``, ``center`` + ``radius_mm``, or a set of other regions.

    ``feather_mm`` is filled in: 5 mm for ``group`` and ``center``; None (as painted) for ``mask``; None for sets, whose
    edges are those of the regions they name.
    """

    group: Text | None = Field(None, description="Name of a face group of the mesh.")
    mask: Text | None = Field(
        None,
        description="Picture in the UVs of the mesh (white is inside), relative to the recipe. "
        "May hold <UDIM> in place of the tile number.",
    )
    center: Point | None = Field(
        None, description="Centre [x, y, z] of a disk on the skin, in mesh units. Goes with radius_mm."
    )
    radius_mm: PositiveNumber | None = Field(None, description="Radius of the disk along the skin, mm. Above 0.")
    union: list[Text] | None = Field(None, min_length=1, description="Names of regions: all of them together.")
    intersect: list[Text] | None = Field(None, min_length=1, description="Names of regions: where all of them overlap.")
    subtract: list[Text] | None = Field(
        None, min_length=2, description="Names of regions: the first one without all the others."
    )
    feather_mm: NotNegativeNumber | None = Field(
        None,
        description="Width of the soft edge, mm, 0 or more. Default 5 for group and center; a mask is taken as "
        "painted unless this is given. Not with union, intersect, subtract.",
    )

    @model_validator(mode="before")
    @classmethod
    def _fill_feather(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("feather_mm") is not None:
            return data
        if data.get("group") is None and data.get("center") is None:
            return data
        return {**data, "feather_mm": FEATHER_DEFAULT_MM}

    @model_validator(mode="after")
    def _check(self) -> RegionSpec:
        self._keep(region_rules)
        return self

    @property
    def kind(self) -> RegionKind:
        """Which of the six ways this region is given."""
        kinds: tuple[RegionKind, ...] = ("group", "mask", "center", "union", "intersect", "subtract")
        return next(kind for kind in kinds if getattr(self, kind) is not None)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the regions this one is made of; empty unless it is a union, intersect or subtract."""
        return tuple(self.union or self.intersect or self.subtract or ())


class PatchSpec(Spec):
    """A height picture with its calibration: height_um = (value - zero) * height_um, value in 0..1, white outward."""

    file: Text = Field(description="Height picture, relative to the recipe.")
    texel_um: PositiveNumber = Field(description="Width of one pixel on the skin, micrometres. Above 0.")
    height_um: PositiveNumber = Field(
        description="Height of one full unit of the picture's value (black to white), micrometres. Above 0."
    )
    zero: Number = Field(0.5, description="Picture value that is no displacement.")
    invert: Switch = Field(False, description="true: black is outward. Default: white is outward.")
    lay_deg: Number = Field(
        0.0,
        description="Direction of the relief in the picture, degrees, anticlockwise from its +u (to the right). "
        "It is turned onto the direction of the skin.",
    )
    source: Text | None = Field(None, description="Where the picture comes from. Kept with the map.")
    licence: Text | None = Field(None, description="Licence of the picture. Kept with the map.")
    consent: Text | None = Field(None, description="Consent of the person scanned. Kept with the map.")


class LayerSpec(Spec):
    """One layer, bottom to top: exactly one of ``map`` (a picture in the mesh's UVs) and ``patch``."""

    name: Text = Field(description="Name of the layer; each layer has its own.")
    map: Text | None = Field(
        None,
        description="Height picture in the UVs of the mesh, relative to the recipe. "
        "May hold <UDIM> in place of the tile number.",
    )
    patch: Text | None = Field(None, description="Name of a patch of this recipe.")
    region: Text | None = Field(None, description="Name of the region the layer covers. Default: the whole skin.")
    scale_mm: PositiveNumber | None = Field(
        None,
        description="With map, required: height of one full unit of the map, mm. Above 0. "
        "height_mm = (value - mid) * scale_mm.",
    )
    mid: Number = Field(0.5, description="With map: the value that is no displacement.")
    invert: Switch = Field(False, description="With map: true if black is outward.")
    place: Place | None = Field(
        None,
        description="With patch, required: how it is laid. scatter: many small prints of the patch, each with its own "
        "piece of it. spread: one sheet over the whole region, unbroken along the direction of the skin.",
    )
    print_mm: Annotated[Number, Field(ge=1)] | None = Field(
        None, description="With scatter, required: diameter of one print on the skin, mm. At least 1."
    )
    overlap_mm: PositiveNumber | None = Field(
        None,
        description="With scatter: width over which two prints cross-fade, mm. Above 0, at most print_mm. "
        "Default: print_mm / 20.",
    )
    turn_deg: Annotated[Number, Field(ge=0, le=90)] = Field(
        0.0,
        description="With scatter: largest random turn of a print off the direction of the skin, to either side, "
        "degrees, 0 to 90.",
    )
    along_ratio: PositiveNumber = Field(
        1.0, description="With spread: how much the patch is drawn out along the direction of the skin. Above 0."
    )
    across_ratio: PositiveNumber = Field(1.0, description="With spread: the same across the direction of the skin.")
    phase_mm: tuple[Number, Number] | None = Field(
        None,
        description="With spread: shift of the patch along and across the direction of the skin, mm. Default: none.",
    )
    gain: Annotated[Number, Field(ge=-1000, le=1000)] = Field(1.0, description="Factor on the heights of this layer.")
    combine: Combine = Field("add", description="How the layer joins those below it. add: the heights are summed.")

    @model_validator(mode="after")
    def _check(self) -> LayerSpec:
        self._keep(layer_rules)
        return self

    @property
    def kind(self) -> Literal["map", "patch"]:
        """Whether the layer is a map in the mesh's UVs or a laid patch."""
        return "map" if self.map is not None else "patch"

    @property
    def effective_overlap_mm(self) -> float | None:
        """``overlap_mm``, or its default print_mm / 20; None for a map layer. mm."""
        if self.overlap_mm is not None or self.print_mm is None:
            return self.overlap_mm
        return self.print_mm / 20


class OutputSpec(Spec):
    """The map that is written: height = (value - mid) * scale_mm."""

    size_px: Annotated[Whole, Field(ge=16, le=32768)] = Field(
        4096, description="Width and height of each tile, pixels, 16 to 32768."
    )
    format: OutputFormat = Field(
        "exr-float", description="exr-float: 32-bit float EXR. tiff-16, png-16: 16-bit whole numbers."
    )
    unit: LengthUnit = Field("mm", description="Unit of the heights in a float map. One of um, mm, cm, m, in.")
    mid: Number | None = Field(
        None, description="Value written for no displacement. Default: 0 for exr-float, 0.5 for 16-bit."
    )
    scale_mm: PositiveNumber | None = Field(
        None,
        description="Height of one full unit of the value, mm. Above 0. "
        "Default: one unit for exr-float; fitted to the heights for 16-bit.",
    )
    headroom: Annotated[Number, Field(ge=0, le=1)] = Field(
        0.05, description="Share left free when scale_mm is fitted, 0 to 1."
    )
    gutter_px: Annotated[Whole, Field(ge=0)] | None = Field(
        None,
        description="How far heights run on beyond the border of a chart, pixels. Default: size_px / 128, at least 4.",
    )
    seams: Seams = Field(
        "eased",
        description="Small changes of the texels along UV seams, so that both sides read alike. eased: as far as the "
        "skin beside the seam stays true. closed: to one 16-bit step, at the price of that skin. untouched: none.",
    )

    @property
    def effective_mid(self) -> float:
        """``mid``, or its default: 0 for float, 0.5 for 16-bit. A value, no unit."""
        if self.mid is not None:
            return self.mid
        return 0.0 if self.format == "exr-float" else 0.5

    @property
    def effective_gutter_px(self) -> int:
        """``gutter_px``, or its default max(4, size_px // 128). Pixels."""
        return max(4, self.size_px // 128) if self.gutter_px is None else self.gutter_px


class Recipe(Spec):
    """A whole recipe. ``file`` and ``folder`` say where it came from; they are not keys of the recipe."""

    poredepth: Literal[1] = Field(description="Version of the recipe's keys: 1.")
    mesh: MeshSpec = Field(description="The head mesh.")
    seed: Annotated[Whole, Field(ge=0)] = Field(0, description="Seed of everything random. Same seed, same map.")
    directions: list[DirectionSpec] = Field([], description="Guides for the direction of the skin.")
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

    def path(self, name: str) -> Path:
        """Path of a file named in the recipe (``name`` may hold ``<UDIM>``, which stays)."""
        return self._folder / name
