"""Recipe models of what is laid: patches, and layers with what varies over the skin and what ties a piece to it.

What a layer says of bands stands in model_bands.py.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from poredepth.recipe.fields import (
    FEATHER_DEFAULT_MM,
    RULE_ERROR,
    NotNegativeNumber,
    Number,
    Place3D,
    PositiveNumber,
    Spec,
    Switch,
    Text,
)
from poredepth.recipe.model_bands import Band, BandGain, CutoffsSpec, Gain, ThinSpec
from poredepth.recipe.rules import BANDS, layer_rules, patch_rules, vary_rules

Place = Literal["scatter", "spread", "registered"]
Axis = Literal["x", "y", "z"]
Combine = Literal["add", "replace", "deepest", "highest"]


class PatchSpec(Spec):
    """A height picture with its calibration: height_um = (value - zero) * height_um, value in 0..1, white outward."""

    file: Text = Field(description="Height picture, relative to the recipe.")
    texel_um: PositiveNumber | None = Field(
        None,
        description="Width of one pixel on the skin, micrometres. Above 0. Required, but for a picture with a patch "
        "file beside it (NAME.patch.yaml beside NAME.tif), whose values hold for all keys left out.",
    )
    height_um: PositiveNumber | None = Field(
        None,
        description="Height of one full unit of the picture's value (black to white), micrometres. Above 0. Required, "
        "but for a picture with a patch file beside it.",
    )
    zero: Number = Field(0.5, description="Picture value that is no displacement.")
    invert: Switch = Field(False, description="true: black is outward. Default: white is outward.")
    mask: Text | None = Field(
        None,
        description="With registered: grey picture of the same size, relative to the recipe; white is where the patch "
        "is laid. An alpha channel of the patch does the same.",
    )
    lay_deg: Number = Field(
        0.0,
        description="Direction of the relief in the picture, degrees, anticlockwise from its +u (to the right). "
        "It is turned onto the direction of the skin.",
    )
    periodic: Switch = Field(
        True, description="Whether the picture continues over its borders. false: for place registered only."
    )
    source: Text | None = Field(None, description="Where the picture comes from. Kept with the map.")
    licence: Text | None = Field(None, description="Licence of the picture. Kept with the map.")
    consent: Text | None = Field(None, description="Consent of the person scanned. Kept with the map.")
    history: list[Text] = Field([], description="What was done to the picture, in order. Kept with the map.")
    sha256: Text | None = Field(
        None, description="SHA-256 of the picture's bytes, hexadecimal: a picture that was changed since is told."
    )

    @model_validator(mode="after")
    def _check(self) -> PatchSpec:
        self._keep(patch_rules)
        return self


class StopSpec(Spec):
    """One stop of a ramp over the skin."""

    at: Place3D = Field(description="Point of the skin, [x, y, z] in mesh units or a landmark.")
    value: NotNegativeNumber = Field(description="Factor there, 0 or more.")


class VarySpec(Spec):
    """A factor that varies over the skin: exactly one of ``ramp`` and ``map``."""

    ramp: list[StopSpec] | None = Field(
        None,
        min_length=2,
        description="Stops from landmark to landmark; between two of them the factor changes evenly along the skin, "
        "beyond them it stays, between several it is averaged. Stops of one value in a row are one place with several "
        "points.",
    )
    map: Text | None = Field(
        None,
        description="Picture in the UVs of the mesh, relative to the recipe. May hold <UDIM> in place of the tile "
        "number.",
    )
    black: NotNegativeNumber | None = Field(
        None, description="With map: factor where the picture is black. Default: 0."
    )
    white: NotNegativeNumber | None = Field(
        None, description="With map: factor where the picture is white. Default: 1."
    )

    @model_validator(mode="after")
    def _check(self) -> VarySpec:
        self._keep(vary_rules)
        return self


class LayerVarySpec(Spec):
    """What of a layer varies over the skin; each factor multiplies the layer's own number."""

    gain: VarySpec | None = Field(None, description="Factor on the layer's gain, taken at each texel.")
    size: VarySpec | None = Field(None, description="With scatter: factor on the layer's size, one for each print.")


class TiePoint(Spec):
    """A pixel of a patch and the skin point it belongs on."""

    px: tuple[Number, Number] = Field(
        description="Place [x, y] in the patch's picture, pixels from its top left corner, x to the right, y down; the "
        "middle of a pixel is at +0.5."
    )
    at: Place3D = Field(
        description="Skin point of that place, [x, y, z] in mesh units or a landmark, snapped to the skin."
    )


