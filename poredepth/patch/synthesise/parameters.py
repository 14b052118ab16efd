"""Parameters of the kinds of relief: each with its unit, meaning, range, default and where that number is from."""

from __future__ import annotations

import dataclasses
import difflib
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import betaincinv

from poredepth.errors import PatchError

OWN = "own choice"


@dataclass(frozen=True)
class Sourced:
    """A number (or a pair (least, most), or a word) with its unit and where it is from."""

    value: Any
    unit: str
    source: str


def parameter(default: Any, unit: str, source: str, *, least: float, most: float, help: str) -> Any:
    """Dataclass field for a number or a pair (least, most) in the allowed range."""
    if not isinstance(default, tuple):
        default = float(default)
    metadata = {"help": help, "unit": unit, "source": source, "least": least, "most": most, "choices": None}
    return dataclasses.field(default=default, metadata=metadata)


def choice(default: str, choices: tuple[str, ...], source: str, *, help: str) -> Any:
    """Dataclass field for one of some words."""
    metadata = {"help": help, "unit": "", "source": source, "least": None, "most": None, "choices": choices}
    return dataclasses.field(default=default, metadata=metadata)


class Relief:
    """Base of the dataclasses of parameters: every value is checked when one is made.

    Raises
    ------
    PatchError : a value that is not of its kind or out of its range, a pair whose first is above its second
    """

    kind = ""

    def __post_init__(self):
        for field in dataclasses.fields(self):
            object.__setattr__(self, field.name, _checked(self.kind, field, getattr(self, field.name)))


def with_overrides(relief: Relief, overrides: dict[str, Any] | None) -> Relief:
    """The same relief with some parameters changed; a single number for a pair is both its ends.

    Raises
    ------
    PatchError : an unknown name (with the nearest known one), a value out of its range
    """
    known = [field.name for field in dataclasses.fields(relief)]
    for name in overrides or {}:
        if name not in known:
            near = difflib.get_close_matches(str(name), known, 1, 0.5)
            raise PatchError(
                f"synthesis of {relief.kind}: no parameter '{name}'; "
                + (f"did you mean '{near[0]}'? " if near else "")
                + f"allowed: {', '.join(known)}"
            )
    return dataclasses.replace(relief, **(overrides or {}))


def _checked(kind: str, field: dataclasses.Field, value: Any) -> Any:
    where = f"synthesis of {kind}: {field.name}"
    if field.metadata["choices"] is not None:
        if value not in field.metadata["choices"]:
            raise PatchError(f"{where} is {value!r}; allowed: {', '.join(field.metadata['choices'])}")
        return value
    if not isinstance(field.default, tuple):
        return _number(where, field, value)
    ends = value if isinstance(value, (tuple, list)) else (value, value)
    if len(ends) != 2:
        raise PatchError(f"{where} is {value!r}; allowed: one number, or two, the least and the most")
    least, most = (_number(where, field, end) for end in ends)
    if not least <= most:
        raise PatchError(f"{where} is {least:g} to {most:g}; allowed: the least first; exchange the two")
    return least, most


def _number(where: str, field: dataclasses.Field, value: Any) -> float:
    least, most, unit = (field.metadata[key] for key in ("least", "most", "unit"))
    is_number = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
    if not is_number or not math.isfinite(value) or not least <= value <= most:
        shown = f"{value:g}" if is_number else repr(value)
        raise PatchError(f"{where} is {shown}; allowed: {least:g} to {most:g}{' ' + unit if unit else ''}")
    return float(value)


def check_texel(kind: str, texel_mm: float, key: str, finest_um: float) -> None:
    """PatchError unless a detail ``finest_um`` wide is at least two texels."""
    if finest_um > 0 and 2000.0 * texel_mm > finest_um * (1.0 + 1e-9):
        raise PatchError(
            f"synthesis of {kind}: texels of {1000 * texel_mm:g} um cannot carry {key} of {finest_um:g} um; allowed: "
            f"at most {0.5 * finest_um:g} um; make texels smaller or {key} larger"
        )


def drawn(pair: tuple[float, float], count: int, rng: np.random.Generator) -> np.ndarray:
    """``count`` numbers between the ends of a pair, more in the middle, in random order; their mean is the middle.

    Quantiles of the beta distribution (2, 2) at even steps, so that a few draws are as even as many.
    """
    quantile = betaincinv(2.0, 2.0, (np.arange(count) + 0.5) / max(count, 1))
    return pair[0] + (pair[1] - pair[0]) * rng.permutation(quantile)


def ranked_like(values: np.ndarray, order: np.ndarray) -> np.ndarray:
    """The same values, the larger ones where ``order`` is larger."""
    out = np.empty_like(values)
    out[np.argsort(order, kind="stable")] = np.sort(values)
    return out
