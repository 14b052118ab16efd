"""Ready sets of parameters for places of the face: every number with where it is from.

The ranges are advice, not measurement: what is called "from memory" could not be read again, and no number was measured
from anyone.
"""

from __future__ import annotations

import dataclasses
import difflib
from dataclasses import dataclass
from typing import Any

from poredepth.errors import PatchError
from poredepth.patch.synthesise.grain import GrainRelief
from poredepth.patch.synthesise.lines import LineRelief
from poredepth.patch.synthesise.parameters import OWN, Relief, Sourced, with_overrides
from poredepth.patch.synthesise.pores import PoreRelief
from poredepth.patch.synthesise.wrinkles import WrinkleRelief

RELIEFS: dict[str, type[Relief]] = {cls.kind: cls for cls in (PoreRelief, LineRelief, WrinkleRelief, GrainRelief)}

_MORE_PORES = "own choice; more and larger on nose and forehead than on the cheek (Jung et al. 2014)"
_PORE_DEPTH = "from memory, low confidence: 20 to 150 um, the nose deepest"
_PORE_SIZE = "from memory: visible pores 200 to 600 um"
_LINES = "from memory: lines 0.3 to 1.0 mm apart"
_PRIMARY = "from memory: primary lines 20 to 100 um deep (Hashimoto 1974); here shallower, own choice"
_SECONDARY = "from memory: secondary lines 5 to 40 um deep (Hashimoto 1974)"
_WRINKLES = "from memory: fine wrinkles 50 to 200 um deep"


def _um(value: Any, source: str = OWN) -> Sourced:
    return Sourced(value, "um", source)


def _mm(value: float, source: str = OWN) -> Sourced:
    return Sourced(value, "mm", source)


def _ratio(value: Any, source: str = OWN) -> Sourced:
    return Sourced(value, "ratio", source)


def _deg(value: float, source: str = OWN) -> Sourced:
    return Sourced(value, "deg", source)


#: kind -> region -> what differs from the kind's defaults, which are those of its first region.
PRESETS: dict[str, dict[str, dict[str, Sourced]]] = {
    "pores": {
        "cheek": {},
        "nose": {
            "density_per_cm2": Sourced(120.0, "per_cm2", _MORE_PORES),
            "diameter_um": _um((340.0, 600.0), _PORE_SIZE),
            "depth_um": _um((60.0, 132.0), _PORE_DEPTH),
            "elongation_ratio": _ratio((1.0, 1.25)),
            "outline_ratio": _ratio(0.3),
            "rim_um": _um(7.0, "broken raised rim: Mizukoshi & Takahashi 2013; height own choice"),
            "cell_mm": _mm(0.6, _LINES),
            "stretch_ratio": _ratio(1.0),
            "primary_um": _um((16.0, 30.0), _PRIMARY),
            "secondary_um": _um((7.0, 15.0), _SECONDARY),
            "uneven_um": _um(4.0),
        },
        "forehead": {
            "density_per_cm2": Sourced(290.0, "per_cm2", "follicles of the forehead, 292 per cm2: Otberg et al. 2004"),
            "diameter_um": _um(
                (90.0, 220.0), "least from memory: fine orifices of the forehead 50 to 100 um; most own choice"
            ),
            "depth_um": _um(
                (18.0, 50.0), "from memory, low confidence: 20 to 150 um; small ones shallower, own choice"
            ),
            "elongation_ratio": _ratio((1.0, 1.4)),
            "rim_um": _um(2.0, "broken raised rim: Mizukoshi & Takahashi 2013; height own choice"),
            "cell_mm": _mm(0.5, _LINES),
            "stretch_ratio": _ratio(1.3),
            "primary_um": _um((14.0, 26.0), _PRIMARY),
            "secondary_um": _um((6.0, 13.0), _SECONDARY),
        },
        "chin": {
            "density_per_cm2": Sourced(80.0, "per_cm2", "from memory, low confidence: visible pores 10 to 100 per cm2"),
            "diameter_um": _um((280.0, 540.0), _PORE_SIZE),
            "depth_um": _um((45.0, 105.0), _PORE_DEPTH),
            "cell_mm": _mm(0.62, _LINES),
            "stretch_ratio": _ratio(1.05),
            "uneven_um": _um(3.5),
        },
    },
    "lines": {
        "forehead": {},
        "cheek": {
            "primary_spacing_mm": _mm(0.6, _LINES),
            "secondary_spacing_mm": _mm(0.65, _LINES),
            "primary_um": _um((12.0, 28.0), _PRIMARY),
            "secondary_um": _um((9.0, 22.0), _SECONDARY),
            "mirrored_ratio": _ratio(0.3),
            "secondary_deg": _deg(65.0, "two axes that cross: Corcuff et al. 1983; the angle own choice"),
            "longest_mm": _mm(6.0),
            "wander_deg": _deg(12.0),
        },
        "lips": {
            "primary_spacing_mm": _mm(0.8),
            "secondary_spacing_mm": _mm(1.4),
            "primary_um": _um((30.0, 80.0), "all lines of skin 20 to 200 um (Bibb, Medical Modelling, 6.17.3)"),
            "secondary_um": _um((10.0, 25.0)),
            "secondary_deg": _deg(50.0),
            "mirrored_ratio": _ratio(0.5),
            "width_um": _um(240.0),
            "wander_deg": _deg(9.0),
            "longest_mm": _mm(8.0),
            "uneven_um": _um(4.0),
            "grain_um": _um(0.5),
        },
        "eyelid": {
            "primary_spacing_mm": _mm(0.4, _LINES),
            "secondary_spacing_mm": _mm(0.5, _LINES),
            "primary_um": _um((12.0, 26.0), _PRIMARY),
            "secondary_um": _um((7.0, 16.0), _SECONDARY),
            "width_um": _um(85.0),
            "longest_mm": _mm(9.0),
        },
        "neck": {
            "primary_spacing_mm": _mm(0.75, _LINES),
            "secondary_spacing_mm": _mm(0.8, _LINES),
            "primary_um": _um((20.0, 45.0), "from memory: primary lines 20 to 100 um deep (Hashimoto 1974)"),
            "secondary_um": _um((14.0, 34.0), _SECONDARY),
            "secondary_deg": _deg(60.0, "two axes that cross: Corcuff et al. 1983; the angle own choice"),
            "mirrored_ratio": _ratio(0.5),
            "width_um": _um(140.0),
            "wander_deg": _deg(10.0),
            "longest_mm": _mm(9.0),
        },
    },
    "wrinkles": {
        "forehead": {},
        "eye_corner": {
            "spacing_mm": _mm(2.0),
            "depth_um": _um((50.0, 150.0), _WRINKLES),
            "width_um": _um(420.0),
            "longest_mm": _mm(14.0),
            "branches": Sourced(3.0, "count", OWN),
            "wander_deg": _deg(7.0),
            "fine_um": _um(16.0, _SECONDARY),
            "fine_cell_mm": _mm(0.6, _LINES),
            "fine_width_um": _um(120.0),
        },
        "neck": {
            "spacing_mm": _mm(6.0),
            "depth_um": _um((90.0, 220.0), "from memory: marked wrinkles 200 to 800 um deep, fine ones 50 to 200 um"),
            "width_um": _um(900.0),
            "longest_mm": _mm(30.0),
            "branches": Sourced(1.2, "count", OWN),
            "fine_um": _um(24.0, _SECONDARY),
            "fine_cell_mm": _mm(0.85, _LINES),
            "fine_width_um": _um(160.0),
        },
    },
    "grain": {
        "skin": {},
        "lip": {
            "sq_um": _um(4.0),
            "finest_um": _um(120.0),
            "coarsest_um": _um(400.0),
            "stretch_ratio": _ratio(2.0),
        },
    },
}


