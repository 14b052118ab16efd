"""Sets of tiles as the writers describe them, for tests of the documents beside them."""

from __future__ import annotations

import numpy as np

from poredepth.output import Calibration, MapMetadata, PatchRecord, fit_calibration
from poredepth.output.handoff import HandOff, NormalMap, hand_off
from poredepth.output.tiles import EXTENSION
from poredepth.units import MM_PER_UNIT

#: Lowest and highest height of each tile, mm.
RANGES_MM = {1001: (-0.0812, 0.0513), 1002: (-0.31, 0.0234)}
PATCHES = (PatchRecord("pores", source="made here", licence="MIT", consent="synthetic"), PatchRecord("lines"))
#: Calibrations a set may have: format, mid, scale in mm; None: as fitted.
CALIBRATIONS = [
    ("exr-float", None, None),
    ("exr-float", 0.1, 1.0),
    ("exr-float", 0.5, 0.8),
    ("tiff-16", None, None),
    ("tiff-16", 0.25, 2.7),
    ("png-16", 0.5, 0.7),
]


def calibration_of(format: str, mid: float | None, scale_mm: float | None, unit: str = "mm") -> Calibration:
    return fit_calibration(format, unit, -0.31, 0.0513, mid=mid, scale_mm=scale_mm)


def set_metadata(calibration: Calibration, tiles=(1001, 1002), **more) -> list[MapMetadata]:
    known = {"texel_um": 54.6, "layers": ("sculpt", "pores"), "patches": PATCHES, "seed": 3, "recipe": "head.yaml"}
    return [
        MapMetadata(tile=tile, **(known | more)).described(
            calibration, RANGES_MM.get(tile, (-0.01, 0.02)), (8192, 8192)
        )
        for tile in tiles
    ]


def set_of(
    calibration: Calibration | None = None,
    unit: str | None = "cm",
    unit_mm: float | None = None,
    tiles=(1001, 1002),
    stem: str = "head",
    normal: NormalMap | None = None,
    split_mm: float | None = None,
    **more,
) -> HandOff:
    """The hand-off of a numbered set."""
    calibration = calibration or calibration_of("tiff-16", None, None)
    names = [f"{stem}.{tile}{EXTENSION[calibration.format]}" for tile in tiles]
    return hand_off(
        set_metadata(calibration, tiles, **more),
        names,
        scene_unit=unit,
        scene_unit_mm=MM_PER_UNIT[unit] if unit is not None else unit_mm,
        normal=normal,
        split_mm=split_mm,
    )


def stored_values(calibration: Calibration, n: int = 1000, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Random values as a reader of the file gets them, and the heights they mean, mm; float64.

    Heights by the definition of the encoding: a 16-bit code is worth (code - mid code) / 65535 of the scale.
    """
    rng = np.random.default_rng(seed)
    if calibration.is_float:
        value = rng.uniform(-1, 1, n).astype(np.float32).astype(float)
        return value, (value - float(np.float32(calibration.mid))) * calibration.scale_mm
    code = rng.integers(0, 65536, n)
    return code / 65535, (code - calibration.mid_code) / 65535 * calibration.scale_mm
