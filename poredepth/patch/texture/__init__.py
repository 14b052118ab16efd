"""Relief measured: areal texture parameters of ISO 25178-2, autocorrelation, lay."""

from poredepth.patch.texture.autocorrelation import autocorrelation
from poredepth.patch.texture.direction import Lay, dominant_direction
from poredepth.patch.texture.parameters import TextureParameters, texture_parameters

__all__ = ["Lay", "TextureParameters", "autocorrelation", "dominant_direction", "texture_parameters"]
