"""Relief made by calculation: tiles that continue over their borders, the same for the same seed, in millimetres."""

from poredepth.patch.synthesise.grain import grain
from poredepth.patch.synthesise.lines import LineRelief, lines
from poredepth.patch.synthesise.pores import PoreRelief, pores
from poredepth.patch.synthesise.wrinkles import WrinkleRelief, wrinkles

__all__ = ["LineRelief", "PoreRelief", "WrinkleRelief", "grain", "lines", "pores", "wrinkles"]
