"""Recipe models of the skin: where it runs (directions) and its parts (regions)."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import Field, model_validator

from poredepth.recipe.anatomy import Part
from poredepth.recipe.fields import (
    FEATHER_DEFAULT_MM,
    NotNegativeNumber,
    Number,
    Place3D,
    PositiveNumber,
    Spec,
    Switch,
    Text,
)
from poredepth.recipe.rules import direction_rules, region_rules

RegionKind = Literal["group", "mask", "center", "part", "union", "intersect", "subtract"]
DirectionKind = Literal["points", "file", "map", "around", "curvature", "preset"]
Preset = Literal["tension_lines"]
Way = Literal["rays", "rings"]


class DirectionSpec(Spec):
    """A source of the direction of the skin: exactly one of the keys of ``DirectionKind``.

    Directions have no sign.
    """

    points: list[Place3D] | None = Field(
        None,
        min_length=2,
        description="Guide line: two or more points, [x, y, z] in mesh units or landmarks, snapped to the skin.",
    )
    file: Text | None = Field(None, description="OBJ file with guide polylines in mesh units, relative to the recipe.")
    map: Text | None = Field(
        None,
        description="Painted picture in the UVs of the mesh, relative to the recipe: grey is the angle in UV, black to "
        "white 0 to 180 degrees anticlockwise from +u; alpha, where there is one, is the strength. "
        "May hold <UDIM> in place of the tile number.",
    )
    around: Place3D | None = Field(
        None,
        description="Centre of rays or rings on the skin, [x, y, z] in mesh units or a landmark. "
        "Goes with radius_mm and way.",
    )
    radius_mm: PositiveNumber | None = Field(
        None, description="With around, required: how far it pulls along the skin, fading out, mm. Above 0."
    )
    way: Way | None = Field(None, description="With around, required. rays: away from the point; rings: around it.")
    curvature: Switch | None = Field(
        None,
        description="true: lines run where the form is bent least, as along wrinkles; a weak pull. Not with reach_mm.",
        json_schema_extra={"const": True},
    )
    preset: Preset | None = Field(
        None,
        description="tension_lines: relaxed skin tension lines of face and neck, made from the recipe's landmarks.",
    )
    strength: Annotated[Number, Field(gt=0, le=1000)] = Field(
        1.0,
        description="Factor on how strongly it pulls, above 0 up to 1000: where two of a kind meet, the direction is "
        "their mean by strength.",
    )
    reach_mm: PositiveNumber | None = Field(
        None,
        description="Beyond this distance along the skin the field is as it is without it, mm. Above 0. "
        "Default: no limit.",
    )

    @model_validator(mode="after")
    def _check(self) -> DirectionSpec:
        self._keep(direction_rules)
        return self

    @property
    def kind(self) -> DirectionKind:
        """Which way this source is given."""
        kinds: tuple[DirectionKind, ...] = ("points", "file", "map", "around", "curvature", "preset")
        return next(kind for kind in kinds if getattr(self, kind) is not None)


class RegionSpec(Spec):
    """A part of the skin: exactly one of ``group``, ``mask``, ``center`` + ``radius_mm``, ``part``, or a set of others.

    ``feather_mm`` is filled in: 5 mm for ``group``, ``center`` and ``part``; None (as painted) for ``mask``; None for
    sets, whose edges are those of the regions they name.
    """

    group: Text | None = Field(None, description="Name of a face group of the mesh.")
    mask: Text | None = Field(
        None,
        description="Picture in the UVs of the mesh (white is inside), relative to the recipe. "
        "May hold <UDIM> in place of the tile number.",
    )
    center: Place3D | None = Field(
        None,
        description="Centre of a disk on the skin, [x, y, z] in mesh units or a landmark. Goes with radius_mm.",
    )
    radius_mm: PositiveNumber | None = Field(None, description="Radius of the disk along the skin, mm. Above 0.")
    part: Part | None = Field(
        None, description="Part of the face, found from the sixteen standard landmarks (docs/landmarks.md)."
    )
    union: list[Text] | None = Field(None, min_length=1, description="Names of regions: all of them together.")
    intersect: list[Text] | None = Field(None, min_length=1, description="Names of regions: where all of them overlap.")
    subtract: list[Text] | None = Field(
        None, min_length=2, description="Names of regions: the first one without all the others."
    )
    feather_mm: NotNegativeNumber | None = Field(
        None,
        description="Width of the soft edge, mm, 0 or more. Default 5 for group, center and part; a mask is taken as "
        "painted unless this is given. Not with union, intersect, subtract.",
    )

    @model_validator(mode="before")
    @classmethod
    def _fill_feather(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("feather_mm") is not None:
            return data
        if all(data.get(key) is None for key in ("group", "center", "part")):
            return data
        return {**data, "feather_mm": FEATHER_DEFAULT_MM}

    @model_validator(mode="after")
    def _check(self) -> RegionSpec:
        self._keep(region_rules)
        return self

    @property
    def kind(self) -> RegionKind:
        """Which of the seven ways this region is given."""
        kinds: tuple[RegionKind, ...] = get_args(RegionKind)
        return next(kind for kind in kinds if getattr(self, kind) is not None)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the regions this one is made of; empty unless it is a union, intersect or subtract."""
        return tuple(self.union or self.intersect or self.subtract or ())
