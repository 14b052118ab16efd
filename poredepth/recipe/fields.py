"""What all parts of a recipe's model share: their base, and the types of their values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, Strict
from pydantic_core import PydanticCustomError

from poredepth.recipe.rules import Broken

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
#: A point of the skin: its coordinates, or the name of a landmark, which is replaced before the model sees it.
Place3D = Annotated[Point, Field(json_schema_extra={"x-landmark": True})]


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
