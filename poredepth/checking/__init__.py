"""Proof of written maps: opened again by another reader, and held beside what the recipe means (docs/checking.md)."""

from poredepth.checking.check import MapChecker, check_files, find_maps
from poredepth.checking.reader import OpenedMap, UnreadableMapError, open_map
from poredepth.checking.report import CheckReport, FileMeasure, Finding, Place, SetMeasure, SkinMeasure, TexelMeasure

__all__ = [
    "CheckReport",
    "FileMeasure",
    "Finding",
    "MapChecker",
    "OpenedMap",
    "Place",
    "SetMeasure",
    "SkinMeasure",
    "TexelMeasure",
    "UnreadableMapError",
    "check_files",
    "find_maps",
    "open_map",
]
