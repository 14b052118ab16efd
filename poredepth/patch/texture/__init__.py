"""Relief measured: areal texture parameters of ISO 25178-2, autocorrelation, lay, pits, bands."""

from poredepth.patch.texture.autocorrelation import autocorrelation
from poredepth.patch.texture.band_table import BandRow, band_table
from poredepth.patch.texture.direction import Lay, dominant_direction
from poredepth.patch.texture.parameters import TextureParameters, texture_parameters
from poredepth.patch.texture.pits import PitStatistics, pit_statistics

__all__ = [
    "BandRow",
    "Lay",
    "PitStatistics",
    "TextureParameters",
    "autocorrelation",
    "band_table",
    "dominant_direction",
    "pit_statistics",
    "texture_parameters",
]
