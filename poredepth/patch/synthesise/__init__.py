"""Relief made by calculation: tiles that continue over their borders, the same for the same seed, in millimetres."""

from poredepth.patch.synthesise.entry import synthesise
from poredepth.patch.synthesise.grain import GrainRelief, grain
from poredepth.patch.synthesise.lines import LineRelief, lines
from poredepth.patch.synthesise.parameters import Relief, Sourced, with_overrides
from poredepth.patch.synthesise.pores import PoreRelief, pores
from poredepth.patch.synthesise.presets import PRESETS, RELIEFS, PresetRow, preset_table, relief_of
from poredepth.patch.synthesise.result import Pits, Synthesis
from poredepth.patch.synthesise.wrinkles import WrinkleRelief, wrinkles

__all__ = [
    "PRESETS",
    "RELIEFS",
    "GrainRelief",
    "LineRelief",
    "Pits",
    "PoreRelief",
    "PresetRow",
    "Relief",
    "Sourced",
    "Synthesis",
    "WrinkleRelief",
    "grain",
    "lines",
    "pores",
    "preset_table",
    "relief_of",
    "synthesise",
    "with_overrides",
    "wrinkles",
]
