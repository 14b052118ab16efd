"""Recipe models of bands: where the relief is split by wavelength, gains by band, where a layer thins out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from poredepth.recipe.fields import Number, PositiveNumber, Spec, Text
from poredepth.recipe.rules import BANDS_DEFAULT_MM, bands_rules, cutoffs_rules, thin_rules

Band = Literal["coarse", "middle", "fine"]
Transitions = Literal["proportional", "even"]
ThinForm = Literal["valleys", "ridges", "both"]
#: What the validation of a gain puts between its key and the place of what is wrong in it.
GAIN_TAGS = ("[number]", "[bands]")

LimitedGain = Annotated[Number, Field(ge=-1000, le=1000)]


class BandsSpec(Spec):
    """Where the relief is split by wavelength on the skin: coarse > ``coarse_mm`` > middle > ``fine_mm`` > fine."""

    coarse_mm: PositiveNumber = Field(
        BANDS_DEFAULT_MM["coarse_mm"],
        description="Wavelength on the skin between the coarse and the middle band, mm. Above fine_mm.",
    )
    fine_mm: PositiveNumber = Field(
        BANDS_DEFAULT_MM["fine_mm"],
        description="Wavelength on the skin between the middle and the fine band, mm. Above 0, below coarse_mm.",
    )
    transitions: Transitions = Field(
        "proportional",
        description="How soft the edges of regions are for coarser bands. proportional: the feather is that of the "
        "fine band, and wider in proportion to the wavelength for the others. even: one feather for all.",
    )

    @model_validator(mode="after")
    def _check(self) -> BandsSpec:
        self._keep(bands_rules)
        return self


class BandGain(Spec):
    """One gain for each band; those left out are 1."""

    coarse: LimitedGain = Field(1.0, description="Factor on the heights of the coarse band.")
    middle: LimitedGain = Field(1.0, description="Factor on the heights of the middle band.")
    fine: LimitedGain = Field(1.0, description="Factor on the heights of the fine band.")


def _gain_tag(value: Any) -> str:
    return GAIN_TAGS[isinstance(value, Mapping | BandGain)]


#: One number for all bands, or a mapping of bands. Told apart by the type alone, so that a mistake is told once.
Gain = Annotated[
    Annotated[LimitedGain, Tag(GAIN_TAGS[0])] | Annotated[BandGain, Tag(GAIN_TAGS[1])], Discriminator(_gain_tag)
]


class CutoffsSpec(Spec):
    """Cutoffs of one layer in place of the recipe's; what is left out is the recipe's."""

    coarse_mm: PositiveNumber | None = Field(
        None, description="Wavelength between the coarse and the middle band of this layer, mm. Default: the recipe's."
    )
    fine_mm: PositiveNumber | None = Field(
        None,
        description="Wavelength between the middle and the fine band of this layer, mm. Below coarse_mm. "
        "Default: the recipe's.",
    )

    @model_validator(mode="after")
    def _check(self) -> CutoffsSpec:
        self._keep(cutoffs_rules)
        return self


class ThinSpec(Spec):
    """Where a layer thins out: exactly one of ``deeper_than_um`` and ``curvature_over_per_mm``."""

    layer: Text | None = Field(
        None, description="Name of a layer further down that is looked at. Default: the mix of all layers below."
    )
    deeper_than_um: PositiveNumber | None = Field(
        None,
        description="The layer thins out where the one looked at lies deeper than this below 0, micrometres. Above 0.",
    )
    curvature_over_per_mm: PositiveNumber | None = Field(
        None,
        description="The layer thins out where the curvature of the middle band (the sum of the two principal "
        "curvatures) of the one looked at is above this, per mm. Above 0.",
    )
    softness_um: PositiveNumber | None = Field(
        None,
        description="With deeper_than_um: full width of the fade, micrometres. Above 0. "
        "Default: a third of deeper_than_um.",
    )
    softness_per_mm: PositiveNumber | None = Field(
        None,
        description="With curvature_over_per_mm: full width of the fade, per mm. Above 0. "
        "Default: a third of curvature_over_per_mm.",
    )
    form: ThinForm = Field(
        "both", description="With curvature_over_per_mm: whether valleys count, ridges, or both. Default: both."
    )

    @model_validator(mode="after")
    def _check(self) -> ThinSpec:
        self._keep(thin_rules)
        return self

    @property
    def threshold(self) -> float:
        """``deeper_than_um`` (um) or ``curvature_over_per_mm`` (1/mm), whichever is given."""
        if self.deeper_than_um is not None:
            return self.deeper_than_um
        assert self.curvature_over_per_mm is not None  # thin_rules: exactly one of the two
        return self.curvature_over_per_mm

    @property
    def softness(self) -> float:
        """Full width of the fade, in the unit of `threshold`; where it is not given, a third of that."""
        given = self.softness_um if self.deeper_than_um is not None else self.softness_per_mm
        return self.threshold / 3 if given is None else given
