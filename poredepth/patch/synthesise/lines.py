"""Fine lines: a net of two families of furrows that cross, the primary ones along the lay by default.

Two axes that cross are the pattern of young skin; the second vanishes with age (Corcuff et al., J Soc Cosmet Chem
34(4), 1983).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.synthesise.parameters import OWN, Relief, check_texel, drawn, parameter
from poredepth.patch.synthesise.periodic import (
    FieldRows,
    Progress,
    Tile,
    band_noise,
    by_rows,
    make_tile,
    mixed_noise,
    sample_paths,
    smooth_noise,
    spread_points,
    swayed,
)
from poredepth.patch.synthesise.result import Pits, take_mean_off
from poredepth.patch.synthesise.strokes import LineFamily, Stroke, StrokeRows, grow_lines, taper

UM = 1e-3

#: Wavelengths of the uneven ground and of the grain, mm.
_UNEVEN_MM, _GRAIN_MM = (0.4, 1.1), (0.09, 0.3)


@dataclass(frozen=True)
class LineRelief(Relief):
    """Parameters of ``lines``, by default those of the forehead; see ``preset_table``.

    A pair is (least, most).
    """

    kind = "lines"

    primary_spacing_mm: float = parameter(
        0.55, "mm", "from memory: primary lines 0.3 to 1.0 mm apart",
        least=0.1, most=10.0, help="mean distance of primary lines, met on a way across them",
    )  # fmt: skip
    secondary_spacing_mm: float = parameter(
        0.75, "mm", OWN, least=0.1, most=10.0, help="mean distance of secondary lines, met on a way across them",
    )  # fmt: skip
    primary_um: tuple[float, float] = parameter(
        (16.0, 36.0), "um", "all lines of skin 20 to 200 um (Bibb, Medical Modelling, 6.17.3); within it own choice",
        least=0.0, most=500.0, help="depth of primary lines",
    )  # fmt: skip
    secondary_um: tuple[float, float] = parameter(
        (8.0, 22.0), "um", "from memory: secondary lines 5 to 40 um deep (Hashimoto 1974)",
        least=0.0, most=500.0, help="depth of secondary lines",
    )  # fmt: skip
    primary_deg: float = parameter(
        0.0, "deg", "forehead lines run across it (transverse lines of the frontalis); the lay is +u",
        least=-90.0, most=90.0, help="direction of primary lines, anticlockwise from the lay",
    )  # fmt: skip
    secondary_deg: float = parameter(
        70.0, "deg", "two axes that cross: Corcuff et al. 1983; the angle own choice",
        least=-90.0, most=90.0, help="direction of secondary lines, anticlockwise from the lay",
    )  # fmt: skip
    mirrored_ratio: float = parameter(
        0.4, "ratio", OWN, least=0.0, most=1.0, help="share of secondary lines that lean to the other side",
    )  # fmt: skip
    width_um: float = parameter(110.0, "um", OWN, least=10.0, most=2000.0, help="width of lines at half depth")
    wander_deg: float = parameter(
        7.0, "deg", OWN, least=0.0, most=40.0, help="how far lines wander off their direction (standard deviation)",
    )  # fmt: skip
    longest_mm: float = parameter(
        12.0, "mm", OWN, least=0.5, most=100.0, help="length of the longest primary lines; secondary ones a quarter",
    )  # fmt: skip
    uneven_um: float = parameter(
        2.0, "um", OWN, least=0.0, most=100.0, help="Sq of the uneven ground, wavelengths 0.4 to 1.1 mm",
    )  # fmt: skip
    grain_um: float = parameter(
        0.8, "um", OWN, least=0.0, most=50.0, help="Sq of the grain, wavelengths 90 to 300 um",
    )  # fmt: skip


def lines(size_mm: float, texel_mm: float, seed: int, relief: LineRelief | None = None) -> np.ndarray:
    """Periodic net of fine lines, lay along +u.

    Returns
    -------
    float32 (rows, cols), mm, mean 0

    Raises
    ------
    PatchError : size_mm is no whole number of texels, texels too large for the lines
    """
    height_mm, _, _ = raw_lines(make_tile(size_mm, texel_mm), seed, LineRelief() if relief is None else relief)
    take_mean_off(height_mm)
    return height_mm


def raw_lines(
    tile: Tile, seed: int, relief: LineRelief, on_progress: Progress | None = None
) -> tuple[np.ndarray, Pits, float]:
    """Relief whose skin between lines is at 0, no pits, no coverage."""
    check_texel("lines", tile.texel_mm, "width_um", relief.width_um)
    rng = np.random.default_rng(seed)
    line_rows = StrokeRows(tile, _net(tile, relief, rng))
    ground = [
        FieldRows(tile, UM * sq_um * band_noise(tile, *band, rng))
        for sq_um, band in ((relief.uneven_um, _UNEVEN_MM), (relief.grain_um, _GRAIN_MM))
        if sq_um > 0
    ]

    def rows(top: int, bottom: int) -> np.ndarray:
        out = -line_rows.rows(top, bottom)
        for noise in ground:
            out += noise.rows(top, bottom)
        return out

    return by_rows(tile, rows, on_progress), Pits(), 0.0


def _net(tile: Tile, relief: LineRelief, rng: np.random.Generator) -> list[Stroke]:
    """All lines: primary ones, secondary ones, and those of them that lean to the other side."""
    spread = np.radians(relief.wander_deg)
    wander = mixed_noise(tile, ((0.8 * spread, 4.0), (0.6 * spread, 1.3)), rng)
    lean = np.radians(relief.secondary_deg - relief.primary_deg)
    strokes = []
    if relief.primary_um[1] > 0:
        family = LineFamily(relief.primary_spacing_mm, relief.longest_mm, 1.2)
        strokes += _strokes(tile, wander + np.radians(relief.primary_deg), family, (relief, relief.primary_um), rng)
    for side, share in ((1.0, 1.0 - relief.mirrored_ratio), (-1.0, relief.mirrored_ratio)):
        if relief.secondary_um[1] > 0 and share > 0:
            sway = mixed_noise(tile, ((0.8 * spread, 2.5), (0.4 * spread, 1.3)), rng)
            angle = wander + sway + np.radians(relief.primary_deg) + side * lean
            family = LineFamily(relief.secondary_spacing_mm / share, 0.27 * relief.longest_mm, 0.45)
            strokes += _strokes(tile, angle, family, (relief, relief.secondary_um), rng)
    return strokes


def _strokes(tile: Tile, angle_rad: np.ndarray, family: LineFamily, depths, rng) -> list[Stroke]:
    """Lines of one family with depths that vary from line to line and along each."""
    relief, pair_um = depths
    seeds = rng.permutation(spread_points(tile, 0.35 * family.spacing_mm, rng))
    paths = grow_lines(tile, angle_rad, seeds, family, rng)
    along = sample_paths(tile, smooth_noise(tile, 0.8, rng), paths)
    wide = sample_paths(tile, smooth_noise(tile, 1.4, rng), paths)
    paths = swayed(tile, [0.02 * smooth_noise(tile, 0.3, rng) for _ in range(2)], paths)
    strokes = []
    for path, deep, vary, wider in zip(paths, UM * drawn(pair_um, len(paths), rng), along, wide, strict=True):
        depth = deep * np.clip(1.0 + 0.25 * vary, 0.4, 1.6)
        fade = taper(len(path), family.run_out(len(path) * family.step_mm))
        depth = depth * fade / fade[fade > 0.3].mean()  # as deep as asked on the way that counts as the line
        strokes.append(Stroke(path, depth, UM * relief.width_um * np.clip(1.0 + 0.2 * wider, 0.7, 1.4)))
    return strokes