class LayerSpec(Spec):
    """One layer, bottom to top: exactly one of ``map`` (a picture in the mesh's UVs), ``patch`` and ``patches``."""

    name: Text = Field(description="Name of the layer; each layer has its own.")
    map: Text | None = Field(
        None,
        description="Height picture in the UVs of the mesh, relative to the recipe. "
        "May hold <UDIM> in place of the tile number.",
    )
    patch: Text | None = Field(None, description="Name of a patch of this recipe.")
    patches: dict[Text, PositiveNumber] | None = Field(
        None,
        min_length=1,
        description="With scatter, in place of patch: several patches by name, each with the share of prints that show "
        "it. Shares need not add up to 1.",
    )
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
        "piece of it. spread: one sheet over the whole region, unbroken along the direction of the skin. registered: a "
        "flattened piece of a scan, fixed to the skin by tie points.",
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
    size: PositiveNumber = Field(
        1.0,
        description="With patch: size of the relief on the skin; 1 is true to the patch, 2 twice as large. Above 0.",
    )
    along_ratio: PositiveNumber = Field(
        1.0,
        description="With patch: how much the relief is drawn out along the direction of the skin, beyond size. "
        "Above 0.",
    )
    across_ratio: PositiveNumber = Field(1.0, description="With patch: the same across the direction of the skin.")
    phase_mm: tuple[Number, Number] | None = Field(
        None,
        description="With spread: shift of the patch along and across the direction of the skin, mm. Default: none.",
    )
    tie_points: list[TiePoint] | None = Field(
        None,
        min_length=3,
        description="With registered, required: three or more tie points; the patch is warped smoothly between them.",
    )
    feather_mm: NotNegativeNumber = Field(
        FEATHER_DEFAULT_MM,
        description="With registered: width on the skin over which the patch fades in from its border, mm, 0 or more.",
    )
    mirror: Axis | None = Field(
        None,
        description="With registered: lay the mirror image of the layer, mirrored in the plane x = 0, y = 0 or z = 0 "
        "of the mesh: the tie points as well as the picture. Heights keep their sign.",
    )
    gain: Gain = Field(
        1.0,
        description="Factor on the heights of this layer: one number, or one for each band, where those left out are "
        "1. From -1000 to 1000.",
    )
    bands: list[Band] | None = Field(
        None,
        min_length=1,
        description="The bands of this layer that are laid. Default: all.",
        json_schema_extra={"uniqueItems": True},
    )
    cutoffs: CutoffsSpec | None = Field(
        None, description="Cutoffs between the bands of this layer, in place of the recipe's."
    )
    vary: LayerVarySpec | None = Field(None, description="Factors on gain and size that vary over the skin.")
    combine: Combine = Field(
        "add",
        description="How the layer joins those below it. add: the heights are summed. replace: inside the region the "
        "bands of this layer take the place of those below. deepest, highest: the lower or the higher of the two "
        "heights, band by band.",
    )
    smooth_um: NotNegativeNumber = Field(
        0.0,
        description="With combine deepest or highest: a deeper (higher) layer is eased in over this much, so that "
        "there is no kink, micrometres, 0 or more.",
    )
    thin_where: ThinSpec | None = Field(None, description="Where the layer thins out over what lies below it.")

    @field_validator("gain")
    @classmethod
    def _default_as_number(cls, gain: float | BandGain) -> float | BandGain:
        return 1.0 if gain == BandGain() else gain  # defaults written out are the same recipe, with the same hash

    @field_validator("bands")
    @classmethod
    def _each_band_once(cls, bands: list[Band] | None) -> list[Band] | None:
        if bands is not None and len(set(bands)) < len(bands):
            raise PydanticCustomError(RULE_ERROR, "a band is there twice; allowed: each band once")
        if bands is None or len(bands) == len(BANDS):
            return None  # the default written out
        return sorted(bands, key=BANDS.index)  # their order means nothing

    @model_validator(mode="after")
    def _check(self) -> LayerSpec:
        self._keep(layer_rules)
        return self

    @property
    def kind(self) -> Literal["map", "patch"]:
        """Whether the layer is a map in the mesh's UVs or a laid patch."""
        return "map" if self.map is not None else "patch"

    @property
    def patch_shares(self) -> dict[str, float]:
        """The patches of the layer by name, with their shares of prints; empty for a map layer."""
        return {self.patch: 1.0} if self.patch is not None else dict(self.patches or {})

    @property
    def band_gain(self) -> dict[Band, float]:
        """Gain of each band, in the order coarse, middle, fine; 0 for bands that are not laid."""
        laid = BANDS if self.bands is None else self.bands
        gain = (
            self.gain
            if isinstance(self.gain, BandGain)
            else BandGain(coarse=self.gain, middle=self.gain, fine=self.gain)
        )
        return {band: float(getattr(gain, band)) if band in laid else 0.0 for band in BANDS}

    @property
    def effective_overlap_mm(self) -> float | None:
        """``overlap_mm``, or its default print_mm / 20; None for a map layer. mm."""
        if self.overlap_mm is not None or self.print_mm is None:
            return self.overlap_mm
        return self.print_mm / 20
