"""Skin with pores: blue-noise pits that are exactly what is asked, at the junctions of a net of fine furrows.

Every part but the pits can be put to 0, so that pits alone remain; then coverage and mean have a closed form
(docs/synthesis.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poredepth.patch.synthesise.net import NetSpec, furrow_strokes
from poredepth.patch.synthesise.parameters import OWN, Relief, check_texel, choice, parameter
from poredepth.patch.synthesise.periodic import (
    FieldRows,
    Progress,
    Tile,
    band_noise,
    by_rows,
    cell_net,
    make_tile,
    sample,
    smooth_noise,
    spread_points,
)
from poredepth.patch.synthesise.pits import PROFILES, PitRows, PitSpec
from poredepth.patch.synthesise.result import Pits, take_mean_off
from poredepth.patch.synthesise.strokes import HAIRLINE, Stroke, StrokeRows

UM = 1e-3

#: Wavelengths of the uneven ground and of the grain, mm.
_UNEVEN_MM, _GRAIN_MM = (0.45, 1.1), (0.09, 0.3)
#: Width of third-order lines, mm.
_THIRD_MM = 0.06


@dataclass(frozen=True)
class PoreRelief(Relief):
    """Parameters of ``pores``, by default those of the cheek; a pair is (least, most).  See ``preset_table``."""

    kind = "pores"

    density_per_cm2: float = parameter(
        60.0, "per_cm2", "from memory, low confidence: visible pores of the cheek 10 to 100 per cm2",
        least=0.0, most=2000.0, help="pores per square centimetre; round(density * area) are laid exactly",
    )  # fmt: skip
    diameter_um: tuple[float, float] = parameter(
        (280.0, 560.0), "um", "seen from 250 um on (Flament et al. 2015); from memory: 200 to 600 um",
        least=20.0, most=2000.0, help="diameter of the opening, at the level of the skin around",
    )  # fmt: skip
    depth_um: tuple[float, float] = parameter(
        (45.0, 95.0), "um", "from memory, low confidence: 20 to 150 um",
        least=0.0, most=500.0, help="depth below the skin around",
    )  # fmt: skip
    elongation_ratio: tuple[float, float] = parameter(
        (1.0, 1.5), "ratio", "circle to long ellipse with age (Skin Res Technol 2018;24:304-308); numbers own choice",
        least=1.0, most=4.0, help="length of a pore along the lay over its width; the area stays",
    )  # fmt: skip
    outline_ratio: float = parameter(
        0.25, "ratio", OWN, least=0.0, most=0.4, help="how uneven the outline is, share of the radius",
    )  # fmt: skip
    profile: str = choice(
        "rounded", tuple(PROFILES), OWN, help="rounded: soft edge, mean depth 1/3; paraboloid: sharp edge, mean 1/2",
    )  # fmt: skip
    rim_um: float = parameter(
        5.0, "um", "broken raised rim: Mizukoshi & Takahashi 2013; height own choice",
        least=0.0, most=100.0, help="height of the rim around the largest pores; it is broken",
    )  # fmt: skip
    cell_mm: float = parameter(
        0.55, "mm", "from memory: primary lines 0.3 to 1.0 mm apart",
        least=0.1, most=5.0, help="mean distance of neighbouring fields of skin",
    )  # fmt: skip
    stretch_ratio: float = parameter(
        1.15, "ratio", OWN, least=0.5, most=3.0, help="length of the fields along the lay over their width",
    )  # fmt: skip
    primary_um: tuple[float, float] = parameter(
        (20.0, 32.0), "um", "from memory: primary lines 20 to 100 um deep (Hashimoto 1974)",
        least=0.0, most=300.0, help="depth of furrows between groups of fields",
    )  # fmt: skip
    secondary_um: tuple[float, float] = parameter(
        (7.0, 16.0), "um", "from memory: secondary lines 5 to 40 um deep (Hashimoto 1974)",
        least=0.0, most=300.0, help="depth of furrows within a group; a quarter of them nearly vanishes",
    )  # fmt: skip
    furrow_width_um: float = parameter(
        95.0, "um", OWN, least=10.0, most=2000.0, help="width of furrows at half depth",
    )  # fmt: skip
    third_um: float = parameter(
        5.0, "um", OWN, least=0.0, most=100.0, help="depth of the deepest third-order lines within the fields",
    )  # fmt: skip
    uneven_um: float = parameter(
        2.2, "um", OWN, least=0.0, most=100.0, help="Sq of the uneven ground, wavelengths 0.45 to 1.1 mm",
    )  # fmt: skip
    grain_um: float = parameter(
        0.9, "um", OWN, least=0.0, most=50.0, help="Sq of the grain, wavelengths 90 to 300 um",
    )  # fmt: skip

    @property
    def has_furrows(self) -> bool:
        return max(self.primary_um[1], self.secondary_um[1]) > 0


def pores(size_mm: float, texel_mm: float, seed: int, relief: PoreRelief | None = None) -> np.ndarray:
    """Periodic skin with furrow net and pores, lay along +u.

    Returns
    -------
    float32 (rows, cols), mm, mean 0

    Raises
    ------
    PatchError : size_mm is no whole number of texels, texels too large for the finest detail, too many pores to fit
    """
    height_mm, _, _ = raw_pores(make_tile(size_mm, texel_mm), seed, PoreRelief() if relief is None else relief)
    take_mean_off(height_mm)
    return height_mm


def raw_pores(
    tile: Tile, seed: int, relief: PoreRelief, on_progress: Progress | None = None
) -> tuple[np.ndarray, Pits, float]:
    """Relief whose skin between furrows and pores is at 0, its pits, and the share of the tile they cover."""
    _check_texel(tile, relief)
    rng = np.random.default_rng(seed)
    spec = PitSpec(**{key: getattr(relief, key) for key in PitSpec.__dataclass_fields__})
    pit_rows = PitRows(tile, spec, rng)
    pits = pit_rows.pits
    furrows = furrow_strokes(tile, _net_spec(relief), pits.middle_mm, rng) if relief.has_furrows else []
    furrow_rows = StrokeRows(tile, furrows)
    field_rows = _Fields(tile, relief, rng)

    def rows(top: int, bottom: int) -> np.ndarray:
        pit, rim, spare = pit_rows.rows(top, bottom)
        if relief.has_furrows:
            # the deepest of pit and furrow, joined smoothly; in the middle of a pit nothing of the furrow is left, so
            # it is as deep as asked
            furrow = furrow_rows.rows(top, bottom) * spare
            pit = np.sqrt(np.sqrt(np.square(np.square(pit)) + np.square(np.square(furrow))))
        return rim - pit + field_rows.rows(top, bottom, spare)

    height_mm = by_rows(tile, rows, on_progress)
    return height_mm, pits, pit_rows.coverage_ratio


def _check_texel(tile: Tile, relief: PoreRelief) -> None:
    if relief.density_per_cm2 > 0:
        check_texel("pores", tile.texel_mm, "diameter_um", relief.diameter_um[0])
    if relief.has_furrows:
        check_texel("pores", tile.texel_mm, "furrow_width_um", relief.furrow_width_um)


def _net_spec(relief: PoreRelief) -> NetSpec:
    primary, secondary = (tuple(UM * end for end in pair) for pair in (relief.primary_um, relief.secondary_um))
    return NetSpec(relief.cell_mm, relief.stretch_ratio, primary, secondary, UM * relief.furrow_width_um)


class _Fields:
    """Relief of the fields between furrows, mm: uneven domes, faint third-order net, grain; made for any rows."""

    def __init__(self, tile: Tile, relief: PoreRelief, rng: np.random.Generator):
        self._ground = self._third = None
        ground = []
        for sq_um, (finest, coarsest) in ((relief.uneven_um, _UNEVEN_MM), (relief.grain_um, _GRAIN_MM)):
            noise = band_noise(tile, finest, coarsest, rng) if sq_um > 0 else None
            if noise is not None:
                ground.append(FieldRows(tile, UM * sq_um * noise))
        self._ground = ground
        if relief.third_um > 0:
            self._third = StrokeRows(tile, _third_strokes(tile, relief, rng), HAIRLINE)

    def rows(self, top: int, bottom: int, spare: np.ndarray) -> np.ndarray:
        out = np.zeros_like(spare)
        for noise in self._ground:
            out += noise.rows(top, bottom)
        if self._third is not None:
            out -= spare * self._third.rows(top, bottom)
        return out


def _third_strokes(tile: Tile, relief: PoreRelief, rng: np.random.Generator) -> list[Stroke]:
    """A net of its own, finer than the fields, that comes and goes."""
    net = cell_net(tile, spread_points(tile, 0.36 * relief.cell_mm, rng, relief.stretch_ratio))
    n = len(net.cells)
    part = np.linspace(0.0, 1.0, 5)[:, None]
    path = net.start_mm[:, None] + part * (net.end_mm - net.start_mm)[:, None]
    bend = [0.02 * smooth_noise(tile, 0.25, rng) for _ in range(2)]
    flat = path.reshape(-1, 2)
    path = (flat + np.column_stack([sample(tile, field, flat) for field in bend])).reshape(n, 5, 2)
    patchy = np.clip(0.5 + 0.5 * sample(tile, smooth_noise(tile, 0.8, rng), flat), 0.0, 1.0).reshape(n, 5)
    depth = UM * relief.third_um * (rng.random(n) ** 1.5)[:, None] * patchy
    width = np.full(5, min(_THIRD_MM, 0.12 * relief.cell_mm))
    return [Stroke(points, deep, width) for points, deep in zip(path, depth, strict=True)]