def relief_of(kind: str, region: str | None = None, overrides: dict[str, Any] | None = None) -> Relief:
    """Parameters of a kind for a region (None: its first), with some changed.

    Raises
    ------
    PatchError : an unknown kind, region or parameter (with the nearest known one), a value out of its range
    """
    regions = PRESETS[_known("kind", kind, list(RELIEFS))]
    chosen = regions[_known(f"region of {kind}", region, list(regions))] if region is not None else {}
    relief = RELIEFS[kind](**{name: sourced.value for name, sourced in chosen.items()})
    return with_overrides(relief, overrides)


def _known(what: str, name: str, allowed: list[str]) -> str:
    if name in allowed:
        return name
    near = difflib.get_close_matches(str(name), allowed, 1, 0.5)
    guess = f"did you mean '{near[0]}'? " if near else ""
    raise PatchError(f"synthesis: no {what} '{name}'; {guess}allowed: {', '.join(allowed)}")


@dataclass(frozen=True)
class PresetRow:
    """One number of one preset; ``help`` what it means, ``least`` and ``most`` the allowed range (None for words)."""

    kind: str
    region: str
    parameter: str
    value: Any
    unit: str
    source: str
    help: str
    least: float | None
    most: float | None

    @property
    def value_text(self) -> str:
        """The value as it is written in tables: ``40 to 90``."""
        if isinstance(self.value, tuple):
            return " to ".join(f"{end:g}" for end in self.value)
        return self.value if isinstance(self.value, str) else f"{self.value:g}"


def preset_table() -> list[PresetRow]:
    """Every number of every preset: all of a kind's first region, then what differs in the others."""
    rows = []
    for kind, regions in PRESETS.items():
        fields = {field.name: field for field in dataclasses.fields(RELIEFS[kind])}
        first = {name: Sourced(f.default, f.metadata["unit"], f.metadata["source"]) for name, f in fields.items()}
        for region, differing in regions.items():
            for name, sourced in (differing or first).items():
                meta = fields[name].metadata
                shown = (kind, region, name, sourced.value, sourced.unit, sourced.source)
                rows.append(PresetRow(*shown, meta["help"], meta["least"], meta["most"]))
    return rows


def preset_markdown() -> str:
    """The tables of docs/synthesis.md: for each kind what its parameters mean, then what each region's numbers are."""
    rows, text = preset_table(), []
    for kind, regions in PRESETS.items():
        first = next(iter(regions))
        head = f"| parameter | unit | meaning | allowed | {first} (default) | source |"
        text += [f"### {kind}", "", head, "| --- " * 6 + "|"]
        for row in (r for r in rows if (r.kind, r.region) == (kind, first)):
            allowed = "" if row.least is None else f"{row.least:g} to {row.most:g}"
            text.append(f"| {row.parameter} | {row.unit} | {row.help} | {allowed} | {row.value_text} | {row.source} |")
        text += ["", "| region | parameter | value | unit | source |", "| --- " * 5 + "|"]
        for row in (r for r in rows if r.kind == kind and r.region != first):
            text.append(f"| {row.region} | {row.parameter} | {row.value_text} | {row.unit} | {row.source} |")
        text.append("")
    return "\n".join(text)
