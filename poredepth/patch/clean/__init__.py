"""Steps that make level relief of a raw height picture: holes, spikes, terraces, form, mean; each by itself.

Their order: fill holes (measured data has them), look for terraces on the values as stored, take spikes out, smooth
terraces, take the form off, take the mean off.
"""

from poredepth.patch.clean.form import Form, Polynomial, remove_form, zero_mean
from poredepth.patch.clean.holes import Holes, fill_holes, without_inner_holes
from poredepth.patch.clean.spikes import Spikes, remove_spikes
from poredepth.patch.clean.suggest import FormSuggestion, suggest_form
from poredepth.patch.clean.terraces import Terraces, find_terraces
from poredepth.patch.clean.unterrace import smooth_terraces

__all__ = [
    "Form",
    "FormSuggestion",
    "Holes",
    "Polynomial",
    "Spikes",
    "Terraces",
    "fill_holes",
    "find_terraces",
    "remove_form",
    "remove_spikes",
    "smooth_terraces",
    "suggest_form",
    "without_inner_holes",
    "zero_mean",
]
