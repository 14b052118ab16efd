"""Fine lines of the forehead: a net of furrows with a main way along the lay and shorter ones across it.

The ranges are advice, not measurement: lines 0.3 to 1.0 mm apart (from memory), 20 to 200 um deep over all ages (Bibb,
Medical Modelling, section 6.17.3); two axes that cross are the pattern of young skin (Corcuff et al., J Soc Cosmet
Chem 34(4), 1983).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.synthesise.periodic import (
    Tile,
    band_noise,
    finished,
    make_tile,
    sample,
    smooth_noise,
    spread_points,
)
from poredepth.patch.synthesise.strokes import LineFamily, Stroke, draw, grow_lines, taper


@dataclass(frozen=True)
class LineRelief:
    """Physical parameters of ``lines``; pairs are (least, most).

    ``spacing_mm`` distance of main lines; ``main_mm`` and ``cross_mm`` depth of lines along and across; ``width_mm`` at
    half depth; ``spread_deg`` how far the main way wanders off the lay; ``crossing_deg`` angle of the cross lines to
    it; ``grain_mm`` Sq of the grain.
    """

    spacing_mm: float = 0.55
    main_mm: tuple[float, float] = (0.014, 0.035)
    cross_mm: tuple[float, float] = (0.008, 0.02)
    width_mm: float = 0.11
    spread_deg: float = 7.0
    crossing_deg: tuple[float, float] = (60.0, 80.0)
    grain_mm: float = 0.0008


def lines(size_mm: float, texel_mm: float, seed: int, relief: LineRelief | None = None) -> np.ndarray:
    """Periodic net of fine lines, lay along +u.

    Returns
    -------
    float32 (rows, cols), mm, mean 0

    Raises
    ------
    PatchError : size_mm is no whole number of texels
    """
    relief = LineRelief() if relief is None else relief
    tile, rng = make_tile(size_mm, texel_mm), np.random.default_rng(seed)
    wander = np.radians(relief.spread_deg) * (0.8 * smooth_noise(tile, 4.0, rng) + 0.6 * smooth_noise(tile, 1.3, rng))
    main = LineFamily(relief.spacing_mm, 12.0, 1.2)
    strokes = _family(tile, wander, main, relief.main_mm, rng)
    middle, half = np.mean(relief.crossing_deg), 0.5 * np.ptp(relief.crossing_deg)
    for sign, share in ((1.0, 1.0), (-1.0, 1.35)):  # one cross way is a little denser: skin is not mirror-true
        lean = sign * np.radians(middle + half * np.tanh(smooth_noise(tile, 2.5, rng)))
        cross = LineFamily(1.15 * share * relief.spacing_mm, 3.2, 0.45)
        strokes += _family(tile, wander + lean, cross, relief.cross_mm, rng)
    unit = relief.width_mm / 4.5  # the three Gaussians together are width_mm wide at half depth
    raw = draw(tile, strokes, ((0.38, unit), (0.32, 2.3 * unit), (0.3, 5.0 * unit)))
    limit = 1.6 * relief.main_mm[1]  # crossings get deeper, but not by the sum
    fields = 0.002 * band_noise(tile, 0.4, 1.1, rng) + relief.grain_mm * band_noise(tile, 0.09, 0.3, rng)
    return finished(fields - limit * np.tanh(raw / limit))


def _family(tile: Tile, angle_rad: np.ndarray, family: LineFamily, depths_mm, rng) -> list[Stroke]:
    """Lines of one family with depths that vary from line to line and along each."""
    seeds = spread_points(tile, 0.6 * family.spacing_mm, rng)
    along, wide = smooth_noise(tile, 0.8, rng), smooth_noise(tile, 1.4, rng)
    shift = [0.02 * smooth_noise(tile, 0.3, rng) for _ in range(2)]
    strokes = []
    for path in grow_lines(tile, angle_rad, rng.permutation(seeds), family, rng):
        depth = rng.uniform(*depths_mm) * np.clip(1.0 + 0.3 * sample(tile, along, path), 0.25, 1.7)
        depth = depth * taper(len(path), min(0.5, 0.35 / (len(path) * family.step_mm)))
        width = np.clip(1.0 + 0.2 * sample(tile, wide, path), 0.8, 1.4)
        wavy = path + np.column_stack([sample(tile, field, path) for field in shift])
        strokes.append(Stroke(wavy, depth, width))
    return strokes
